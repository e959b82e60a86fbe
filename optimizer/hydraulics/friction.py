"""Wall friction of full, straight, round pipe: flow becomes head loss and its slope, laminar to rough, no jump."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.hydraulics.water import GRAVITY_M_S2, Fluid

Floats = npt.NDArray[np.float64]

LAMINAR_BELOW_RE = 2000.0
TURBULENT_ABOVE_RE = 4000.0
SMOOTH_PLASTIC_ROUGHNESS_M = 1.5e-6  # drawn plastic tubing, Moody (1944)
_TINY_RE = 1e-9
_LN_10 = math.log(10.0)


@dataclass(frozen=True, slots=True)
class HazenWilliams:
    """h = constant L (Q/C)^flow_exponent / D^diameter_exponent in SI units; published networks differ in the digits."""

    c: float = 150.0
    constant: float = 10.67
    flow_exponent: float = 1.852
    diameter_exponent: float = 4.8704


def area_m2(bore_m: float) -> float:
    return 0.25 * math.pi * bore_m * bore_m


def reynolds(flow_m3_s: float, bore_m: float, fluid: Fluid) -> float:
    """Return the Reynolds number of a full pipe, 4|Q| / (π D ν)."""
    return 4.0 * abs(flow_m3_s) / (math.pi * bore_m * fluid.kinematic_viscosity_m2_s)


def colebrook(re: float, relative_roughness: float) -> float:
    """Return Darcy's f of turbulent flow by Colebrook's equation, solved to machine precision.

    1/√f = -2 log10(ε/3.7 + 2.51/(Re √f)); three Newton steps from Haaland's explicit form.

    References
    ----------
    C. F. Colebrook, J. Inst. Civ. Eng. 11(4), 1939, pp. 133-156.
    S. E. Haaland, J. Fluids Eng. 105(1), 1983, pp. 89-90.
    """
    rough = relative_roughness / 3.7
    x = -1.8 * math.log10(6.9 / re + rough**1.11)
    for _ in range(3):
        y = rough + 2.51 * x / re
        slope = 2.0 / _LN_10 * 2.51 / (re * y)
        x -= (x + 2.0 * math.log10(y)) / (1.0 + slope)
    return 1.0 / (x * x)


def rough_friction_factor(bore_m: float, roughness_m: float) -> float:
    """Return Darcy's f at endless Reynolds number, (2 log10(3.7 D/e))^-2 (von Kármán)."""
    return (2.0 * math.log10(3.7 * bore_m / roughness_m)) ** -2


def darcy_friction_factor(re: float, relative_roughness: float) -> float:
    """Return Darcy's f at any Reynolds number: 64/Re, Colebrook, and between 2000 and 4000 a smooth blend of both."""
    if re <= LAMINAR_BELOW_RE:
        return 64.0 / max(re, _TINY_RE)
    turbulent = colebrook(re, relative_roughness)
    if re >= TURBULENT_ABOVE_RE:
        return turbulent
    u = (re - LAMINAR_BELOW_RE) / (TURBULENT_ABOVE_RE - LAMINAR_BELOW_RE)
    weight = u * u * (3.0 - 2.0 * u)
    return (1.0 - weight) * 64.0 / re + weight * turbulent


def pipe_head_loss_m(
    flow_m3_s: float,
    length_m: float,
    bore_m: float,
    roughness_m: float,
    fluid: Fluid,
    hazen_williams: HazenWilliams | None = None,
) -> float:
    """Return the head lost to wall friction, with the sign of the flow; 0 at rest.

    Darcy-Weisbach, h = f (L/D) v|v| / 2g, with the f of `darcy_friction_factor`; or Hazen-Williams where it is given.
    Continuous and strictly rising in flow: between Re 2000 and 4000 the weight of the turbulent law, which is the
    higher one, only rises.

    Notes
    -----
    For Newtonian liquids and 0 <= roughness/D <= 0.05.
    """
    if flow_m3_s == 0.0 or length_m == 0.0:
        return 0.0
    if hazen_williams is not None:
        h = hazen_williams
        loss = h.constant * length_m * (abs(flow_m3_s) / h.c) ** h.flow_exponent / bore_m**h.diameter_exponent
        return math.copysign(loss, flow_m3_s)
    f = darcy_friction_factor(reynolds(flow_m3_s, bore_m, fluid), roughness_m / bore_m)
    velocity = flow_m3_s / area_m2(bore_m)
    return f * length_m / bore_m * velocity * abs(velocity) / (2.0 * GRAVITY_M_S2)


@dataclass(frozen=True)
class PipePieces:
    """Straight pieces as arrays of one shape (n_pieces,), ready for many evaluations in one fluid."""

    length_m: Floats
    re_per_m3_s: Floats  # Reynolds number per unit flow
    laminar_s_m3: Floats  # laminar head loss per metre and unit flow
    square_s2_m6: Floats  # head loss per metre, unit f and squared unit flow
    rough: Floats  # relative roughness / 3.7
    bore_m: Floats
    hazen_williams: HazenWilliams | None = None

    @classmethod
    def of(
        cls, length_m: Floats, bore_m: Floats, roughness_m: Floats, fluid: Fluid, law: HazenWilliams | None = None
    ) -> PipePieces:
        nu = fluid.kinematic_viscosity_m2_s
        return cls(
            length_m=length_m,
            re_per_m3_s=4.0 / (math.pi * bore_m * nu),
            laminar_s_m3=128.0 * nu / (math.pi * GRAVITY_M_S2 * bore_m**4),
            square_s2_m6=8.0 / (math.pi**2 * GRAVITY_M_S2 * bore_m**5),
            rough=roughness_m / bore_m / 3.7,
            bore_m=bore_m,
            hazen_williams=law,
        )

    def head_and_slope(self, flow_m3_s: Floats) -> tuple[Floats, Floats]:
        """Return head loss [m] and its derivative [s/m²] at a flow in each piece; shapes (n_pieces,).

        The derivative of Colebrook is exact: with y = ε/3.7 + 2.51/(Re √f) and c = 2·2.51/(ln10 Re y),
        d ln h / d ln Q = 2 / (1 + c).
        """
        if self.hazen_williams is not None:
            return self._hazen_williams(flow_m3_s, self.hazen_williams)
        flow = np.abs(flow_m3_s)
        re = np.maximum(self.re_per_m3_s * flow, _TINY_RE)
        laminar_slope = self.laminar_s_m3
        laminar = laminar_slope * flow
        turbulent, turbulent_slope = self._turbulent(flow, re)
        u = np.clip((re - LAMINAR_BELOW_RE) / (TURBULENT_ABOVE_RE - LAMINAR_BELOW_RE), 0.0, 1.0)
        weight = u * u * (3.0 - 2.0 * u)
        weight_slope = 6.0 * u * (1.0 - u) * self.re_per_m3_s / (TURBULENT_ABOVE_RE - LAMINAR_BELOW_RE)
        head = laminar + weight * (turbulent - laminar)
        slope = laminar_slope + weight * (turbulent_slope - laminar_slope) + weight_slope * (turbulent - laminar)
        return self.length_m * np.copysign(head, flow_m3_s), self.length_m * slope

    def _turbulent(self, flow: Floats, re: Floats) -> tuple[Floats, Floats]:
        re = np.maximum(re, LAMINAR_BELOW_RE)  # below, the weight is 0 and any finite value will do
        x = -1.8 * np.log10(6.9 / re + self.rough**1.11)
        per_re = 2.51 / re
        for _ in range(3):
            y = self.rough + per_re * x
            c = 2.0 / _LN_10 * per_re / y
            x = x - (x + 2.0 * np.log10(y)) / (1.0 + c)
        c = 2.0 / _LN_10 * per_re / (self.rough + per_re * x)
        per_flow = self.square_s2_m6 * flow / (x * x)
        return per_flow * flow, 2.0 * per_flow / (1.0 + c)

    def _hazen_williams(self, flow_m3_s: Floats, law: HazenWilliams) -> tuple[Floats, Floats]:
        flow = np.maximum(np.abs(flow_m3_s), 1e-12)
        scale = law.constant * self.length_m / law.c**law.flow_exponent / self.bore_m**law.diameter_exponent
        power = scale * flow ** (law.flow_exponent - 1.0)
        return power * flow_m3_s, law.flow_exponent * power
