"""Efficient plans of the search → the points of a chart of cost against flow."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from optimizer.documents.drawing.frontier_chart import FrontierPoint

if TYPE_CHECKING:
    from optimizer.model.plan import Plan
    from optimizer.search.frontier import FrontierPlan


def frontier_points(
    plans: Sequence[FrontierPlan], chosen: Plan
) -> tuple[tuple[FrontierPoint, ...], FrontierPoint | None]:
    """Return a point a plan, the pump's flow against the parts list, and the chosen plan's own."""
    points = []
    own: FrontierPoint | None = None
    for plan in plans:
        same = plan.plan.material_cents == chosen.material_cents
        point = FrontierPoint(plan.plan.cost_cents or 0, plan.total_m3_s, "this plan" if same else "")
        points.append(point)
        own = point if same else own
    return tuple(points), own
