"""Where pipes open into a free surface or the air: what is lost on the way in and on the way out."""

from __future__ import annotations

from optimizer.hydraulics.conditions import Conditions
from optimizer.hydraulics.elements import element_of
from optimizer.hydraulics.fittings import square_of_k
from optimizer.model.catalog import PIPES, Kind
from optimizer.model.network import Part

ENTRANCE_FLUSH_K = 0.5  # sharp edge, flush with the wall: Crane Technical Paper 410, appendix A
ENTRANCE_PROJECTING_K = 0.78  # thin pipe end standing into the water: Crane, as above
EXIT_K = 1.0  # the whole velocity head: Crane, as above
# Without straight pipe behind it a bend leaves a jet that is lost in the tank. Extra loss as a multiple of the bend's
# own K: Miller's outlet correction for r/d 1 is 2.7 K in all, for r/d 1.5 it is 1.15 K, and nothing for 45 degrees
# (D. S. Miller, Internal Flow Systems, 2nd ed., 1990, ch. 9).
_JET_K_MULTIPLES = {Kind.ELBOW: 1.7, Kind.SWEEP_ELBOW: 0.15}


def entrance_head_loss_m(part: Part, flow_m3_s: float, conditions: Conditions) -> float:
    """Return the head lost where a run that begins with this part draws from a surface [m]; 0 at a pump.

    0.5 V²/2g through a bulkhead or a fitting, 0.78 V²/2g into a bare pipe. A pump stands in the sump: its curve
    includes its intake.
    """
    return entrance_square_s2_m5(part, conditions) * flow_m3_s * abs(flow_m3_s)


def exit_head_loss_m(part: Part, flow_m3_s: float, conditions: Conditions) -> float:
    """Return the head lost where a run that ends with this part opens into a surface or the air [m].

    The velocity head in the last bore, and what an elbow with no pipe behind it loses on top.
    """
    linear, square = exit_coefficients(part, conditions)
    return flow_m3_s * (linear + square * abs(flow_m3_s))


def entrance_square_s2_m5(part: Part, conditions: Conditions, at_end: bool = False) -> float:
    """Return b of the entrance loss b Q². `at_end`: the part is the run's last and the water comes in backwards."""
    bore = _opening_bore_m(part, conditions, at_end)
    if part.kind is Kind.PUMP or bore <= 0.0:
        return 0.0
    k = ENTRANCE_PROJECTING_K if part.kind in PIPES else ENTRANCE_FLUSH_K
    return square_of_k(k, bore) * conditions.loss_factor


def exit_coefficients(part: Part, conditions: Conditions, at_start: bool = False) -> tuple[float, float]:
    """Return a and b of the exit loss a Q + b Q². `at_start`: the part is the first, and the water leaves backwards."""
    bore = _opening_bore_m(part, conditions, not at_start)
    linear = square = 0.0
    multiple = _JET_K_MULTIPLES.get(part.kind, 0.0)
    if multiple:
        element = element_of(part, conditions)
        linear, square = multiple * element.linear_s_m2, multiple * element.square_s2_m5
    if bore > 0.0:
        square += square_of_k(EXIT_K, bore) * conditions.loss_factor
    return linear, square


def _opening_bore_m(part: Part, conditions: Conditions, at_end: bool) -> float:
    if part.kind in PIPES:
        return element_of(part, conditions).bore_m
    bores = part.end_bores_m
    return 0.0 if not bores else bores[-1] if at_end else bores[0]
