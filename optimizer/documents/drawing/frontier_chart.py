"""Cost against flow: every plan worth having is a mark, and the step line is the most flow that a budget buys."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from optimizer.documents.drawing.chart import Frame, frame
from optimizer.documents.drawing.svg import Canvas
from optimizer.documents.words import money
from optimizer.units import flow_unit, flow_value, show_flow

_WIDTH, _HEIGHT = 440.0, 320.0


@dataclass(frozen=True, slots=True)
class FrontierPoint:
    """A plan that no other one beats in cost and flow at once. `label` is a few words beside its mark, or nothing."""

    cost_cents: int
    flow_m3_s: float
    label: str = ""


def frontier_chart(
    points: Sequence[FrontierPoint],
    chosen: FrontierPoint | None,
    units: str,
    currency: str,
    *,
    title: str,
    key: str,
    flow_words: str = "flow",
    alone: bool = False,
) -> str:
    """Return the chart; `chosen` is marked full, the others hollow; `flow_words` says which flow is meant."""
    told = [
        f"{money(point.cost_cents, currency)} gives {show_flow(point.flow_m3_s, units)}" for point in _sorted(points)
    ]
    best = f" Chosen: {money(chosen.cost_cents, currency)} for {show_flow(chosen.flow_m3_s, units)}." if chosen else ""
    canvas = frontier_canvas(points, chosen, units, currency, flow_words)
    return canvas.svg(title, "; ".join(told) + "." + best, key, alone=alone)


def frontier_canvas(
    points: Sequence[FrontierPoint],
    chosen: FrontierPoint | None,
    units: str,
    currency: str,
    flow_words: str = "flow",
) -> Canvas:
    """Return the drawn chart. At least one point is needed."""
    ordered = _sorted(points)
    if not ordered:
        raise ValueError("a frontier needs a plan at least")
    flows, costs = [flow_value(point.flow_m3_s, units) for point in ordered], [_cost(point) for point in ordered]
    margin = 0.08 * (max(flows) - min(flows)) or 1.0
    drawn = frame(
        _WIDTH,
        _HEIGHT,
        (0.0, max(costs)),
        (max(0.0, min(flows) - margin), max(flows) + margin),
        f"parts, {currency}",
        f"{flow_words}, {flow_unit(units)}",
    )
    drawn.line(_steps(ordered, units, drawn.x_ticks[-1]), "after-faint")
    for point in ordered:
        drawn.mark(
            (_cost(point), flow_value(point.flow_m3_s, units)), "after-bar" if point == chosen else "after-hollow"
        )
    _name_points(drawn, ordered, chosen, units, currency)
    return drawn.canvas


def _steps(ordered: Sequence[FrontierPoint], units: str, last_cost: float) -> list[tuple[float, float]]:
    """Return the most flow at each cost: level until the next plan is paid for."""
    line = [(_cost(ordered[0]), flow_value(ordered[0].flow_m3_s, units))]
    best = line[0][1]
    for _, point in pairwise(ordered):
        line.append((_cost(point), best))
        best = max(best, flow_value(point.flow_m3_s, units))
        line.append((_cost(point), best))
    return [*line, (last_cost, best)]


def _name_points(
    drawn: Frame, ordered: Sequence[FrontierPoint], chosen: FrontierPoint | None, units: str, currency: str
) -> None:
    """Write the chosen plan's numbers first, so that it has the best place, then the labels of the others."""
    if chosen is not None:
        words = (
            f"{chosen.label or 'chosen'}: {money(chosen.cost_cents, currency)}, {show_flow(chosen.flow_m3_s, units)}"
        )
        drawn.note((_cost(chosen), flow_value(chosen.flow_m3_s, units)), words, "words bold")
    for point in ordered:
        if point.label and point != chosen:
            drawn.note((_cost(point), flow_value(point.flow_m3_s, units)), point.label, "aside")


def _sorted(points: Sequence[FrontierPoint]) -> list[FrontierPoint]:
    return sorted(points, key=lambda point: (point.cost_cents, point.flow_m3_s, point.label))


def _cost(point: FrontierPoint) -> float:
    return point.cost_cents / 100
