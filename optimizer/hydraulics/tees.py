"""Tees and crosses: the flows of the legs become head differences between them, dividing or combining.

A tee has six patterns of flow: each leg in turn carries the sum, and feeds the other two or is fed by them. Crane's
formulas cover the four in which a run leg carries the sum. Here all six are joined so that head differences are
continuous in the flows, which a Newton solution needs; where the handbook's own pieces do not meet, the seam is closed
inside a few percent of the flow ratio.

References
----------
Crane Technical Paper 410, 2009 and later, pp. 2-14 to 2-16: tees and wyes, 90° branch; K on the velocity of the
combined leg.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.errors import NetworkError
from optimizer.hydraulics.conditions import Conditions
from optimizer.hydraulics.fittings import change_of_bore, crane_friction_factor, linear_and_square, square_of_k
from optimizer.model.catalog import CatalogItem, LossMethod
from optimizer.model.network import Leg

Floats = npt.NDArray[np.float64]

SLOPE_STEP = 1e-6  # of the combined flow: step of the numeric slope
_THROUGH_BRANCH = 60.0  # Crane: multiple of fT through the branch of a tee used as an elbow
# share of the combined flow in which C goes from 1 to 0.9: K(0) is then -1 combining, as it is +1 dividing
_SEAM = 0.1


def branch_combining_k(ratio: Floats, beta_squared: Floats) -> Floats:
    """Return K of the branch where its flow joins the run's; `ratio` is branch flow over combined flow."""
    patched = np.maximum(0.9 * (1.0 - ratio), 0.55) + 0.1 * _fading(ratio / _SEAM)
    c = np.where(beta_squared <= 0.35, 1.0, patched)
    return c * (1.0 + (ratio / beta_squared) ** 2 - 2.0 * (1.0 - ratio) ** 2)


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


def _fading(u: Floats) -> Floats:
    u = np.minimum(u, 1.0)
    return 1.0 - u * u * (3.0 - 2.0 * u)


@dataclass(frozen=True)
class TeeShapes:
    """Three-legged junctions as arrays of shape (n_tees,)."""

    beta_squared: Floats  # (branch bore / run bore)²
    square_s2_m5: Floats  # 1 / (2 g A²) of the run bore, times the loss factor
    elbow_k: Floats  # through the branch into both run legs alike, on the run bore

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
        branch = np.where(
            dividing, -branch_dividing_k(ratio, self.beta_squared), branch_combining_k(ratio, self.beta_squared)
        )
        run = np.where(dividing, -run_dividing_k(ratio, self.beta_squared), run_combining_k(ratio))
        # heads of branch and of the other run leg, less that of the carrying leg
        return np.where(first, run, -run), np.where(first, branch, branch - run)

    def _branch_carries(self, xb: Floats, share_1: Floats, share_2: Floats) -> tuple[Floats, Floats]:
        """K differences where the branch carries the combined flow: straight lines between the ends and the even split.

        At either end all water turns in one run leg, which Crane's formulas give; the even split is a tee used as an
        elbow.
        """
        one = np.ones_like(share_1)
        out = xb < 0.0
        turning = np.where(out, branch_dividing_k(one, self.beta_squared), branch_combining_k(one, self.beta_squared))
        idle = turning - np.where(out, run_dividing_k(one, self.beta_squared), run_combining_k(one))
        k1, k2 = _line(share_1, idle, self.elbow_k, turning), _line(share_2, idle, self.elbow_k, turning)
        sign = np.where(out, 1.0, -1.0)  # leg above the branch where the water leaves by the branch
        return sign * (k2 - k1), -sign * k1


def _line(share: Floats, at_0: Floats, at_half: Floats, at_1: Floats) -> Floats:
    lower = at_0 + 2.0 * share * (at_half - at_0)
    upper = at_half + (2.0 * share - 1.0) * (at_1 - at_half)
    return np.where(share <= 0.5, lower, upper)


@dataclass(frozen=True, slots=True)
class TeeGeometry:
    """One tee or cross as bores: the run as its larger leg, and what a smaller run leg adds as a reducer of its own."""

    run_bore_m: float
    branch_bores_m: tuple[float, ...]  # one for a tee, two for a cross
    necks: Mapping[Leg, tuple[float, float]]  # leg: b of b Q² when water leaves by it, when it comes in


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
    run = max(bores[0], bores[1])
    necks = {leg: _neck(run, bore, conditions) for leg, bore in zip((Leg.RUN_1, Leg.RUN_2), bores, strict=False)}
    return TeeGeometry(run, bores[2:4], {leg: neck for leg, neck in necks.items() if neck != (0.0, 0.0)})


def _neck(run_m: float, leg_m: float, conditions: Conditions) -> tuple[float, float]:
    out, back = change_of_bore(run_m, leg_m), change_of_bore(leg_m, run_m)
    factor = conditions.loss_factor
    return linear_and_square(out, 0.0)[1] * factor, linear_and_square(back, 0.0)[1] * factor


def tee_shapes(bores_m: list[tuple[float, float]], loss_factor: float) -> TeeShapes:
    """Return junctions of (run bore, branch bore) as arrays."""
    run = np.array([pair[0] for pair in bores_m], dtype=np.float64)
    branch = np.array([pair[1] for pair in bores_m], dtype=np.float64)
    beta_squared = (branch / run) ** 2
    elbow = np.array([_THROUGH_BRANCH * crane_friction_factor(pair[1]) for pair in bores_m], dtype=np.float64)
    square = np.array([square_of_k(1.0, pair[0]) for pair in bores_m], dtype=np.float64)
    return TeeShapes(beta_squared, square * loss_factor, elbow / beta_squared**2)


def leg_head_rises(
    geometry: TeeGeometry, conditions: Conditions, flows_in_m3_s: Mapping[Leg, float]
) -> dict[Leg, float]:
    """Return total head in each leg less that in run leg 1 [m], reducers of narrow run legs left out.

    A cross is two tees in a row on the run; both orders are taken, and the mean of the two.
    """
    x2 = flows_in_m3_s.get(Leg.RUN_2, 0.0)
    xb, xc = flows_in_m3_s.get(Leg.BRANCH, 0.0), flows_in_m3_s.get(Leg.BRANCH_2, 0.0)
    run = geometry.run_bore_m
    if len(geometry.branch_bores_m) == 1:
        shapes = tee_shapes([(run, geometry.branch_bores_m[0])], conditions.loss_factor)
        rise_2, rise_b = shapes.head_rises(np.array([x2]), np.array([xb]))
        return {Leg.RUN_1: 0.0, Leg.RUN_2: float(rise_2[0]), Leg.BRANCH: float(rise_b[0])}
    near, far = geometry.branch_bores_m
    shapes = tee_shapes([(run, near), (run, far), (run, far), (run, near)], conditions.loss_factor)
    r, b = shapes.head_rises(np.array([x2 + xc, x2, x2 + xb, x2]), np.array([xb, xc, xc, xb]))
    return {
        Leg.RUN_1: 0.0,
        Leg.RUN_2: 0.5 * float(r.sum()),
        Leg.BRANCH: 0.5 * float(b[0] + r[2] + b[3]),
        Leg.BRANCH_2: 0.5 * float(r[0] + b[1] + b[2]),
    }


def tee_head_losses_m(
    item: CatalogItem | None, flows_in_m3_s: Mapping[Leg, float], conditions: Conditions
) -> dict[Leg, float]:
    """Return the head lost between each leg and the tee's common node, in the direction of that leg's flow [m].

    The leg that carries the combined flow is the common node and gets 0 (or the reducer in it); a leg that is on the
    other side of the tee is charged. Values may be negative: a leg can leave the tee with more head than the common
    leg has. Flows are positive into the tee; their sum is taken as 0. A tee that is not connected yet takes nothing.
    """
    geometry = tee_geometry(item, conditions)
    if geometry is None:
        return dict.fromkeys(flows_in_m3_s, 0.0)
    rises = leg_head_rises(geometry, conditions, flows_in_m3_s)
    common = rises[common_leg(flows_in_m3_s)]
    losses: dict[Leg, float] = {}
    for leg, flow in flows_in_m3_s.items():
        above = rises.get(leg, 0.0) - common
        out, back = geometry.necks.get(leg, (0.0, 0.0))
        losses[leg] = above + back * flow * flow if flow > 0.0 else -above + out * flow * flow
    return losses


def common_leg(flows_in_m3_s: Mapping[Leg, float]) -> Leg:
    """Return the leg that carries the most water."""
    return max(flows_in_m3_s, key=lambda leg: abs(flows_in_m3_s[leg]))
