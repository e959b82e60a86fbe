"""Devices: a rated loss, or a few, become head loss and its slope at any flow."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import sqrt
from typing import TYPE_CHECKING

from optimizer.errors import NetworkError
from optimizer.hydraulics.curves import MonotoneCurve
from optimizer.model.network import Device

if TYPE_CHECKING:
    from optimizer.hydraulics.curves import Floats


@dataclass(frozen=True)
class DeviceCurve:
    """Head loss of a device, h = r(Q)²: the root r is monotone through the points, proportional to flow outside them.

    One point is then the square law through it, and points that follow a square law give it back exactly.
    """

    last_m3_s: float
    root_per_m3_s: float  # past the last point
    root: MonotoneCurve

    def head_and_slope(self, flow_m3_s: float) -> tuple[float, float]:
        """Return the head lost [m], with the sign of the flow, and its derivative [s/m²]."""
        flow = abs(flow_m3_s)
        if flow >= self.last_m3_s:
            r, slope = self.root_per_m3_s * flow, self.root_per_m3_s
        else:
            r, slope = self.root.value_and_slope(flow)
        return (r * r if flow_m3_s >= 0.0 else -r * r), 2.0 * r * slope

    def heads_and_slopes(self, flows_m3_s: Floats) -> tuple[Floats, Floats]:
        """Return `head_and_slope` of many flows, shape (n,)."""
        import numpy as np

        size = np.abs(flows_m3_s)
        past = size >= self.last_m3_s
        r, slope = self.root.values_and_slopes(np.minimum(size, self.last_m3_s))
        r, slope = np.where(past, self.root_per_m3_s * size, r), np.where(past, self.root_per_m3_s, slope)
        return np.copysign(r * r, flows_m3_s), 2.0 * r * slope


@lru_cache(maxsize=256)
def device_curve(device: Device) -> DeviceCurve:
    """Return the loss curve of a device.

    Raises
    ------
    NetworkError
        When no point is given, or flow and loss do not both rise from 0.
    """
    points = [(0.0, 0.0), *(point for point in device.curve if point != (0.0, 0.0))]
    if len(points) < 2 or any(b[0] <= a[0] or b[1] < a[1] for a, b in pairwise(points)):
        raise NetworkError(f"device {device.name!r}: its loss needs one or more points, flow and loss rising from 0")
    roots = [(flow, sqrt(loss)) for flow, loss in points]
    last, root = roots[-1]
    return DeviceCurve(last, root / last, MonotoneCurve.through(roots))


def device_head_loss_m(device: Device, flow_m3_s: float) -> float:
    """Return the head that a device takes, with the sign of the flow; square law outside its points."""
    return device_curve(device).head_and_slope(flow_m3_s)[0]
