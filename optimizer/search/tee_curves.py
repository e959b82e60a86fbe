"""What a tee loses between its legs, as lines that hold whatever the other legs carry within their ranges."""

from __future__ import annotations

from collections.abc import Mapping
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

    def __post_init__(self) -> None:
        self.geometry = tee_geometry(self.item, self.conditions)
        self._end_of = {leg: end for end, leg in self.legs.items()}

    def loss_m(self, end: RunEndKey, flows_m3_s: Mapping[RunEndKey, float]) -> float:
        """Return what is lost at a run's end [m], counted in the run's direction, at the flows of all ends."""
        into = {leg: np.array([flows_m3_s[e] * _into(e)]) for e, leg in self.legs.items()}
        return float(self._loss(end, into)[0])

    def losses_m(self, end: RunEndKey, flows_m3_s: Mapping[RunEndKey, Floats]) -> Floats:
        """Return what `loss_m` does for arrays of flows, all of one shape; nothing is lost in what has no bores."""
        into = {leg: flows_m3_s[e] * _into(e) for e, leg in self.legs.items()}
        return self._loss(end, into) if self.geometry is not None else np.zeros_like(flows_m3_s[end])

    def _loss(self, end: RunEndKey, into: Mapping[Leg, Floats]) -> Floats:
        """Return the loss at an end for arrays of flows into the legs."""
        assert self.geometry is not None
        leg, side = self.legs[end], _into(end)
        own = into[leg] * side
        out, back = self.geometry.necks.get(leg, (0.0, 0.0))
        leaving = own * -side  # positive where water leaves by this leg
        neck = np.where(leaving > 0.0, out, back) * own * np.abs(own)
        rise = self._rise(leg, into)
        return side * rise + neck

    def _rise(self, leg: Leg, into: Mapping[Leg, Floats]) -> Floats:
        """Return the head in a leg above that in run leg 1."""
        assert self.geometry is not None
        branches = self.geometry.branch_bores_m
        second, branch = into[Leg.RUN_2], into[Leg.BRANCH]
        if leg is Leg.RUN_1:
            return np.zeros_like(second)
        if len(branches) == 1:
            e2, eb = self._three(branches[0], second, branch)
            return e2 if leg is Leg.RUN_2 else eb
        other = into[Leg.BRANCH_2]
        total = np.zeros_like(second)
        for near, far, q_near, q_far in (
            (0, 1, branch, other),
            (1, 0, other, branch),
        ):
            first2, first_b = self._three(branches[near], second + q_far, q_near)
            then2, then_b = self._three(branches[far], second, q_far)
            near_leg = (Leg.BRANCH, Leg.BRANCH_2)[near]
            total += 0.5 * (first_b if leg is near_leg else first2 + (then2 if leg is Leg.RUN_2 else then_b))
        return total

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
        """Sample the flows of all legs but the first one's, which balances them, and move out by half a cell."""
        into: dict[Leg, tuple[float, float]] = {}
        for e, leg in self.legs.items():
            low, high = ranges[e]
            into[leg] = (low, high) if _into(e) > 0 else (-high, -low)
        free = [leg for leg in (Leg.RUN_2, Leg.BRANCH, Leg.BRANCH_2) if leg in into]
        axes = [np.linspace(*into[leg], _SAMPLES) for leg in free]
        grids: dict[Leg, Floats] = dict(zip(free, np.meshgrid(*axes, indexing="ij"), strict=True))
        grids[Leg.RUN_1] = -sum(grids.values(), np.zeros_like(grids[free[0]]))
        losses = self._loss(end, grids)
        own = grids[self.legs[end]] * _into(end)
        spread = sum((into[leg][1] - into[leg][0]) / (_SAMPLES - 1) for leg in free)
        first = into[Leg.RUN_1]
        possible = (grids[Leg.RUN_1] >= first[0] - spread) & (grids[Leg.RUN_1] <= first[1] + spread)
        if not possible.any():
            possible[...] = True
        slope = _slope(own[possible], losses[possible])
        rest = losses - slope * own
        margin = sum((_half_step(rest, axis, possible) for axis in range(len(free))), 0.0)
        kept = rest[possible]
        return Envelope(
            (Line(slope, float(kept.min() - margin)),),
            (Line(slope, float(kept.max() + margin)),),
        )


def _into(end: RunEndKey) -> float:
    return -1.0 if end[1] else 1.0


def _slope(flows: Floats, losses: Floats) -> float:
    centred = flows - flows.mean()
    spread = float(centred @ centred)
    return float(centred @ (losses - losses.mean())) / spread if spread > 1e-18 else 0.0


def _half_step(values: Floats, axis: int, possible: Bools) -> float:
    """Return half the largest change between neighbours along an axis, half as much again for what lies between."""
    near = np.take(possible, range(1, possible.shape[axis]), axis) | np.take(
        possible, range(possible.shape[axis] - 1), axis
    )
    steps = np.abs(np.diff(values, axis=axis))
    return 0.75 * float(np.where(near, steps, 0.0).max())
