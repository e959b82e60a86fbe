"""Minor losses: the coefficients of a catalog row become K = K1/Re + K∞ on one bore, for either direction of flow."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.errors import NetworkError
from optimizer.hydraulics.friction import rough_friction_factor
from optimizer.hydraulics.water import GRAVITY_M_S2
from optimizer.model.catalog import CatalogItem, Kind, LossData, LossMethod

INCH_M = 0.0254  # Hooper's 2-K takes the bore in inches
CRANE_ROUGHNESS_M = 0.0018 * INCH_M  # clean commercial steel: the pipe that Crane's multiples refer to
_TEE_THROUGH_RUN = 20.0  # Crane: a tee passed straight on, its branch plugged
_MOULDED_TAPER_DEG = 60.0  # inside of a moulded reducing coupling: common practice, no source


@dataclass(frozen=True, slots=True)
class MinorLoss:
    """K = k1/Re + k_infinity, on the velocity in `bore_m`."""

    k1: float
    k_infinity: float
    bore_m: float


NO_LOSS = MinorLoss(0.0, 0.0, 1.0)


def three_k(k1: float, ki: float, kd: float, nominal_in: float, bore_m: float) -> MinorLoss:
    """Return Darby's 3-K loss: K = K1/Re + Ki (1 + Kd / NPS^0.3), NPS in inches.

    References
    ----------
    R. Darby, Chem. Eng. 106(7), 1999, pp. 101-104, and 108(4), 2001, pp. 127-130.
    """
    return MinorLoss(k1, ki * (1.0 + kd / nominal_in**0.3), bore_m)


def two_k(k1: float, k_infinity: float, bore_m: float) -> MinorLoss:
    """Return Hooper's 2-K loss: K = K1/Re + K∞ (1 + 1/D), D in inches.

    References
    ----------
    W. B. Hooper, Chem. Eng. 88(17), 24 Aug 1981, pp. 96-100.
    """
    return MinorLoss(k1, k_infinity * (1.0 + INCH_M / bore_m), bore_m)


def crane_friction_factor(bore_m: float) -> float:
    """Return Crane's fT: the fully turbulent friction factor of clean steel pipe of this bore (0.0018 in roughness)."""
    return rough_friction_factor(bore_m, CRANE_ROUGHNESS_M)


def crane(length_over_bore: float, bore_m: float) -> MinorLoss:
    """Return Crane's loss, K = (L/D) fT (Technical Paper 410, appendix A)."""
    return MinorLoss(0.0, length_over_bore * crane_friction_factor(bore_m), bore_m)


def flow_coefficient(kv_m3_h: float, bore_m: float) -> MinorLoss:
    """Return the loss of a valve of this Kv: 1 bar at Kv m³/h of water (IEC 60534); K = 1.6e9 D⁴/Kv² on the bore."""
    from fluids.fittings import Kv_to_K

    return MinorLoss(0.0, float(Kv_to_K(kv_m3_h, bore_m)), bore_m)


def change_of_bore(from_m: float, to_m: float, angle_deg: float = 180.0) -> MinorLoss:
    """Return the loss from one bore into another, sudden (180°) or through a cone of this full angle, on the smaller.

    References
    ----------
    Crane Technical Paper 410, appendix A, formulas 1 to 4.
    """
    from fluids.fittings import contraction_conical_Crane, diffuser_conical_Crane

    if from_m == to_m:
        return MinorLoss(0.0, 0.0, to_m)
    if from_m > to_m:
        return MinorLoss(0.0, float(contraction_conical_Crane(from_m, to_m, angle=angle_deg)), to_m)
    return MinorLoss(0.0, float(diffuser_conical_Crane(from_m, to_m, angle=angle_deg)), from_m)


def minor_loss(loss: LossData, kind: Kind, bores_m: tuple[float, ...]) -> MinorLoss:
    """Return what a catalog row loses when water goes from the first of `bores_m` to the last.

    Raises
    ------
    NetworkError
        When the row has too few coefficients, or no bore to refer its K to.
    """
    bore = loss.bore_m or min((bore for bore in bores_m if bore > 0.0), default=0.0)
    if loss.method is LossMethod.NONE:
        return NO_LOSS
    if not bore > 0.0:
        raise NetworkError(f"a {kind} with loss method {loss.method} has no bore to refer its K to")
    try:
        return _by_method(loss, kind, bores_m, bore)
    except (ValueError, IndexError) as error:
        raise NetworkError(f"a {kind}: {loss.method} cannot be read from coefficients {loss.coefficients}") from error


def _by_method(loss: LossData, kind: Kind, bores_m: tuple[float, ...], bore: float) -> MinorLoss:
    values = loss.coefficients
    match loss.method:
        case LossMethod.THREE_K:
            k1, ki, kd, nominal_in = values
            return three_k(k1, ki, kd, nominal_in, bore)
        case LossMethod.TWO_K:
            k1, k_infinity = values
            return two_k(k1, k_infinity, bore)
        case LossMethod.CRANE:
            return crane(values[0], bore)
        case LossMethod.KV:
            return flow_coefficient(values[0], bore)
        case LossMethod.K:
            return MinorLoss(0.0, values[0], bore)
        case LossMethod.BORES:
            moulded = _MOULDED_TAPER_DEG if kind is Kind.REDUCING_COUPLING else 180.0
            return change_of_bore(bores_m[0], bores_m[-1], values[0] if values else moulded)
        case _:
            return crane(_TEE_THROUGH_RUN, bore)


def linear_and_square(loss: MinorLoss, kinematic_viscosity_m2_s: float) -> tuple[float, float]:
    """Return a and b of h = a Q + b Q² [s/m², s²/m⁵], which K1/Re + K∞ on one bore amounts to."""
    area = 0.7853981633974483 * loss.bore_m * loss.bore_m
    linear = loss.k1 * kinematic_viscosity_m2_s / (2.0 * GRAVITY_M_S2 * loss.bore_m * area)
    return linear, loss.k_infinity / (2.0 * GRAVITY_M_S2 * area * area)


def square_of_item(item: CatalogItem) -> float:
    """Return b of h = b Q² of a catalog row in fully turbulent flow [s²/m⁵]."""
    return linear_and_square(minor_loss(item.loss, item.kind, item.end_bores_m), 0.0)[1]


def square_of_k(k: float, bore_m: float) -> float:
    """Return b of h = b Q² for a plain K on a bore [s²/m⁵]."""
    return linear_and_square(MinorLoss(0.0, k, bore_m), 0.0)[1]
