"""Loss curves for the relaxation: power laws, with lines that enclose them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from optimizer.program.flow_problem import Envelope, Line

Law = Callable[[float], float]
_TINY = 1e-12
TANGENT_SHARES = (0.0, 0.4, 0.75, 1.0)  # where in a bin the lines touch


@dataclass(frozen=True, slots=True)
class PowerCurve:
    """h = c q |q|^(n-1): Hazen-Williams, or a fitting with a constant K (n = 2). n >= 1."""

    coefficient: float
    exponent: float = 1.852

    def loss_m(self, flow_m3_s: float) -> float:
        loss: float = self.coefficient * abs(flow_m3_s) ** self.exponent
        return math.copysign(loss, flow_m3_s)

    def slope_s_m2(self, flow_m3_s: float) -> float:
        slope: float = self.coefficient * self.exponent * abs(flow_m3_s) ** (self.exponent - 1.0)
        return slope

    def content_m4_s(self, flow_m3_s: float) -> float:
        return self.loss_m(flow_m3_s) * flow_m3_s / (self.exponent + 1.0)

    def envelope(self, low_m3_s: float, high_m3_s: float) -> Envelope:
        return _odd_envelope(self.loss_m, self.slope_s_m2, low_m3_s, high_m3_s)


def _odd_envelope(law_m: Law, slope: Law, low: float, high: float) -> Envelope:
    """Return lines around a law that is convex above rest and concave below it."""
    if low >= 0.0:
        return _one_sided(law_m, slope, low, high)
    if high <= 0.0:
        mirrored = _one_sided(lambda q: -law_m(-q), lambda q: slope(-q), -high, -low)
        return Envelope(tuple(map(_mirror, mirrored.above)), tuple(map(_mirror, mirrored.below)))
    return Envelope(tuple(_astride(law_m, slope, low, high, +1)), tuple(_astride(law_m, slope, low, high, -1)))


def _mirror(line: Line) -> Line:
    return Line(line.slope_s_m2, -line.intercept_m)


def _one_sided(law_m: Law, slope: Law, low: float, high: float) -> Envelope:
    """Tangents at both ends and in between, the secant above."""
    if high - low <= _TINY:
        return _point(law_m, low, high)
    at_low, at_high = law_m(low), law_m(high)
    secant = (at_high - at_low) / (high - low)
    places = [low + (high - low) * share for share in TANGENT_SHARES]
    below = tuple(Line(slope(q), law_m(q) - slope(q) * q) for q in places)
    return Envelope(below, (Line(secant, at_low - secant * low),))


def _point(law_m: Law, low: float, high: float) -> Envelope:
    return Envelope((Line(0.0, law_m(low)),), (Line(0.0, law_m(high)),))


def _astride(law_m: Law, slope: Law, low: float, high: float, side: int) -> list[Line]:
    """Lines under (side 1) or over (side -1) a law with rest inside its range.

    Under it: from the far end below rest, the line that touches the convex part, then tangents beyond the touch.
    """
    law, rate = law_m, slope
    if side < 0:  # the same, seen from the other end of both axes

        def law(q: float) -> float:
            return -law_m(-q)

        def rate(q: float) -> float:
            return slope(-q)

        low, high = -high, -low
    corner = law(low)
    inside, outside = 0.0, high
    for _ in range(60):  # the touching flow: where the tangent meets the corner
        touch = 0.5 * (inside + outside)
        if law(touch) + rate(touch) * (low - touch) > corner:
            inside = touch
        else:
            outside = touch
    touch = outside
    gradient = rate(touch) if touch < high else (law(high) - corner) / (high - low)
    lines = [Line(gradient, corner - gradient * low)]
    lines += [Line(rate(q), law(q) - rate(q) * q) for q in (0.5 * (touch + high), high) if touch < high]
    return lines if side > 0 else [_mirror(line) for line in lines]


def parallel_power_curve(coefficients: list[float], exponent: float) -> PowerCurve:
    """Return the one curve that runs side by side of the same exponent make: their flows add at the same loss."""
    conductance = sum(coefficient ** (-1.0 / exponent) for coefficient in coefficients)
    return PowerCurve(conductance**-exponent, exponent)
