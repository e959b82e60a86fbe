"""Narrow a box of flow ranges by heads: what a run must lose at its least flow, and may lose at its greatest."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Iterator, Mapping

from optimizer.clock import look
from optimizer.model.network import Run
from optimizer.search.flow_posing import FlowCase, speed_combos
from optimizer.search.flow_ranges import Range, by_mass, is_one_way, pump_of
from optimizer.search.run_curves import TeeCurves

Box = Mapping[tuple[str, int], Range]
_ROUNDS = 4
ROOT_ROUNDS = 12  # where one box decides
_HALVINGS = 24
_SPARE_M = 1e-6
_HAIR_M = 1e-9  # heads that differ by less are the same
_MOST_SHAVED = 8  # runs: with more it takes too long
_SLICES = (1.0, 0.7, 0.5, 0.35, 0.25, 0.12, 0.06)  # of either end of a range: where it is cut
_SHAVINGS = 3
_SHAVED_ENOUGH = 0.8  # of a range's width: what leaves more than that is not done again
_GAIN = 0.02  # rounds go on while some range loses this share of its width


def tightened(case: FlowCase, box: Box, mode: int, rounds: int = _ROUNDS, free: bool = False) -> Box | None:
    """Return the box with the ranges of one mode as far as heads, mass and targets narrow them; None when empty.

    With `free` every run may lose as much more as it likes, as if each had a valve.
    """
    now = {name: box[name, mode] for name in case.network.runs}
    wants = case.modes[mode].rows
    bounds = by_mass(case.network, wants, now)
    for _ in range(rounds):
        look()
        if bounds.empty:
            return None
        now = dict(bounds.ranges)
        narrowed = _by_heads(case, now, mode, free)
        if narrowed is None:
            return None
        before = now
        bounds = by_mass(case.network, wants, narrowed)
        if all(_width(bounds.ranges[n]) > (1 - _GAIN) * _width(before[n]) for n in before):
            break
    if bounds.empty:
        return None
    return {**box, **{(name, mode): found for name, found in bounds.ranges.items()}}


def free_box(case: FlowCase) -> Box | None:
    """Return the ranges of flow with every run free to lose more: they hold for all ways that lose as much or more."""
    box: Box | None = dict(case.ranges)
    for mode in range(len(case.modes)):
        box = None if box is None else tightened(case, box, mode, _ROUNDS, free=True)
        box = None if box is None else _shaved(case, box, mode)
    return box


def _shaved(case: FlowCase, box: Box, mode: int) -> Box | None:
    """Return a box that holds what is left of slices of the ranges of runs that water seems to go either way in.

    Each slice is narrowed by itself, thinner ones nearer to no flow: heads rule most of them out, and in what is left
    all other ranges are narrower too.
    """
    either = [name for name in case.network.runs if _is_either(box[name, mode])]
    left: Box | None = box
    for name in either if len(either) <= _MOST_SHAVED else ():
        for _ in range(_SHAVINGS):
            if left is None or not _is_either(left[name, mode]):
                break
            before = _width(left[name, mode])
            left = _hull(tightened(case, each, mode, _ROUNDS, free=True) for each in _slices(left, (name, mode)))
            if left is None or _width(left[name, mode]) > _SHAVED_ENOUGH * before:
                break
    return left


def _is_either(flow_range: Range) -> bool:
    return flow_range[0] < 0.0 < flow_range[1]


def _slices(box: Box, key: tuple[str, int]) -> Iterator[Box]:
    low, high = box[key]
    edges = [*(low * share for share in _SLICES), 0.0, *(high * share for share in reversed(_SLICES))]
    for part in itertools.pairwise(edges):
        yield {**box, key: part}


def _hull(boxes: Iterable[Box | None]) -> Box | None:
    """Return the smallest box that holds all of these that are not empty; None where all are."""
    found = [box for box in boxes if box is not None]
    if not found:
        return None
    return {key: (min(box[key][0] for box in found), max(box[key][1] for box in found)) for key in found[0]}


def _width(flow_range: Range) -> float:
    return flow_range[1] - flow_range[0]


class _Law:
    """What a run can lose over its range, whatever is chosen: `least` and `most` at a flow, tees included."""

    def __init__(self, case: FlowCase, run: Run, now: Mapping[str, Range], mode: int, free: bool) -> None:
        self.table = case.tables[run.name]
        self.gains = []
        if pump_of(run) is not None:
            names = [part.name for part in run.parts if part.name in case.network.pumps]
            for combo in speed_combos(case, run.name, mode):
                self.gains.append(case.gain(run.name, dict(zip(names, combo, strict=True))))
        low = high = 0.0
        for at_start, point in ((True, run.start.point), (False, run.end.point)):
            if point in case.tees:
                least, most = _tee_range(case, run.name, point, at_start, now, mode)
                low, high = low + least, high + most
        self.tees = (low - _SPARE_M, high + _SPARE_M)
        self.valved = free or any(way.valved for way in case.ways[run.name])
        self.one_way = is_one_way(run, case.network) != 0

    def apart_from_ways(self, flow: float) -> tuple[float, float]:
        """Return between what all lies that a run loses but for its parts: what its pumps give, and its tees."""
        gains = [gain.loss_m(flow) for gain in self.gains] or [0.0]
        return min(gains) + self.tees[0], max(gains) + self.tees[1]

    def least(self, flow: float) -> float:
        return float(self.table.losses_m(flow).min()) + self.apart_from_ways(flow)[0]

    def most(self, flow: float) -> float:
        return float(self.table.losses_m(flow).max()) + self.apart_from_ways(flow)[1]

    def drop(self, low: float, high: float) -> Range:
        """Return between what the head at the start less that at the end must lie."""
        free_down = (self.valved and low <= 0.0) or (self.one_way and low <= 0.0 <= high)
        free_up = (self.valved and high >= 0.0) or (self.one_way and low <= 0.0 <= high)
        return -math.inf if free_down else self.least(low), math.inf if free_up else self.most(high)


Laws = Mapping[str, _Law]


def _tee_range(
    case: FlowCase, run: str, point: str, at_start: bool, now: Mapping[str, Range], mode: int
) -> tuple[float, float]:
    own = (case.key(run, mode), at_start)
    others = {
        (case.key(other.name, mode), start): now[other.name]
        for other, _, start in case.network.runs_at(point)
        if (case.key(other.name, mode), start) != own
    }
    fittings = [case.tee_curves(point, k, mode) for k in range(len(case.tees[point]))]
    return TeeCurves.least_and_most(fittings, own, now[run], others)


def laws_and_heads(
    case: FlowCase, now: Mapping[str, Range], mode: int, free: bool = False
) -> tuple[Laws, dict[str, list[float]]] | None:
    """Return the laws of all runs within ranges of flow, and the range of every head; None where one is empty."""
    laws = {name: _Law(case, run, now, mode, free) for name, run in case.network.runs.items()}
    heads: dict[str, list[float]] = {
        p.name: [p.head_m or 0.0, p.head_m or 0.0] if p.is_fixed else [-math.inf, math.inf]
        for p in case.network.points.values()
    }
    drops = {name: laws[name].drop(*now[name]) for name in laws}
    for _ in range(len(heads) + 1):
        before = {name: list(pair) for name, pair in heads.items()}
        for name, run in case.network.runs.items():
            start, end = heads[run.start.point], heads[run.end.point]
            low, high = drops[name]
            start[:] = [max(start[0], end[0] + low), min(start[1], end[1] + high)]
            end[:] = [max(end[0], start[0] - high), min(end[1], start[1] - low)]
        if any(low > high + _SPARE_M for low, high in heads.values()):
            return None
        if all(_same(before[name], pair) for name, pair in heads.items()):
            break
    else:
        return None  # round some circle more head is lost than gained, whatever the heads are
    return laws, heads


def _by_heads(case: FlowCase, now: Mapping[str, Range], mode: int, free: bool) -> dict[str, Range] | None:
    found = laws_and_heads(case, now, mode, free)
    if found is None:
        return None
    laws, heads = found
    out = {}
    for name, run in case.network.runs.items():
        start, end = heads[run.start.point], heads[run.end.point]
        out[name] = _flows(laws[name], now[name], start[0] - end[1], start[1] - end[0])
        if out[name][0] > out[name][1]:
            return None
    return out


def _same(before: list[float], after: list[float]) -> bool:
    return all(a == b or abs(a - b) < _HAIR_M for a, b in zip(before, after, strict=True))


def _flows(law: _Law, flow_range: Range, least_drop: float, most_drop: float) -> Range:
    """Return the flows of a range whose loss can lie between two head differences."""
    low, high = flow_range
    if law.one_way and low <= 0.0 <= high:
        return low, max(_last(lambda q: law.least(q) <= most_drop, 0.0, high), 0.0) if high > 0.0 else high
    top = _last(lambda q: law.least(q) <= most_drop, low, high)
    bottom = -_last(lambda q: law.most(-q) >= least_drop, -high, -low)
    if law.valved:
        top = max(top, min(0.0, high))
        bottom = min(bottom, max(0.0, low))
    return bottom, top


def _last(holds: Callable[[float], bool], low: float, high: float) -> float:
    """Return a value at or above the last at which a test that fails from somewhere on holds; below `low`: nowhere."""
    if holds(high):
        return high
    if not holds(low):
        return math.nextafter(low, -math.inf) - 1e-12
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if holds(middle) else (low, middle)
    return high
