"""Cost against flow: every plan worth having is a mark, and the step line is the most flow that a budget buys.

Where flows are not known beforehand it is the share of the minimum flows. Then some is not proven: a bar
to the left of a mark ends at the least that a plan like it costs, and a broken line goes around where more may lie.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from optimizer.documents.drawing.chart import Frame, frame, legend
from optimizer.documents.drawing.svg import Canvas
from optimizer.units import flow_unit, flow_value, show_flow
from optimizer.wording.amounts import money, percent

_WIDTH, _HEIGHT = 440.0, 320.0
_LEAST_GAP = 0.01  # of a reach; narrower ones cannot be seen
_LEAST_SPAN = 5.0  # percent of a reach; published losses do not tell smaller steps apart
_OPEN = ("level", "", "not settled: more may lie below")
_CHEAPER = ("tank", "", "a cheaper one is not ruled out")


@dataclass(frozen=True, slots=True)
class FrontierPoint:
    """A plan that no other one beats in cost and flow at once. `label` is a few words beside its mark, or nothing.

    `cuts` is how many saw cuts it takes, where that is told. With a `reach` that is shown, and not the flow. Nothing
    cheaper reaches as much as this plan from `starts` on (None: from the plan before on), and none for what it reaches
    costs less than `least_cents` (None: than itself).
    """

    cost_cents: int
    flow_m3_s: float
    label: str = ""
    reach: float | None = None
    starts: float | None = None
    least_cents: int | None = None
    cuts: int | None = None
    works: float | None = None  # the share of all cases in which it does


def has_reach(points: Sequence[FrontierPoint]) -> bool:
    """Return whether a chart shows what is reached, not a flow."""
    return bool(points) and all(point.reach is not None for point in points)


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
    canvas = frontier_canvas(points, chosen, units, currency, flow_words)
    return canvas.svg(title, " ".join(_told(_sorted(points), chosen, units, currency)), key, alone=alone)


def _told(ordered: Sequence[FrontierPoint], chosen: FrontierPoint | None, units: str, currency: str) -> Iterator[str]:
    verb = "reaches" if has_reach(ordered) else "gives"
    yield "; ".join(f"{money(p.cost_cents, currency)} {verb} {_shown(p, units)}" for p in ordered) + "."
    for point in ordered:
        if _least(point) < point.cost_cents:
            yield f"That {_shown(point, units)} costs less, down to {money(_least(point), currency)}, is not ruled out."
    for below, above in _open_gaps(ordered):
        low, high = percent(below.reach or 0.0), percent(above.starts or 0.0)
        yield f"Whether other plans reach between {low} and {high} was not settled."
    told = [f"{_shown(point, units)} takes {_cuts_words(point.cuts)}" for point in ordered if point.cuts is not None]
    if told:
        yield f"{'; '.join(told)}."
    if chosen:
        yield f"Your plan: {money(chosen.cost_cents, currency)} for {_shown(chosen, units)}."


def frontier_canvas(
    points: Sequence[FrontierPoint],
    chosen: FrontierPoint | None,
    units: str,
    currency: str,
    flow_words: str = "flow",
) -> Canvas:
    """Return the drawn chart. At least one point is needed; a chosen one that is none of them is drawn beside them."""
    ordered = _sorted(points)
    if not ordered:
        raise ValueError("a frontier needs a plan at least")
    marked = ordered if chosen is None or chosen in ordered else _sorted([*ordered, chosen])
    values, costs = [_value(point, units) for point in marked], [_cost(point) for point in marked]
    span = max(values) - min(values)
    margin = max(0.08 * span, _LEAST_SPAN - span) if has_reach(ordered) else 0.08 * span or 1.0
    entries = [_CHEAPER] * any(_least(point) < point.cost_cents for point in marked) + [_OPEN] * any(
        _open_gaps(ordered)
    )
    drawn = frame(
        _WIDTH,
        _HEIGHT,
        (0.0, max(costs)),
        (max(0.0, min(values) - margin), max(values) + margin),
        f"parts, {currency}",
        "% of the minimum flows" if has_reach(ordered) else f"{flow_words}, {flow_unit(units)}",
        legend_rows=1 + len(entries),
    )
    drawn.line(_steps(ordered, units, drawn.x_ticks[-1]), "after-faint")
    _draw_what_is_open(drawn, ordered, marked, units)
    for point in sorted(marked, key=lambda one: one == chosen):  # the chosen one on top
        drawn.mark((_cost(point), _value(point, units)), "after-bar" if point == chosen else "after-hollow")
    _name_points(drawn, ordered, chosen, units, currency)
    if entries:
        legend(drawn, entries, len(entries))
    return drawn.canvas


def _draw_what_is_open(
    drawn: Frame, ordered: Sequence[FrontierPoint], marked: Sequence[FrontierPoint], units: str
) -> None:
    """Draw how far up and to the left other plans may lie."""
    for below, above in _open_gaps(ordered):
        low, high = _cost(below), _cost(above)
        edge = 100 * (above.starts or 0.0)
        drawn.line([(low, _value(below, units)), (low, edge), (high, edge)], "level")
    for point in marked:
        if _least(point) < point.cost_cents:
            drawn.line([(_least(point) / 100, _value(point, units)), (_cost(point), _value(point, units))], "tank")


def _open_gaps(ordered: Sequence[FrontierPoint]) -> list[tuple[FrontierPoint, FrontierPoint]]:
    """Return neighbours between which plans may lie that nobody looked for."""
    return [
        (below, above)
        for below, above in pairwise(ordered)
        if above.starts is not None and below.reach is not None and above.starts > below.reach + _LEAST_GAP
    ]


def _least(point: FrontierPoint) -> int:
    return point.cost_cents if point.least_cents is None else point.least_cents


def _steps(ordered: Sequence[FrontierPoint], units: str, last_cost: float) -> list[tuple[float, float]]:
    """Return the most flow at each cost: level until the next plan is paid for."""
    line = [(_cost(ordered[0]), _value(ordered[0], units))]
    best = line[0][1]
    for _, point in pairwise(ordered):
        line.append((_cost(point), best))
        best = max(best, _value(point, units))
        line.append((_cost(point), best))
    return [*line, (last_cost, best)]


def _name_points(
    drawn: Frame, ordered: Sequence[FrontierPoint], chosen: FrontierPoint | None, units: str, currency: str
) -> None:
    """Write the chosen plan's numbers first, so that it has the best place, then the labels of the others."""
    if chosen is not None:
        words = f"{chosen.label or 'chosen'}: {money(chosen.cost_cents, currency)}, {_shown(chosen, units)}"
        words += f", {_cuts_words(chosen.cuts)}" if chosen.cuts is not None else ""
        drawn.note((_cost(chosen), _value(chosen, units)), words, "words bold")
    for point in ordered:
        words = ", ".join(text for text in (point.label, _cuts_words(point.cuts)) if text)
        if words and point != chosen:
            drawn.note((_cost(point), _value(point, units)), words, "aside")


def _cuts_words(cuts: int | None) -> str:
    """Return saw cuts in words, nothing where they are not told."""
    if cuts is None:
        return ""
    return f"{cuts} saw cut{'s' * (cuts != 1)}" if cuts else "no saw cut"


def _sorted(points: Sequence[FrontierPoint]) -> list[FrontierPoint]:
    return sorted(points, key=lambda point: (point.cost_cents, point.reach or 0.0, point.flow_m3_s, point.label))


def _value(point: FrontierPoint, units: str) -> float:
    return flow_value(point.flow_m3_s, units) if point.reach is None else 100 * point.reach


def _shown(point: FrontierPoint, units: str) -> str:
    return show_flow(point.flow_m3_s, units) if point.reach is None else percent(point.reach)


def _cost(point: FrontierPoint) -> float:
    return point.cost_cents / 100
