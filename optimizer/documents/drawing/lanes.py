"""Which upright lane each run is drawn in: runs straight through a tee share one, the others stand side by side.

Every point is a level bar and every run an upright line between two of them, so parts can never overlap; what is left
is to order the lanes so that few bars cross a line. Small and exact enough: one lane at a time is moved to its best
place until nothing gets better.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.documents.drawing.levels import Levels
from optimizer.model.network import Leg, Network, Run

_CROSSING, _BREAK, _COLUMN = 100.0, 12.0, 2.5  # what a crossing, a parted surface and a further column cost, in columns
_APART = 30.0  # between two strands in one column, in pixels

Span = tuple[float, float]


@dataclass(frozen=True)
class Strand:
    """Runs that stand one above the other in one lane, with what each covers from low to high."""

    spans: Mapping[str, Span]

    @property
    def low(self) -> float:
        return min(low for low, _ in self.spans.values())

    @property
    def high(self) -> float:
        return max(high for _, high in self.spans.values())


Columns = tuple[tuple[Strand, ...], ...]
Order = tuple[tuple[frozenset[str], ...], ...]  # the runs of every strand of every column


def strands_of(network: Network, levels: Levels, spans: Mapping[str, Span]) -> tuple[Strand, ...]:
    """Return the strands; a tee's two run legs go on in one lane where one leads up and the other down."""
    group = {name: name for name in network.runs}
    for point in network.points:
        legs = {leg: run for run, leg, _ in network.runs_at(point)}
        pair = [legs.get(Leg.RUN_1), legs.get(Leg.RUN_2)]
        if None in pair or any(run.name in levels.detours for run in pair if run):
            continue
        first, second = (run for run in pair if run)
        if first is not second and _leads_up(first, point, levels) != _leads_up(second, point, levels):
            old, new = group[second.name], group[first.name]
            group = {name: new if into == old else into for name, into in group.items()}
    names = dict.fromkeys(group.values())
    return tuple(Strand({run: spans[run] for run in network.runs if group[run] == name}) for name in names)


def _leads_up(run: Run, point: str, levels: Levels) -> bool:
    other = run.end.point if run.start.point == point else run.start.point
    return levels.up[other] > levels.up[point]


def order_columns(network: Network, levels: Levels, strands: Iterable[Strand]) -> Columns:
    """Return the strands in columns from left to right, with few crossings and short bars."""
    columns: Columns = tuple((strand,) for strand in strands)
    bars = _Bars(network, levels, [strand for (strand,) in columns])
    best = bars.cost(columns)
    improved = True
    while improved:
        improved = False
        for strand in [strand for column in columns for strand in column]:
            for moved in _moves(columns, strand):
                cost = bars.cost(moved)
                if cost < best - 1e-9:
                    columns, best, improved = moved, cost, True
    return _tallest_on_the_left(columns)


def ordered_as(order: Order, strands: Iterable[Strand]) -> Columns | None:
    """Return the strands in columns as an earlier drawing had them, None where they are no longer the same runs.

    A strand that has grown into another one of its column is no reason to refuse: it gets a column of its own.
    """
    by_runs = {frozenset(strand.spans): strand for strand in strands}
    if sorted(map(sorted, by_runs)) != sorted(sorted(runs) for column in order for runs in column):
        return None
    columns: list[tuple[Strand, ...]] = []
    for kept in order:
        column: list[tuple[Strand, ...]] = [()]
        for strand in (by_runs[runs] for runs in kept):
            free = next((at for at, ones in enumerate(column) if _fits(strand, ones)), None)
            if free is None:
                column.append((strand,))
            else:
                column[free] = (*column[free], strand)
        columns += column
    return tuple(columns)


def order_of(columns: Columns) -> Order:
    """Return which runs stand in which column, to draw the same plumbing alike the next time."""
    return tuple(tuple(frozenset(strand.spans) for strand in column) for column in columns)


def _fits(strand: Strand, others: Iterable[Strand]) -> bool:
    return all(strand.low > one.high + _APART or strand.high < one.low - _APART for one in others)


def _tallest_on_the_left(columns: Columns) -> Columns:
    """Return the columns, mirrored where the tallest strand, most often the riser, stands right of the middle."""
    heights = [max(strand.high - strand.low for strand in column) for column in columns]
    return columns[::-1] if heights and 2 * heights.index(max(heights)) > len(columns) - 1 else columns


def crossings(network: Network, levels: Levels, columns: Columns) -> dict[str, list[float]]:
    """Return for each run the levels at which a bar crosses it: of a detour, that of its own beginning too."""
    found: dict[str, list[float]] = {name: [] for name in network.runs}
    for point in network.points.values():
        runs = {run.name for run, _, _ in network.runs_at(point.name)}
        places = [place for place, column in enumerate(columns) if any(runs & strand.spans.keys() for strand in column)]
        if point.is_fixed or not places:
            continue
        for column in columns[min(places) : max(places) + 1]:
            for strand in column:
                for name, (low, high) in strand.spans.items():
                    if low < levels.up[point.name] < high:
                        found[name].append(levels.up[point.name])
    return found


def _moves(columns: Columns, strand: Strand) -> Iterable[Columns]:
    """Yield the columns with one strand in each other place, where it does not meet another."""
    rest = tuple(tuple(one for one in column if one is not strand) for column in columns)
    rest = tuple(column for column in rest if column)
    for place in range(len(rest) + 1):
        yield (*rest[:place], (strand,), *rest[place:])
    for place, column in enumerate(rest):
        if _fits(strand, column):
            yield (*rest[:place], (*column, strand), *rest[place + 1 :])


class _Bars:
    """The level bars of all points against all strands, as tables (bar, strand): many orders are soon judged."""

    def __init__(self, network: Network, levels: Levels, strands: Sequence[Strand]) -> None:
        self._at = {id(strand): place for place, strand in enumerate(strands)}
        met, levels_up, fixed = list[list[bool]](), list[float](), list[bool]()
        for point in network.points:
            runs = {run.name for run, _, _ in network.runs_at(point)}
            on = [not runs.isdisjoint(strand.spans) for strand in strands]
            if any(on):
                met.append(on)
                levels_up.append(levels.up[point])
                fixed.append(network.points[point].is_fixed)
        self._met = np.array(met, dtype=bool).reshape(len(met), len(strands))
        lows, highs = (np.array([getattr(strand, end) for strand in strands]) for end in ("low", "high"))
        ups = np.array(levels_up).reshape(-1, 1)
        self._in_the_way = ~self._met & (lows - 8 < ups) & (ups < highs + 8)
        self._for_length = np.where(fixed, 0.3, 1.0)
        self._for_crossing = np.where(fixed, _BREAK, _CROSSING)

    def cost(self, columns: Columns) -> float:
        """Return what columns cost: their number, how long the bars are, and how many strands stand in their way."""
        place = np.empty(len(self._at), dtype=int)
        for number, column in enumerate(columns):
            for strand in column:
                place[self._at[id(strand)]] = number
        first = np.where(self._met, place, len(columns)).min(axis=1, initial=len(columns))
        last = np.where(self._met, place, -1).max(axis=1, initial=-1)
        between = (first[:, None] <= place) & (place <= last[:, None])
        blocked = (self._in_the_way & between).sum(axis=1)
        return float(_COLUMN * len(columns) + self._for_length @ (last - first) + self._for_crossing @ blocked)
