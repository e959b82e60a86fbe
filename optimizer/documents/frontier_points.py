"""Efficient plans of the search → the points of a chart of cost against reach."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from optimizer.documents.drawing.frontier_chart import FrontierPoint

if TYPE_CHECKING:
    from optimizer.model.plan import Plan
    from optimizer.search.studies.frontier import FrontierPlan

_OWN, _FEWEST = "your plan", "fewest cuts"


def reach_points(
    plans: Sequence[FrontierPlan], chosen: Plan, reach: float
) -> tuple[tuple[FrontierPoint, ...], FrontierPoint]:
    """Return a point a plan, its reach against the parts list with what is not proven of it, and the chosen plan's own.

    `reach` is that of the chosen plan. Where no plan costs what it costs and meets the targets as well, its point is
    not one of the others: then it was made with electricity or work counted, or one of both was not proven.
    """
    same = its_point(plans, chosen)
    fewest = min((plan for plan in plans if plan.meets_targets), key=_by_cuts, default=None)
    points = []
    for plan in plans:
        labels = [_OWN] * (plan is same) + [_FEWEST] * (plan is fewest and plan.plan.cuts < chosen.cuts)
        points.append(_with_reach(plan.plan, plan.reach, plan.starts, ", ".join(labels), plan.works))
    own = next((point for point in points if point.label.startswith(_OWN)), None)
    return tuple(points), own or _with_reach(chosen, reach, None, _OWN)


def its_point(plans: Sequence[FrontierPlan], chosen: Plan) -> FrontierPlan | None:
    """Return which of the plans costs what the chosen one costs and meets the targets as well, if any."""
    return next((plan for plan in plans if plan.meets_targets and plan.plan.cost_cents == chosen.cost_cents), None)


def _by_cuts(plan: FrontierPlan) -> tuple[int, int]:
    return plan.plan.cuts, plan.plan.cost_cents or 0


def _with_reach(
    plan: Plan, reach: float, starts: float | None, label: str, works: float | None = None
) -> FrontierPoint:
    cost_cents = plan.cost_cents or 0
    least_cents = max(0, cost_cents - ((plan.list_gap_cents or 0) if plan.gap_cents else 0))
    return FrontierPoint(cost_cents, 0.0, label, reach, starts, least_cents, plan.cuts, works)
