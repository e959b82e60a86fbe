"""The losses of a run's alternatives as curves with enclosing lines, all of a run at once.

And what a tee loses between its legs, as lines that hold whatever the other legs carry within their ranges.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from optimizer.choices.loss_basis import Floats, LossBasis
from optimizer.hydraulics import Conditions
from optimizer.hydraulics.pumps import PumpCurve
from optimizer.hydraulics.tees import TeeGeometry, tee_geometry, tee_shapes
from optimizer.model.catalog import CatalogItem
from optimizer.model.network import Leg
from optimizer.program.flow_problem import Envelope, Line, Range, RunEndKey

_SAMPLES = 33  # of a range where no convexity can be counted on
_TANGENTS = (0.0, 0.4, 0.75, 1.0)  # places in a range, as shares
_STEP = 1e-6  # of the range: half the step of a numeric slope
_HAIR_M3_S = 1e-12
_MOST_LINES = 4
Bools = npt.NDArray[np.bool_]
_ALONG = 9  # along each flow
_NOTHING = Envelope((Line(0.0, 0.0),), (Line(0.0, 0.0),))


class _Lines(NamedTuple):
    """Slopes and intercepts of lines, shape (n_alternatives, n_lines)."""

    slopes: Floats
    intercepts: Floats

    def of(self, index: int) -> tuple[Line, ...]:
        pairs = zip(self.slopes[index].tolist(), self.intercepts[index].tolist(), strict=True)
        return tuple(Line(slope, intercept) for slope, intercept in dict.fromkeys(pairs))


@dataclass
class CurveTable:
    """The losses of all alternatives of a run: rows over its laws, shape (n_alternatives, n_laws)."""

    rows: Floats
    basis: LossBasis
    _losses: dict[float, Floats] = field(default_factory=dict)
    _lines: dict[tuple[float, float], tuple[_Lines, _Lines]] = field(default_factory=dict)

    def losses_m(self, flow_m3_s: float) -> Floats:
        """Return the loss of every alternative at a flow [m], with its sign, shape (n_alternatives,)."""
        if flow_m3_s not in self._losses:
            self._losses[flow_m3_s] = self.rows @ self.basis.laws(flow_m3_s, self._counts)
        return self._losses[flow_m3_s]

    @cached_property
    def _counts(self) -> list[bool]:
        """Return which laws any alternative goes by."""
        found: list[bool] = (self.rows != 0.0).any(axis=0).tolist()
        return found

    def lines(self, low: float, high: float) -> tuple[_Lines, _Lines]:
        """Return lines under and over every curve on a range of flow."""
        if (low, high) not in self._lines:
            self._lines[low, high] = self._enclose(low, high)
        return self._lines[low, high]

    def _enclose(self, low: float, high: float) -> tuple[_Lines, _Lines]:
        if high - low <= _HAIR_M3_S:
            flat = np.zeros((len(self.rows), 1))
            return _Lines(flat, self.losses_m(low)[:, None]), _Lines(flat, self.losses_m(high)[:, None])
        if self.basis.convex(low, high):
            return self._convex(low, high)
        return self._sampled(low, high)

    def _convex(self, low: float, high: float) -> tuple[_Lines, _Lines]:
        """Tangents under, the secant over: for curves that are convex on the whole range."""
        places = [low + share * (high - low) for share in _TANGENTS]
        step = _STEP * (high - low)
        slopes, offsets = [], []
        for place in places:
            left, right = max(place - step, low), min(place + step, high)
            slope = (self.losses_m(right) - self.losses_m(left)) / (right - left)
            slopes.append(slope)
            # at the ends the slope is that of a short secant: it leaves the curve by next to nothing
            offsets.append(self.losses_m(place) - slope * place - slope * step * 1e-3)
        secant = (self.losses_m(high) - self.losses_m(low)) / (high - low)
        over = _Lines(secant[:, None], (self.losses_m(low) - secant * low)[:, None])
        return _Lines(np.stack(slopes, axis=1), np.stack(offsets, axis=1)), over

    def _sampled(self, low: float, high: float) -> tuple[_Lines, _Lines]:
        """Hulls of a row of samples, moved out by what a smooth curve can leave its chords by."""
        flows = np.linspace(low, high, _SAMPLES)
        losses = np.stack([self.losses_m(float(q)) for q in flows], axis=1)
        margin = chord_margin(losses)
        under = [_hull(flows, row - m, upper=False) for row, m in zip(losses, margin, strict=True)]
        over = [_hull(flows, row + m, upper=True) for row, m in zip(losses, margin, strict=True)]
        return _padded(under), _padded(over)


def chord_margin(losses_m: Floats) -> Floats:
    """Return how far a smooth curve may lie off the chords of its samples, shape (n,): h² max|f''| / 8, doubled.

    The second differences of the samples, shape (n, n_samples), stand for h² f''.
    """
    margin: Floats = np.abs(np.diff(losses_m, 2, axis=1)).max(axis=1) / 4.0
    return margin


def _hull(flows: Floats, losses: Floats, upper: bool) -> list[tuple[float, float]]:
    """Return a few lines (slope, intercept) of the lower or upper hull of samples."""
    sign = -1.0 if upper else 1.0
    hull: list[tuple[float, float]] = []
    for q, h in zip(flows.tolist(), (sign * losses).tolist(), strict=True):
        while len(hull) > 1 and _turn(hull[-2], hull[-1], (q, h)) <= 0.0:
            hull.pop()
        hull.append((q, h))
    lines = []
    for (q1, h1), (q2, h2) in pairwise(hull):
        slope = sign * (h2 - h1) / (q2 - q1)
        lines.append((slope, sign * h1 - slope * q1))
    if len(lines) <= _MOST_LINES:
        return lines
    return [lines[round(i * (len(lines) - 1) / (_MOST_LINES - 1))] for i in range(_MOST_LINES)]


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def _padded(lines: Sequence[list[tuple[float, float]]]) -> _Lines:
    """Return lists of lines as arrays; a shorter list repeats its last line."""
    width = max(map(len, lines))
    full = np.array([[*each, *[each[-1]] * (width - len(each))] for each in lines])
    return _Lines(full[:, :, 0], full[:, :, 1])


@dataclass(frozen=True)
class RunCurve:
    """One alternative of a table."""

    table: CurveTable
    index: int

    def loss_m(self, flow_m3_s: float) -> float:
        return float(self.table.losses_m(flow_m3_s)[self.index])

    def envelope(self, low_m3_s: float, high_m3_s: float) -> Envelope:
        under, over = self.table.lines(low_m3_s, high_m3_s)
        return Envelope(under.of(self.index), over.of(self.index))


@dataclass
class PumpGain:
    """Minus the head that the pumps of a run add at their speeds: a curve that rises with flow."""

    pumps: tuple[tuple[PumpCurve, float], ...]
    _memo: dict[tuple[float, float], Envelope] = field(default_factory=dict)

    def loss_m(self, flow_m3_s: float) -> float:
        return -sum(curve.head_and_slope(flow_m3_s, speed)[0] for curve, speed in self.pumps)

    def envelope(self, low_m3_s: float, high_m3_s: float) -> Envelope:
        if (low_m3_s, high_m3_s) not in self._memo:
            self._memo[low_m3_s, high_m3_s] = self._enclose(low_m3_s, high_m3_s)
        return self._memo[low_m3_s, high_m3_s]

    def _enclose(self, low: float, high: float) -> Envelope:
        if high - low <= _HAIR_M3_S:
            return Envelope((Line(0.0, self.loss_m(low)),), (Line(0.0, self.loss_m(high)),))
        flows = np.linspace(low, high, 2 * _SAMPLES)
        losses = np.array([[self.loss_m(float(q)) for q in flows]])
        margin = chord_margin(losses)[0]
        under, over = _hull(flows, losses[0] - margin, upper=False), _hull(flows, losses[0] + margin, upper=True)
        return Envelope(tuple(Line(*line) for line in under), tuple(Line(*line) for line in over))


@dataclass
class TeeCurves:
    """The losses of one fitting at a tee; the head at the point is that in the tee's first run leg.

    Flows come along their runs; `legs` says in which leg each run's end sits.
    """

    item: CatalogItem
    legs: Mapping[RunEndKey, Leg]
    conditions: Conditions
    geometry: TeeGeometry | None = field(init=False)
    _memo: dict[tuple[object, ...], Envelope] = field(init=False, default_factory=dict)
    _range_memo: dict[tuple[object, ...], dict[RunEndKey, Range]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.geometry = tee_geometry(self.item, self.conditions)

    def loss_m(self, end: RunEndKey, flows_m3_s: Mapping[RunEndKey, float]) -> float:
        """Return what is lost at a run's end [m], counted in the run's direction, at the flows of all ends."""
        into = {leg: np.array([flows_m3_s[e] * _into(e)]) for e, leg in self.legs.items()}
        return float(self._loss(end, into)[0])

    def _loss(self, end: RunEndKey, into: Mapping[Leg, Floats]) -> Floats:
        """Return the loss at an end for arrays of flows into the legs."""
        return self._loss_at(end, into, self._rises(into)[self.legs[end]])

    def _loss_at(self, end: RunEndKey, into: Mapping[Leg, Floats], rise: Floats) -> Floats:
        assert self.geometry is not None
        leg, side = self.legs[end], _into(end)
        own = into[leg] * side
        out, back = self.geometry.necks.get(leg, (0.0, 0.0))
        leaving = own * -side  # positive where water leaves by this leg
        neck = np.where(leaving > 0.0, out, back) * own * np.abs(own)
        return side * rise + neck

    def _rises(self, into: Mapping[Leg, Floats]) -> dict[Leg, Floats]:
        """Return the head in every leg above that in run leg 1."""
        assert self.geometry is not None
        branches = self.geometry.branch_bores_m
        second, branch = into[Leg.RUN_2], into[Leg.BRANCH]
        none = np.zeros_like(second)
        if len(branches) == 1:
            e2, eb = self._three(branches[0], second, branch)
            return {Leg.RUN_1: none, Leg.RUN_2: e2, Leg.BRANCH: eb}
        other = into[Leg.BRANCH_2]
        found = dict.fromkeys((Leg.RUN_1, Leg.RUN_2, Leg.BRANCH, Leg.BRANCH_2), none)
        both = (Leg.BRANCH, Leg.BRANCH_2)
        for near, far, q_near, q_far in ((0, 1, branch, other), (1, 0, other, branch)):
            first2, first_b = self._three(branches[near], second + q_far, q_near)
            then2, then_b = self._three(branches[far], second, q_far)
            for leg, rise in ((both[near], first_b), (both[far], first2 + then_b), (Leg.RUN_2, first2 + then2)):
                found[leg] = found[leg] + 0.5 * rise
        return found

    def _three(self, branch_m: float, second: Floats, branch: Floats) -> tuple[Floats, Floats]:
        assert self.geometry is not None
        bores = [(self.geometry.run_bore_m, branch_m)]
        shapes = tee_shapes(bores, self.conditions.loss_factor, [self.geometry.leans])
        e2, eb = shapes.head_rises(second.reshape(-1, 1), branch.reshape(-1, 1))
        return e2.reshape(second.shape), eb.reshape(second.shape)

    def envelope(self, end: RunEndKey, own: Range, others: Mapping[RunEndKey, Range]) -> Envelope:
        if self.geometry is None:
            return _NOTHING
        key = (end, own, *sorted(others.items()))
        if key not in self._memo:
            self._memo[key] = self._enclose(end, {**others, end: own})
        return self._memo[key]

    def _enclose(self, end: RunEndKey, ranges: Mapping[RunEndKey, Range]) -> Envelope:
        grids, possible = self._sampled(ranges)
        own = grids[self.legs[end]] * _into(end)
        slopes, least, most = _lines(own, self._loss(end, grids)[..., None], possible)
        return Envelope((Line(float(slopes[0]), float(least[0])),), (Line(float(slopes[0]), float(most[0])),))

    def _sampled(self, ranges: Mapping[RunEndKey, Range]) -> tuple[dict[Leg, Floats], Bools]:
        """Return samples of the flows of all legs, the first one's balances them; and which of them may be."""
        into: dict[Leg, tuple[float, float]] = {}
        for e, leg in self.legs.items():
            low, high = ranges[e]
            into[leg] = (low, high) if _into(e) > 0 else (-high, -low)
        free = [leg for leg in (Leg.RUN_2, Leg.BRANCH, Leg.BRANCH_2) if leg in into]
        axes = [np.linspace(*into[leg], _ALONG) for leg in free]
        grids: dict[Leg, Floats] = dict(zip(free, np.meshgrid(*axes, indexing="ij"), strict=True))
        grids[Leg.RUN_1] = -sum(grids.values(), np.zeros_like(grids[free[0]]))
        spread = sum((into[leg][1] - into[leg][0]) / (_ALONG - 1) for leg in free)
        first = into[Leg.RUN_1]
        possible = (grids[Leg.RUN_1] >= first[0] - spread) & (grids[Leg.RUN_1] <= first[1] + spread)
        if not possible.any():
            possible[...] = True
        return grids, possible

    @property
    def has_three_legs(self) -> bool:
        return self.geometry is not None and len(self.geometry.branch_bores_m) == 1

    @staticmethod
    def least_and_most(
        fittings: Sequence[TeeCurves], end: RunEndKey, own: Range, others: Mapping[RunEndKey, Range]
    ) -> Range:
        """Return between what all of these fittings of one tee lose at the ends of a run's range, by their lines."""
        ranges = {**others, end: own}
        memo, key = fittings[0]._range_memo, (len(fittings), *sorted(ranges.items()))
        if key not in memo:
            limits = limits_of_each(fittings, ranges)
            memo[key] = {at: (float(least.min()), float(most.max())) for at, (least, most) in limits.items()}
        return memo[key][end]


def limits_of_each(
    fittings: Sequence[TeeCurves], ranges: Mapping[RunEndKey, Range]
) -> dict[RunEndKey, tuple[Floats, Floats]]:
    """Return between what each of some fittings of a tee loses at the ends of every run's range, by its lines [m]."""
    found = {end: (np.zeros(len(fittings)), np.zeros(len(fittings))) for end in ranges}
    three = [k for k, each in enumerate(fittings) if each.has_three_legs]
    for k in set(range(len(fittings))).difference(three):
        for end, (least, most) in found.items():
            envelope = fittings[k].envelope(end, ranges[end], {at: ranges[at] for at in ranges if at != end})
            at_ends = [line.at(q) for line in (*envelope.below, *envelope.above) for q in ranges[end]]
            least[k], most[k] = min(at_ends), max(at_ends)
    if three:
        some = [fittings[k] for k in three]
        grids, possible = some[0]._sampled(ranges)
        for end, losses in _losses_of_three(some, ranges, grids).items():
            flows = grids[some[0].legs[end]] * _into(end)
            slopes, low, high = _lines(flows, losses, possible)
            found[end][0][three] = np.minimum(*(low + slopes * q for q in ranges[end]))
            found[end][1][three] = np.maximum(*(high + slopes * q for q in ranges[end]))
    return found


def losses_of_each(
    fittings: Sequence[TeeCurves], ends: Iterable[RunEndKey], flows_m3_s: Mapping[RunEndKey, Floats]
) -> dict[RunEndKey, Floats]:
    """Return what `TeeCurves.loss_m` has at some ends, for arrays of flows, of each of some fittings along a last axis.

    What has no bores loses nothing.
    """
    into = {leg: flows_m3_s[end] * _into(end) for end, leg in fittings[0].legs.items()}
    found = {end: np.zeros((*into[fittings[0].legs[end]].shape, len(fittings))) for end in ends}
    three = [k for k, each in enumerate(fittings) if each.has_three_legs]
    for k in set(range(len(fittings))).difference(three):
        for end in found if fittings[k].geometry is not None else ():
            found[end][..., k] = fittings[k]._loss(end, into)
    if three:
        for end, losses in _losses_of_three([fittings[k] for k in three], found, into).items():
            found[end][..., three] = losses
    return found


def _losses_of_three(
    fittings: Sequence[TeeCurves], ends: Iterable[RunEndKey], into: Mapping[Leg, Floats]
) -> dict[RunEndKey, Floats]:
    """Return what `TeeCurves._loss` has at some ends for each of some fittings of three legs, along a last axis."""
    geometries = [each.geometry for each in fittings if each.geometry is not None]
    bores = [(geometry.run_bore_m, geometry.branch_bores_m[0]) for geometry in geometries]
    shapes = tee_shapes(bores, fittings[0].conditions.loss_factor, [geometry.leans for geometry in geometries])
    e2, eb = shapes.head_rises(into[Leg.RUN_2][..., None], into[Leg.BRANCH][..., None])
    rises = {Leg.RUN_1: np.zeros_like(e2), Leg.RUN_2: e2, Leg.BRANCH: eb}
    found = {}
    for end in ends:
        leg, side = fittings[0].legs[end], _into(end)
        necks = np.array([geometry.necks.get(leg, (0.0, 0.0)) for geometry in geometries])
        own = (into[leg] * side)[..., None]
        neck = np.where(own * -side > 0.0, necks[:, 0], necks[:, 1]) * own * np.abs(own)
        found[end] = np.asarray(side * rises[leg] + neck)
    return found


def _lines(own: Floats, losses: Floats, possible: Bools) -> tuple[Floats, Floats, Floats]:
    """Return the slope of two lines that hold every sample between them, and where they start, the lower one first.

    Samples of several fittings lie along the last axis of the losses. The lines are moved out by half a cell.
    """
    slopes = _slopes(own[possible], losses[possible])
    rest = losses - slopes * own[..., None]
    margin = sum(_half_steps(rest, axis, possible) for axis in range(own.ndim))
    kept = rest[possible]
    return slopes, kept.min(axis=0) - margin, kept.max(axis=0) + margin


def _into(end: RunEndKey) -> float:
    return -1.0 if end[1] else 1.0


def _slopes(flows: Floats, losses: Floats) -> Floats:
    centred = flows - flows.mean()
    spread = float(centred @ centred)
    return (
        np.asarray(centred @ (losses - losses.mean(axis=0))) / spread if spread > 1e-18 else np.zeros(losses.shape[1])
    )


def _half_steps(values: Floats, axis: int, possible: Bools) -> Floats:
    """Return half the largest change between neighbours along an axis, half as much again for what lies between."""
    near = np.take(possible, range(1, possible.shape[axis]), axis) | np.take(
        possible, range(possible.shape[axis] - 1), axis
    )
    steps = np.abs(np.diff(values, axis=axis))
    return 0.75 * np.asarray(np.where(near[..., None], steps, 0.0).max(axis=tuple(range(possible.ndim))))
