"""What a tee loses between its legs, as lines that hold whatever the other legs carry within their ranges."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from optimizer.choices.loss_basis import Floats
from optimizer.hydraulics import Conditions
from optimizer.hydraulics.tees import TeeGeometry, tee_geometry, tee_shapes
from optimizer.model.catalog import CatalogItem
from optimizer.model.network import Leg
from optimizer.program.flow_problem import Envelope, Line, Range, RunEndKey

Bools = npt.NDArray[np.bool_]
_SAMPLES = 9  # along each flow
_NOTHING = Envelope((Line(0.0, 0.0),), (Line(0.0, 0.0),))


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
    _range_memo: dict[tuple[object, ...], Range] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.geometry = tee_geometry(self.item, self.conditions)

    def loss_m(self, end: RunEndKey, flows_m3_s: Mapping[RunEndKey, float]) -> float:
        """Return what is lost at a run's end [m], counted in the run's direction, at the flows of all ends."""
        into = {leg: np.array([flows_m3_s[e] * _into(e)]) for e, leg in self.legs.items()}
        return float(self._loss(end, into)[0])

    def losses_m(self, flows_m3_s: Mapping[RunEndKey, Floats]) -> dict[RunEndKey, Floats]:
        """Return what `loss_m` does, for arrays of flows of one shape, at every end; what has no bores loses none."""
        if self.geometry is None:
            return {end: np.zeros_like(flow) for end, flow in flows_m3_s.items()}
        into = {leg: flows_m3_s[e] * _into(e) for e, leg in self.legs.items()}
        rises = self._rises(into)
        return {end: self._loss_at(end, into, rises[leg]) for end, leg in self.legs.items()}

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
        axes = [np.linspace(*into[leg], _SAMPLES) for leg in free]
        grids: dict[Leg, Floats] = dict(zip(free, np.meshgrid(*axes, indexing="ij"), strict=True))
        grids[Leg.RUN_1] = -sum(grids.values(), np.zeros_like(grids[free[0]]))
        spread = sum((into[leg][1] - into[leg][0]) / (_SAMPLES - 1) for leg in free)
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
        memo, key = fittings[0]._range_memo, (len(fittings), end, own, *sorted(others.items()))
        if key not in memo:
            memo[key] = _least_and_most(fittings, end, own, others)
        return memo[key]


def _least_and_most(
    fittings: Sequence[TeeCurves], end: RunEndKey, own: Range, others: Mapping[RunEndKey, Range]
) -> Range:
    found = []
    for each in fittings:
        if not each.has_three_legs:
            envelope = each.envelope(end, own, others)
            found += [line.at(q) for line in (*envelope.below, *envelope.above) for q in own]
    three = [each for each in fittings if each.has_three_legs]
    if three:
        grids, possible = three[0]._sampled({**others, end: own})
        flows = grids[three[0].legs[end]] * _into(end)
        slopes, least, most = _lines(flows, _losses_of_three(three, end, grids), possible)
        found += [float(line.min()) for line in (least + slopes * q for q in own)]
        found += [float(line.max()) for line in (most + slopes * q for q in own)]
    return min(found), max(found)


def _losses_of_three(fittings: Sequence[TeeCurves], end: RunEndKey, into: Mapping[Leg, Floats]) -> Floats:
    """Return what `TeeCurves._loss` has for each of some fittings of three legs, along a last axis."""
    shapes = tee_shapes(
        [(g.run_bore_m, g.branch_bores_m[0]) for g in _geometries(fittings)],
        fittings[0].conditions.loss_factor,
        [g.leans for g in _geometries(fittings)],
    )
    leg, side = fittings[0].legs[end], _into(end)
    e2, eb = shapes.head_rises(into[Leg.RUN_2][..., None], into[Leg.BRANCH][..., None])
    rise = e2 if leg is Leg.RUN_2 else eb if leg is Leg.BRANCH else np.zeros_like(e2)
    necks = np.array([g.necks.get(leg, (0.0, 0.0)) for g in _geometries(fittings)])
    own = (into[leg] * side)[..., None]
    return np.asarray(side * rise + np.where(own * -side > 0.0, necks[:, 0], necks[:, 1]) * own * np.abs(own))


def _geometries(fittings: Sequence[TeeCurves]) -> list[TeeGeometry]:
    return [each.geometry for each in fittings if each.geometry is not None]


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
