"""What one part does to the water, as a few numbers: wall friction, a Q + b Q² each way, a device, a check, a stop."""

from __future__ import annotations

import math
from dataclasses import dataclass

from optimizer.errors import NetworkError
from optimizer.hydraulics.conditions import Conditions
from optimizer.hydraulics.devices import device_head_loss_m
from optimizer.hydraulics.fittings import linear_and_square, minor_loss, square_of_k
from optimizer.hydraulics.friction import SMOOTH_PLASTIC_ROUGHNESS_M, pipe_head_loss_m
from optimizer.hydraulics.valves import valve_k
from optimizer.model.catalog import CHECKS, PIPES, THROTTLES, CatalogItem, Kind, LossMethod
from optimizer.model.kinds import STOPS
from optimizer.model.network import Part

_PASSIVE = frozenset({Kind.PUMP, Kind.OPEN_JOINT, Kind.CONSUMABLE})


@dataclass(frozen=True, slots=True)
class LossElement:
    """h = a Q + b Q² forwards, a' Q - b' Q² backwards, plus wall friction of a pipe, plus a device's curve.

    The pump's gain is not a loss and is not here. `one_way` holds back what would run against the run's direction;
    `shut` lets nothing through. The loss factor is already in the coefficients, but not in the pipe and the device.
    What a part alone does has no joints; `compiled.run_elements` has them.

    Below its least flow a check valve is not lifted in full, and its weight must still be carried: with x the share of
    that flow, b Q² becomes b Qmin² x (2 - x). That is 0 at rest, meets the square law where it takes over, and lies
    between that law and the constant loss of a freely floating flap.
    """

    linear_s_m2: float = 0.0
    square_s2_m5: float = 0.0
    linear_back_s_m2: float = 0.0
    square_back_s2_m5: float = 0.0
    length_m: float = 0.0
    bore_m: float = 0.0  # of the pipe
    roughness_m: float = 0.0
    device: str = ""
    one_way: bool = False
    shut: bool = False
    least_flow_m3_s: float = 0.0  # of a check valve
    joint_s2_m5: float = 0.0  # b of what is lost at its joints, see `bores`; both ways
    joint_back_s2_m5: float = 0.0


NOTHING = LossElement()


def element_of(part: Part, conditions: Conditions) -> LossElement:
    """Return what a part does to the water under these conditions; valves at their opening."""
    if part.kind in _PASSIVE:
        return NOTHING
    if part.kind in STOPS or (part.kind in THROTTLES and part.opening <= 0.0):
        return LossElement(shut=True)
    if part.kind is Kind.DEVICE:
        return LossElement(device=part.name)
    if part.kind in PIPES:
        bore, roughness = pipe_bore_m(part, conditions), pipe_roughness_m(part, conditions)
        return LossElement(length_m=part.length_m, bore_m=bore, roughness_m=roughness)
    return _fitting(part, conditions)


def pipe_bore_m(part: Part, conditions: Conditions) -> float:
    """Return the bore of a length of pipe: the average one, or the largest that the standard allows."""
    item = part.item
    bore = part.end_bores_m[0] if item is None or not item.bore_m else item.bore_m
    if item is not None and conditions.bore == "minimum wall" and item.bore_min_wall_m > 0.0:
        bore = item.bore_min_wall_m
    if not bore > 0.0:
        raise NetworkError(f"{part.words}: its bore is {bore:g} m, must be above 0")
    return bore


def pipe_roughness_m(part: Part, conditions: Conditions) -> float:
    stated = part.item.roughness_m if part.item is not None else 0.0
    return (stated or SMOOTH_PLASTIC_ROUGHNESS_M) + conditions.extra_roughness_m


def _fitting(part: Part, conditions: Conditions) -> LossElement:
    if part.item is None:
        return NOTHING
    forwards = _coefficients(part, part.item, part.end_bores_m, conditions)
    backwards = forwards
    if part.item.loss.method is LossMethod.BORES:
        backwards = _coefficients(part, part.item, part.end_bores_m[::-1], conditions)
    one_way = part.kind in CHECKS
    return LossElement(*forwards, *backwards, one_way=one_way, least_flow_m3_s=part.least_flow_m3_s if one_way else 0.0)


def _coefficients(
    part: Part, item: CatalogItem, bores_m: tuple[float, ...], conditions: Conditions
) -> tuple[float, float]:
    loss = minor_loss(item.loss, part.kind, bores_m or item.end_bores_m)
    linear, square = linear_and_square(loss, conditions.fluid.kinematic_viscosity_m2_s)
    if part.kind in THROTTLES and part.opening < 1.0:
        square += square_of_k(valve_k(part.kind, part.opening), _valve_bore_m(part, item))
    return linear * conditions.loss_factor, square * conditions.loss_factor


def _valve_bore_m(part: Part, item: CatalogItem) -> float:
    return item.loss.bore_m or min(bore for bore in (*part.end_bores_m, *item.end_bores_m) if bore > 0.0)


def valve_bore_m(part: Part) -> float:
    """Return the bore that a valve's K refers to, and that `valve_k` adds to."""
    if part.item is None or part.kind not in THROTTLES:
        raise NetworkError(f"{part.words} is not a valve that can be throttled")
    return _valve_bore_m(part, part.item)


def element_head_loss_m(element: LossElement, flow_m3_s: float, conditions: Conditions) -> float:
    """Return the head lost [m], with the sign of the flow; endless where shut. A check valve is taken as open."""
    if flow_m3_s == 0.0:
        return 0.0
    if element.shut:
        return math.copysign(math.inf, flow_m3_s)
    if flow_m3_s > 0.0:
        loss = flow_m3_s * (element.linear_s_m2 + (element.square_s2_m5 + element.joint_s2_m5) * flow_m3_s)
        loss += lift_head_and_slope(element.square_s2_m5, element.least_flow_m3_s, flow_m3_s)[0]
    else:
        square = element.square_back_s2_m5 + element.joint_back_s2_m5
        loss = flow_m3_s * (element.linear_back_s_m2 - square * flow_m3_s)
    if element.length_m > 0.0:
        loss += conditions.loss_factor * pipe_head_loss_m(
            flow_m3_s,
            element.length_m,
            element.bore_m,
            element.roughness_m,
            conditions.fluid,
            conditions.hazen_williams,
        )
    if element.device:
        loss += conditions.loss_factor * device_loss_m(element.device, flow_m3_s, conditions)
    return loss


def lift_head_and_slope(square_s2_m5: float, least_flow_m3_s: float, flow_m3_s: float) -> tuple[float, float]:
    """Return what a check valve loses above b Q² below its least flow [m], and the derivative [s/m²]; else 0."""
    if not 0.0 < flow_m3_s < least_flow_m3_s:
        return 0.0, 2.0 * square_s2_m5 * least_flow_m3_s if flow_m3_s == 0.0 else 0.0
    x = flow_m3_s / least_flow_m3_s
    head = 2.0 * square_s2_m5 * least_flow_m3_s**2 * x * (1.0 - x)
    return head, 2.0 * square_s2_m5 * least_flow_m3_s * (1.0 - 2.0 * x)


def device_loss_m(name: str, flow_m3_s: float, conditions: Conditions) -> float:
    if name not in conditions.devices:
        known = ", ".join(conditions.devices) or "none"
        raise NetworkError(f"there is no device {name!r}; the devices are {known}")
    return device_head_loss_m(conditions.devices[name], flow_m3_s)


def part_head_loss_m(part: Part, flow_m3_s: float, conditions: Conditions) -> float:
    """Return the head that a part alone takes at a flow [m], with the sign of the flow; its joints are left out.

    A pump and an open joint take nothing here (`pump_head_m` has the pump); a valve is at its opening; what is shut
    takes endless head; a check valve against its direction is taken as open, for the network decides whether it is.
    """
    return element_head_loss_m(element_of(part, conditions), flow_m3_s, conditions)
