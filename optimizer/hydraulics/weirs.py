"""Water over an edge and into the mouth of an open pipe: head over the lip becomes flow, and the way back."""

from __future__ import annotations

import math

from optimizer.errors import NetworkError
from optimizer.hydraulics.friction import area_m2
from optimizer.hydraulics.water import GRAVITY_M_S2

WEIR_M0_5_S = 1.66  # SI; 3.0 in ft and s
ORIFICE = 0.6


def weir_flow_m3_s(crest_length_m: float, head_m: float) -> float:
    """Return the flow over an edge, Q = 1.66 L h^1.5 (SI), which is on the low side for thin edges.

    Parameters
    ----------
    crest_length_m
        Length of the edge that water runs over, without the teeth; of a standing pipe its inner circumference [m].
    head_m
        Height of the water above the edge, some way before it [m]; nothing runs at 0 or below.

    Notes
    -----
    A thin edge carries more: Francis's 1.84 and Rehbock's formula, both published for heads of 30 mm and more. At the
    10 to 20 mm of an aquarium's edge water clings to it, and no published formula covers that: hence the low value. A
    gap between teeth narrows the jet from both sides: Kindsvater and Carter's formula has 1.74 for that, for gaps of
    15 cm and more; of narrower ones it says more still.

    References
    ----------
    Texas Department of Transportation, Hydraulic Design Manual, ch. 10, sec. 6, eq. 10-30: inlets under a low head,
    1.66 metric, 3 English, on the perimeter. C. E. Kindsvater and R. W. Carter, J. Hydraul. Div. ASCE 83(6), 1957.
    """
    return WEIR_M0_5_S * crest_length_m * math.pow(max(head_m, 0.0), 1.5)


def weir_head_m(crest_length_m: float, flow_m3_s: float) -> float:
    """Return the head over an edge at a flow [m]: the inverse of `weir_flow_m3_s`; on the high side for thin edges."""
    if not crest_length_m > 0.0:
        raise NetworkError(f"an overflow edge of {crest_length_m:g} m; must be above 0")
    return float((max(flow_m3_s, 0.0) / (WEIR_M0_5_S * crest_length_m)) ** (2.0 / 3.0))


def open_mouth_flow_m3_s(bore_m: float, head_m: float) -> float:
    """Return what the upright mouth of a pipe takes in without siphoning: weir or orifice, whichever is less.

    The circumference is the weir; once the mouth is drowned it is an orifice, Q = 0.6 A (2 g h)^0.5.

    References
    ----------
    T. G. Hicks, Civil Engineering Formulas, eq. 13.7 and 13.8: Q = 3 P y^1.5 and 0.6 A (2 g y)^0.5 (ft, s); the Texas
    manual (see `weir_flow_m3_s`), eq. 10-31, has 0.67 in place of 0.6.
    """
    orifice = ORIFICE * area_m2(bore_m) * math.sqrt(2.0 * GRAVITY_M_S2 * max(head_m, 0.0))
    return min(weir_flow_m3_s(math.pi * bore_m, head_m), orifice)
