"""What a piece takes of the head at a flow, by formulas written anew here; friction factors from the fluids library.

Sources stand in the docstrings. Water is fresh and of 25 °C throughout.
"""

from __future__ import annotations

import math
from functools import cache

import fluids
from own_shelf import Row

G = 9.80665
RHO = 997.05  # kg/m³
NU_M2_S = 890.0e-6 / RHO  # IAPWS R12-08 and R6-95, pure water of 25 °C: from memory


def velocity_head_m(flow: float, bore: float) -> float:
    return (flow / (math.pi * bore * bore / 4.0)) ** 2 / (2.0 * G)


def reynolds(flow: float, bore: float) -> float:
    return 4.0 * flow / (math.pi * bore * NU_M2_S)


@cache
def friction_factor(flow: float, bore: float, roughness: float) -> float:
    """Return 64/Re, Colebrook, and from Re 2000 to 4000 the smooth blend of both that the README's flows rest on."""
    re = reynolds(flow, bore)
    if re <= 2000.0:
        return 64.0 / re
    w = min(1.0, (re - 2000.0) / 2000.0)
    w = w * w * (3.0 - 2.0 * w)
    return (1.0 - w) * 64.0 / re + w * float(fluids.friction.Colebrook(re, roughness / bore))


def pipe_loss_m(row: Row, length_m: float, flow: float) -> float:
    """Return the head lost in a length of pipe (Darcy-Weisbach)."""
    bore = row.bores_m[0]
    return friction_factor(flow, bore, row.roughness_m) * length_m / bore * velocity_head_m(flow, bore)


@cache
def piece_loss_m(row: Row, turned: bool, flow: float) -> float:
    """Return the head lost in one fitting or open valve; `turned`: water goes in at its last end."""
    bores = row.bores_m[::-1] if turned else row.bores_m
    bore = row.loss_bore_m or min(b for b in bores if b > 0.0)
    if row.method in ("none", ""):
        return 0.0
    if row.method == "3-K":  # Darby 1999, 2001
        k1, ki, kd, nominal = row.numbers
        k = float(fluids.Darby3K(NPS=nominal, Re=reynolds(flow, bore), K1=k1, Ki=ki, Kd=kd))
    elif row.method == "K":
        (k,) = row.numbers
    elif row.method == "bores":
        k, bore = change_of_bore(bores[0], bores[-1], row.kind == "reducing coupling")
    else:
        raise NotImplementedError(row.method)
    return k * velocity_head_m(flow, bore)


def change_of_bore(into: float, out: float, moulded_cone: bool) -> tuple[float, float]:
    """Return K and the bore it refers to (Crane TP 410, A-26: sudden, or a cone of 60° in a reducing coupling)."""
    small, large = min(into, out), max(into, out)
    beta2 = (small / large) ** 2
    angle = math.radians(60.0 if moulded_cone else 180.0)
    sine = math.sin(angle / 2.0)
    narrowing = 0.5 * (1.0 - beta2) * (math.sqrt(sine) if moulded_cone else 1.0)  # formulas 1 and 2
    k = narrowing if into > out else (1.0 - beta2) ** 2  # formula 4; formula 3 is for cones below 45°
    return k, small


# --- tees: Crane TP 410 (2009), pp. 2-14 to 2-16, water dividing out of a run leg, 90° branch


def tee_dividing_m(row: Row, legs: tuple[float, float], into_run: bool, turned: bool) -> tuple[float, float]:
    """Return the head lost from the entrance leg to (the far run leg, the branch).

    `legs`: flows that leave through the far run leg and through the branch. Not for what enters by the branch.
    """
    assert into_run
    through, aside = legs
    bores = (row.bores_m[1], row.bores_m[0], row.bores_m[2]) if turned else row.bores_m
    run, ratio = max(bores[0], bores[1]), aside / (through + aside)
    beta2 = (bores[2] / run) ** 2
    h = 1.0 if beta2 <= 4.0 / 9.0 else 0.3
    g = 1.0 if beta2 <= 2.0 / 3.0 else 1.0 + 0.3 * ratio**2
    k_branch = g * (1.0 + h * (ratio / beta2) ** 2)
    m = 0.4 if beta2 <= 0.4 else (2.0 if ratio <= 0.5 else 0.3) * (2.0 * ratio - 1.0)
    k_run = m * ratio**2
    head = velocity_head_m(through + aside, run)
    neck_in = _neck(bores[0], run, through + aside)
    neck_out = _neck(run, bores[1], through)
    return neck_in + k_run * head + neck_out, neck_in + k_branch * head


def _neck(into: float, out: float, flow: float) -> float:
    if into == out:
        return 0.0
    k, bore = change_of_bore(into, out, moulded_cone=False)
    return k * velocity_head_m(flow, bore)
