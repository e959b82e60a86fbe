"""Pumps: the maker's points become head and its slope at any flow and speed, and the power drawn."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

from optimizer.errors import NetworkError
from optimizer.hydraulics.curves import MonotoneCurve
from optimizer.model.network import Pump

if TYPE_CHECKING:
    from optimizer.hydraulics.curves import Floats

_STOPPED = 1e-6  # below this fraction of full speed the pump is a mere obstruction
_STEEP = 10.0  # past the last point head falls so many times faster than the parabola: for the solver, no forecast


@dataclass(frozen=True)
class PumpCurve:
    """A pump's head over flow at full speed. Two points mean the parabola H0 - a Q², more a monotone cubic."""

    first_m3_s: float
    last_m3_s: float
    first_head_m: float
    last_head_m: float
    parabola_s2_m5: float  # a of the parabola through the first and the last point
    cubic: MonotoneCurve | None
    steep: float = _STEEP

    def head_and_slope(self, flow_m3_s: float, speed: float) -> tuple[float, float]:
        """Return the head gained [m] and its derivative [s/m²] at a signed flow and a fraction of full speed.

        Affinity: H(Q, s) = s² H(Q/s, 1). Against the pump, and through a stopped one, water meets the resistance a Q².
        """
        if speed <= _STOPPED:
            return -self.parabola_s2_m5 * flow_m3_s * abs(flow_m3_s), -2.0 * self.parabola_s2_m5 * abs(flow_m3_s)
        head, slope = self._at_full_speed(flow_m3_s / speed)
        return speed * speed * head, speed * slope

    def heads_and_slopes(self, flows_m3_s: Floats, speed: Floats) -> tuple[Floats, Floats]:
        """Return `head_and_slope` of many flows, each at its speed, shape (n,); all run, or none."""
        import numpy as np

        a, size = self.parabola_s2_m5, np.abs(flows_m3_s)
        if not len(flows_m3_s) or speed.max() <= _STOPPED:
            return -a * flows_m3_s * size, -2.0 * a * size
        flow, size = flows_m3_s / speed, size / speed
        last, first = self.last_m3_s, self.first_m3_s
        if self.cubic is None:
            head, slope = self.first_head_m - a * (flow**2 - first**2), -2.0 * a * flow
        else:
            head, slope = self.cubic.values_and_slopes(np.clip(flow, first, last))
        before, past, steep = flow < first, flow > last, self.steep * a
        head = np.where(before, self.first_head_m + a * (first**2 - flow * size), head)
        head = np.where(past, self.last_head_m - steep * (flow**2 - last**2), head)
        slope = np.where(before, -2.0 * a * size, np.where(past, -2.0 * steep * flow, slope))
        return speed * speed * head, speed * slope

    @property
    def shut_off_head_m(self) -> float:
        return self._at_full_speed(0.0)[0]

    def _at_full_speed(self, flow: float) -> tuple[float, float]:
        a = self.parabola_s2_m5
        if flow < self.first_m3_s:  # towards shut-off, and backwards through the pump
            return self.first_head_m + a * (self.first_m3_s**2 - flow * abs(flow)), -2.0 * a * abs(flow)
        if flow > self.last_m3_s:
            steep = self.steep * a
            return self.last_head_m - steep * (flow**2 - self.last_m3_s**2), -2.0 * steep * flow
        if self.cubic is None:
            return self.first_head_m - a * (flow**2 - self.first_m3_s**2), -2.0 * a * flow
        return self.cubic.value_and_slope(flow)


@lru_cache(maxsize=256)
def pump_curve(pump: Pump) -> PumpCurve:
    """Return the curve of a pump, its head as wear has left it.

    Raises
    ------
    NetworkError
        When fewer than two points are given, or flow does not rise while head falls from point to point.
    """
    points = tuple((flow, head * pump.head_factor) for flow, head in pump.curve)
    rising = all(a[0] < b[0] and a[1] > b[1] for a, b in pairwise(points))
    if not pump.head_factor > 0.0:
        raise NetworkError(f"pump {pump.name!r}: its head factor is {pump.head_factor:g}, must be above 0")
    if len(points) < 2 or not rising or points[0][0] < 0.0:
        raise NetworkError(f"pump {pump.name!r}: its curve needs two points or more, flow rising, head falling")
    (first, top), (last, bottom) = points[0], points[-1]
    cubic = MonotoneCurve.through(points) if len(points) > 2 else None
    return PumpCurve(first, last, top, bottom, (top - bottom) / (last**2 - first**2), cubic)


def pump_head_m(pump: Pump, flow_m3_s: float, speed: float | None = None) -> float:
    """Return the head that a pump adds at a flow and a fraction of full speed (its own where None).

    Past the last point of the curve (scaled with speed) the value falls steeply and is no forecast: see `past_curve`.
    """
    return pump_curve(pump).head_and_slope(flow_m3_s, pump.speed if speed is None else speed)[0]


def past_curve(pump: Pump, flow_m3_s: float, speed: float | None = None) -> bool:
    """Say whether a flow is past the last point that the maker gives, at that speed."""
    fraction = pump.speed if speed is None else speed
    return fraction > _STOPPED and flow_m3_s > pump.curve[-1][0] * fraction * (1.0 + 1e-9)


def pump_power_w(pump: Pump, speed: float | None = None) -> float | None:
    """Return the power drawn at a fraction of full speed, P ~ s³; None when the file gives no power.

    The true draw falls less at low speed, where efficiency suffers and the controller keeps its own.
    """
    fraction = pump.speed if speed is None else speed
    return None if pump.power_w is None else pump.power_w * fraction**3
