"""Tees and crosses: the flows of the legs become head differences between them, dividing or combining.

A tee has six patterns of flow: each leg in turn carries the sum, and feeds the other two or is fed by them. Crane's
formulas cover the four in which a run leg carries the sum. Here all six are joined so that head differences are
continuous in the flows, which a Newton solution needs; where the handbook's own pieces do not meet, the seam is closed
inside a few percent of the flow ratio.

References
----------
Crane Technical Paper 410, 2009 and later, pp. 2-14 to 2-16: tees with a 90° branch, wyes with one of 45° that leans
with the water; K on the velocity of the combined leg.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import islice

import numpy as np
import numpy.typing as npt

from optimizer.errors import NetworkError
from optimizer.hydraulics.conditions import Conditions
from optimizer.hydraulics.fittings import change_of_bore, crane_friction_factor, linear_and_square, square_of_k
from optimizer.model.catalog import CatalogItem, Kind, LossMethod
from optimizer.model.network import Leg

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SLOPE_STEP = 1e-6  # of the combined flow: step of the numeric slope
_WYES = frozenset({Kind.WYE, Kind.DOUBLE_WYE})
_LEANING = math.cos(math.pi / 4)
_WYE_F = 1.41  # Crane: F of a branch of 45° that joins the run
_THROUGH_BRANCH = 60.0  # Crane: multiple of fT through the branch of a tee used as an elbow
# share of the combined flow in which C goes from 1 to 0.9: K(0) is then -1 combining, as it is +1 dividing
_SEAM = 0.1


def branch_combining_k(ratio: Floats, beta_squared: Floats) -> Floats:
    """Return K of the branch where its flow joins the run's; `ratio` is branch flow over combined flow."""
    return _joining_c(ratio, beta_squared) * (1.0 + (ratio / beta_squared) ** 2 - 2.0 * (1.0 - ratio) ** 2)


def _joining_c(ratio: Floats, beta_squared: Floats) -> Floats:
    patched = np.maximum(0.9 * (1.0 - ratio), 0.55) + 0.1 * _fading(ratio / _SEAM)
    return np.where(beta_squared <= 0.35, 1.0, patched)


def run_combining_k(ratio: Floats) -> Floats:
    """Return K along the run where a branch joins it."""
    return ratio * (1.55 - ratio)


def branch_dividing_k(ratio: Floats, beta_squared: Floats) -> Floats:
    """Return K into the branch where it leaves the run."""
    h = np.where(beta_squared <= 4.0 / 9.0, 1.0, 0.3)
    g = np.where(beta_squared <= 2.0 / 3.0, 1.0, 1.0 + 0.3 * ratio * ratio)
    return g * (1.0 + h * (ratio / beta_squared) ** 2)


def run_dividing_k(ratio: Floats, beta_squared: Floats) -> Floats:
    """Return K along the run where a branch leaves it; negative, a gain, for small branch flows of wide branches."""
    wide = np.where(ratio <= 0.5, 2.0, 0.3) * (2.0 * ratio - 1.0)
    return np.where(beta_squared <= 0.4, 0.4, wide) * ratio * ratio


def wye_combining_k(ratio: Floats, beta_squared: Floats) -> Floats:
    """Return K of a branch of 45° where its flow joins the run's."""
    leaning = _WYE_F / beta_squared * ratio * ratio
    whole = 1.0 + (ratio / beta_squared) ** 2 - 2.0 * (1.0 - ratio) ** 2 - leaning
    return _joining_c(ratio, beta_squared) * whole


def wye_run_combining_k(ratio: Floats, beta_squared: Floats) -> Floats:
    """Return K along the run where a branch of 45° joins it."""
    return 1.0 - (1.0 - ratio) ** 2 - _WYE_F / beta_squared * ratio * ratio


def wye_dividing_k(ratio: Floats, beta_squared: Floats) -> Floats:
    """Return K into a branch of 45° where it leaves the run; where G's two pieces do not meet the higher one counts."""
    narrow = np.maximum(1.1 - 0.7 * ratio, 0.85) - 0.1 * _fading(ratio / _SEAM)  # 1 at rest, as it is combining
    g = np.where(beta_squared <= 0.35, narrow, np.maximum(1.0 - 0.6 * ratio, 0.6))
    share = ratio / beta_squared
    return g * (1.0 + share * share - 2.0 * share * _LEANING)


def _fading(u: Floats) -> Floats:
    u = np.minimum(u, 1.0)
    return 1.0 - u * u * (3.0 - 2.0 * u)


@dataclass(frozen=True)
class TeeShapes:
    """Three-legged junctions as arrays of shape (n_tees,)."""

    beta_squared: Floats  # (branch bore / run bore)²
    square_s2_m5: Floats  # 1 / (2 g A²) of the run bore, times the loss factor
    elbow_k: Floats  # through the branch into both run legs alike, on the run bore
    leans: Bools | None = None  # which have a branch of 45° that leans with the water; None: none of them

    def head_rises(self, run_2_m3_s: Floats, branch_m3_s: Floats) -> tuple[Floats, Floats]:
        """Return total head in run leg 2 and in the branch, each less that in run leg 1 [m].

        Flows are positive into the tee, shape (..., n_tees); leg 1 carries what is left. Of the three, one runs
        against the other two and carries the combined flow.
        """
        x2, xb = run_2_m3_s, branch_m3_s
        x1 = -(x2 + xb)
        combined = np.maximum(np.maximum(np.abs(x1), np.abs(x2)), np.abs(xb))
        safe = np.where(combined > 0.0, combined, 1.0)
        scale = self.square_s2_m5 * combined * combined
        by_branch = (np.abs(xb) >= np.abs(x1)) & (np.abs(xb) >= np.abs(x2))
        along_2, along_b = self._run_carries(x1, x2, np.abs(xb) / safe)
        across_2, across_b = self._branch_carries(xb, np.abs(x1) / safe, np.abs(x2) / safe)
        return scale * np.where(by_branch, across_2, along_2), scale * np.where(by_branch, across_b, along_b)

    def rises_and_slopes(self, inflows_m3_s: Floats) -> tuple[Floats, Floats]:
        """Return `head_rises` of run leg 2 and branch in one row, and their slopes by a small step.

        Parameters
        ----------
        inflows_m3_s
            Flows into run leg 2 of all junctions, then into the branches, shape (..., 2 n_tees).

        Returns
        -------
        rises_m, slopes_s_m2
            Shapes (..., 2 n_tees) and (..., 4 n_tees): de2/dx2, de2/dxb, deb/dx2, deb/dxb.
        """
        count = len(self.beta_squared)
        x2, xb = inflows_m3_s[..., :count], inflows_m3_s[..., count:]
        step = SLOPE_STEP * np.maximum(np.maximum(np.abs(x2), np.abs(xb)), 1e-9)
        e2, eb = self.head_rises(np.array([x2, x2 + step, x2]), np.array([xb, xb, xb + step]))
        slopes = [e2[1] - e2[0], e2[2] - e2[0], eb[1] - eb[0], eb[2] - eb[0]]
        rises = np.concatenate((e2[0], eb[0]), axis=-1)
        return rises, np.concatenate([each / step for each in slopes], axis=-1)

    def _run_carries(self, x1: Floats, x2: Floats, ratio: Floats) -> tuple[Floats, Floats]:
        """K differences where a run leg carries the combined flow (leg 1 where it is the larger)."""
        first = np.abs(x1) >= np.abs(x2)
        dividing = np.where(first, x1, x2) > 0.0
        branch = np.where(dividing, -self._branch_dividing_k(ratio), self._branch_combining_k(ratio))
        run = np.where(dividing, -run_dividing_k(ratio, self.beta_squared), self._run_combining_k(ratio))
        # heads of branch and of the other run leg, less that of the carrying leg
        return np.where(first, run, -run), np.where(first, branch, branch - run)

    def _branch_carries(self, xb: Floats, share_1: Floats, share_2: Floats) -> tuple[Floats, Floats]:
        """K differences where the branch carries the combined flow: straight lines between the ends and the even split.

        At either end all water turns in one run leg, which Crane's formulas give; the even split is a tee used as an
        elbow.
        """
        one = np.ones_like(share_1)
        out = xb < 0.0
        turning = np.where(out, self._branch_dividing_k(one), self._branch_combining_k(one))
        idle = turning - np.where(out, run_dividing_k(one, self.beta_squared), self._run_combining_k(one))
        k1, k2 = _line(share_1, idle, self.elbow_k, turning), _line(share_2, idle, self.elbow_k, turning)
        sign = np.where(out, 1.0, -1.0)  # leg above the branch where the water leaves by the branch
        return sign * (k2 - k1), -sign * k1

    def _branch_dividing_k(self, ratio: Floats) -> Floats:
        square = branch_dividing_k(ratio, self.beta_squared)
        return square if self.leans is None else np.where(self.leans, wye_dividing_k(ratio, self.beta_squared), square)

    def _branch_combining_k(self, ratio: Floats) -> Floats:
        square = branch_combining_k(ratio, self.beta_squared)
        return square if self.leans is None else np.where(self.leans, wye_combining_k(ratio, self.beta_squared), square)

    def _run_combining_k(self, ratio: Floats) -> Floats:
        square = run_combining_k(ratio)
        if self.leans is None:
            return square
        return np.where(self.leans, wye_run_combining_k(ratio, self.beta_squared), square)


def _line(share: Floats, at_0: Floats, at_half: Floats, at_1: Floats) -> Floats:
    lower = at_0 + 2.0 * share * (at_half - at_0)
    upper = at_half + (2.0 * share - 1.0) * (at_1 - at_half)
    return np.where(share <= 0.5, lower, upper)


@dataclass(frozen=True, slots=True)
class TeeGeometry:
    """One tee or cross as bores: the run as its larger leg, and what a smaller run leg adds as a reducer of its own.

    The branch of a wye `leans`, and stands as it is meant to: with the water. A flow against it loses more than told.
    """

    run_bore_m: float
    branch_bores_m: tuple[float, ...]  # one for a tee, two for a cross
    necks: Mapping[Leg, tuple[float, float]]  # leg: b of b Q² when water leaves by it, when it comes in
    leans: bool = False


def tee_geometry(item: CatalogItem | None, conditions: Conditions) -> TeeGeometry | None:
    """Return the bores of a tee; None when it is not connected yet or has no loss.

    Raises
    ------
    NetworkError
        When the row has fewer than three bores.
    """
    if item is None or item.loss.method is LossMethod.NONE:
        return None
    bores = item.end_bores_m
    if len(bores) < 3 or min(bores) <= 0.0:
        raise NetworkError(f"{item.description}: a tee needs the bores of run, run and branch; found {bores}")
    return _geometry(bores[:4], conditions.loss_factor, item.kind in _WYES)


@lru_cache(4096)
def _geometry(bores_m: tuple[float, ...], loss_factor: float, leans: bool) -> TeeGeometry:
    run = max(bores_m[:2])
    necks = {leg: _neck(run, bore, loss_factor) for leg, bore in zip((Leg.RUN_1, Leg.RUN_2), bores_m, strict=False)}
    narrow = {leg: neck for leg, neck in necks.items() if neck != (0.0, 0.0)}
    return TeeGeometry(run, bores_m[2:4], narrow, leans)


def _neck(run_m: float, leg_m: float, factor: float) -> tuple[float, float]:
    out, back = change_of_bore(run_m, leg_m), change_of_bore(leg_m, run_m)
    return linear_and_square(out, 0.0)[1] * factor, linear_and_square(back, 0.0)[1] * factor


def tee_shapes(bores_m: list[tuple[float, float]], loss_factor: float, leans: Sequence[bool] = ()) -> TeeShapes:
    """Return junctions of (run bore, branch bore) as arrays; `leans` says which have a branch of 45°, empty: none."""
    run = np.array([pair[0] for pair in bores_m], dtype=np.float64)
    branch = np.array([pair[1] for pair in bores_m], dtype=np.float64)
    beta_squared = (branch / run) ** 2
    elbow = np.array([_THROUGH_BRANCH * crane_friction_factor(pair[1]) for pair in bores_m], dtype=np.float64)
    square = np.array([square_of_k(1.0, pair[0]) for pair in bores_m], dtype=np.float64)
    aslant = np.array(leans, dtype=np.bool_) if any(leans) else None
    return TeeShapes(beta_squared, square * loss_factor, elbow / beta_squared**2, aslant)


@dataclass(frozen=True)
class TeeRow:
    """Tees and crosses in a row, asked together: what each leg of each loses. None: not connected yet, or no loss."""

    geometries: tuple[TeeGeometry | None, ...]
    shapes: TeeShapes

    @classmethod
    def of(cls, items: Sequence[CatalogItem | None], conditions: Conditions) -> TeeRow:
        """Return the tees of these rows of the catalog; NetworkError as `tee_geometry` has it."""
        return cls.like([tee_geometry(item, conditions) for item in items], conditions)

    @classmethod
    def like(cls, geometries: Sequence[TeeGeometry | None], conditions: Conditions) -> TeeRow:
        bores = [pair for geometry in geometries if geometry is not None for pair in _pairs(geometry)]
        leans = [one.leans for one in geometries if one is not None for _ in _pairs(one)]
        return cls(tuple(geometries), tee_shapes(bores, conditions.loss_factor, leans))

    def rises_m(self, flows_in_m3_s: Sequence[Mapping[Leg, float]]) -> list[dict[Leg, float]]:
        """Return total head in each leg less that in run leg 1 [m], reducers of narrow run legs left out.

        A cross is two tees in a row on the run; both orders are taken, and the mean of the two.
        """
        pairs = zip(self.geometries, flows_in_m3_s, strict=True)
        inflows = [each for one, flows in pairs if one is not None for each in _inflows(one, flows)]
        x2, xb = np.array(inflows, dtype=np.float64).reshape(-1, 2).T
        rises_2, rises_b = self.shapes.head_rises(x2, xb)
        runs, branches = iter(rises_2.tolist()), iter(rises_b.tolist())
        return [{} if one is None else _leg_rises(one, runs, branches) for one in self.geometries]

    def losses_m(self, flows_in_m3_s: Sequence[Mapping[Leg, float]]) -> list[dict[Leg, float]]:
        """Return of every tee what `tee_head_losses_m` does [m]; flows are positive into it."""
        found = []
        for one, flows, rises in zip(self.geometries, flows_in_m3_s, self.rises_m(flows_in_m3_s), strict=True):
            if one is None:
                found.append(dict.fromkeys(flows, 0.0))
                continue
            common = rises[common_leg(flows)]
            losses: dict[Leg, float] = {}
            for leg, flow in flows.items():
                above = rises.get(leg, 0.0) - common
                out, back = one.necks.get(leg, (0.0, 0.0))
                losses[leg] = above + back * flow * flow if flow > 0.0 else -above + out * flow * flow
            found.append(losses)
        return found


def _pairs(geometry: TeeGeometry) -> list[tuple[float, float]]:
    """Return the bores of the three-legged junctions that a tee or cross is taken for."""
    run = geometry.run_bore_m
    if len(geometry.branch_bores_m) == 1:
        return [(run, geometry.branch_bores_m[0])]
    near, far = geometry.branch_bores_m
    return [(run, near), (run, far), (run, far), (run, near)]


def _inflows(geometry: TeeGeometry, flows: Mapping[Leg, float]) -> list[tuple[float, float]]:
    """Return what flows into run leg 2 and into the branch of each of its junctions [m³/s]."""
    x2, xb = flows.get(Leg.RUN_2, 0.0), flows.get(Leg.BRANCH, 0.0)
    if len(geometry.branch_bores_m) == 1:
        return [(x2, xb)]
    xc = flows.get(Leg.BRANCH_2, 0.0)
    return [(x2 + xc, xb), (x2, xc), (x2 + xb, xc), (x2, xb)]


def _leg_rises(geometry: TeeGeometry, runs: Iterator[float], branches: Iterator[float]) -> dict[Leg, float]:
    if len(geometry.branch_bores_m) == 1:
        return {Leg.RUN_1: 0.0, Leg.RUN_2: next(runs), Leg.BRANCH: next(branches)}
    r, b = list(islice(runs, 4)), list(islice(branches, 4))
    return {
        Leg.RUN_1: 0.0,
        Leg.RUN_2: 0.5 * sum(r),
        Leg.BRANCH: 0.5 * (b[0] + r[2] + b[3]),
        Leg.BRANCH_2: 0.5 * (r[0] + b[1] + b[2]),
    }


def leg_head_rises(
    geometry: TeeGeometry, conditions: Conditions, flows_in_m3_s: Mapping[Leg, float]
) -> dict[Leg, float]:
    """Return total head in each leg less that in run leg 1 [m], as `TeeRow.rises_m`."""
    return TeeRow.like([geometry], conditions).rises_m([flows_in_m3_s])[0]


def tee_head_losses_m(
    item: CatalogItem | None, flows_in_m3_s: Mapping[Leg, float], conditions: Conditions
) -> dict[Leg, float]:
    """Return the head lost between each leg and the tee's common node, in the direction of that leg's flow [m].

    The leg that carries the combined flow is the common node and gets 0 (or the reducer in it); a leg that is on the
    other side of the tee is charged. Values may be negative: a leg can leave the tee with more head than the common
    leg has. Flows are positive into the tee; their sum is taken as 0. A tee that is not connected yet takes nothing.
    """
    return TeeRow.of([item], conditions).losses_m([flows_in_m3_s])[0]


def common_leg(flows_in_m3_s: Mapping[Leg, float]) -> Leg:
    """Return the leg that carries the most water."""
    return max(flows_in_m3_s, key=lambda leg: abs(flows_in_m3_s[leg]))
