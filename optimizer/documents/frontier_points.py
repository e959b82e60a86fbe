"""Efficient plans of the search → the points of a chart of cost against reach."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from optimizer.documents.drawing.frontier_chart import FrontierPoint

if TYPE_CHECKING:
    from optimizer.model.plan import Plan
    from optimizer.search.studies.frontier import FrontierPlan

_OWN = "this plan"


def reach_points(
    plans: Sequence[FrontierPlan], chosen: Plan, reach: float
) -> tuple[tuple[FrontierPoint, ...], FrontierPoint]:
    """Return a point a plan, its reach against the parts list with what is not proven of it, and the chosen plan's own.

    `reach` is that of the chosen plan. Where no plan costs what it costs and meets the targets as well, its point is
    not one of the others: then it was made with electricity or work counted, or one of both was not proven.
    """
    same = next((plan for plan in plans if plan.meets_targets and plan.plan.cost_cents == chosen.cost_cents), None)
    points = [_with_reach(plan.plan, plan.reach, plan.starts, plan is same) for plan in plans]
    own = next((point for point in points if point.label), None)
    return tuple(points), own or _with_reach(chosen, reach, None, own=True)


def _with_reach(plan: Plan, reach: float, starts: float | None, own: bool) -> FrontierPoint:
    cost_cents = plan.cost_cents or 0
    least_cents = max(0, cost_cents - (plan.gap_cents or 0))
    return FrontierPoint(cost_cents, 0.0, _OWN if own else "", reach, starts, least_cents)
