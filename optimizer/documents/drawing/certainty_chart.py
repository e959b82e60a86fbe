"""Cost against chance: in what share of all cases each plan works, and the step line of the most that a budget buys."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.documents.drawing.chart import Frame, frame
from optimizer.documents.drawing.frontier_chart import FrontierPoint
from optimizer.documents.drawing.svg import Canvas
from optimizer.wording.amounts import money, percent

_WIDTH, _HEIGHT = 440.0, 320.0
_ROOM = 0.1  # left free on either side of the shares that are shown


def told_points(points: Sequence[FrontierPoint]) -> list[FrontierPoint]:
    """Return the plans whose chance is known, the cheapest first."""
    known = [point for point in points if point.works is not None]
    return sorted(known, key=lambda point: (point.cost_cents, point.works or 0.0))


def certainty_chart(
    points: Sequence[FrontierPoint],
    chosen: FrontierPoint | None,
    currency: str,
    *,
    title: str,
    key: str,
    alone: bool = False,
) -> str:
    """Return the chart of the plans whose chance is known; `chosen` is marked full, the others hollow."""
    shown = told_points(points)
    said = "; ".join(f"{money(p.cost_cents, currency)} works in {percent(p.works or 0.0)} of cases" for p in shown)
    return certainty_canvas(points, chosen, currency).svg(title, f"{said}.", key, alone=alone)


def certainty_canvas(points: Sequence[FrontierPoint], chosen: FrontierPoint | None, currency: str) -> Canvas:
    """Return the drawn chart; ValueError where no chance is known."""
    shown = told_points(points)
    if not shown:
        raise ValueError("a chart of chances needs a plan whose chance is known")
    shares = [100.0 * (point.works or 0.0) for point in shown]
    low, high = max(0.0, min(shares) - 100 * _ROOM), min(100.0, max(shares) + 100 * _ROOM)
    costs = (0.0, max(point.cost_cents for point in shown) / 100)
    drawn = frame(_WIDTH, _HEIGHT, costs, (low, high), f"parts, {currency}", "% of cases", legend_rows=1)
    drawn.line(_steps(shown, drawn.x_ticks[-1]), "after-faint")
    for point in shown:
        drawn.mark(_place(point), "after-bar" if point == chosen else "after-hollow")
    _name(drawn, shown, chosen, currency)
    return drawn.canvas


def _name(drawn: Frame, shown: Sequence[FrontierPoint], chosen: FrontierPoint | None, currency: str) -> None:
    """Write the numbers of the chosen plan, and of the first that works in most cases."""
    if chosen in shown and chosen is not None:
        words = f"{chosen.label or 'chosen'}: {money(chosen.cost_cents, currency)}, {percent(chosen.works or 0.0)}"
        drawn.note(_place(chosen), words, "words bold")
    for share in (0.8, 0.9):
        first = next((point for point in shown if (point.works or 0.0) >= share), None)
        if first is not None and first != chosen:
            drawn.note(_place(first), f"{money(first.cost_cents, currency)}, {percent(first.works or 0.0)}", "aside")
            break


def _steps(shown: Sequence[FrontierPoint], last_cost: float) -> list[tuple[float, float]]:
    """Return the best chance at each cost: level until the next plan that works more often is paid for."""
    line, best = [_place(shown[0])], _place(shown[0])[1]
    for point in shown[1:]:
        cost, share = _place(point)
        line.append((cost, best))
        best = max(best, share)
        line.append((cost, best))
    return [*line, (last_cost, best)]


def _place(point: FrontierPoint) -> tuple[float, float]:
    return point.cost_cents / 100, 100.0 * (point.works or 0.0)
