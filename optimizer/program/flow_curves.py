"""Loss curves for the relaxation: power laws, convex laws, anything that rises; each with lines that enclose it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

from optimizer.program.flow_problem import Envelope, Line

Law = Callable[[float], float]
_GAUSS = (  # nodes and weights of 8-point Gauss-Legendre quadrature on [-1, 1]; Abramowitz and Stegun, table 25.4
    (0.1834346424956498, 0.3626837833783620),
    (0.5255324099163290, 0.3137066458778873),
    (0.7966664774136267, 0.2223810344533745),
    (0.9602898564975363, 0.1012285362903763),
)
_PIECES = 48  # of a range, where only rising is known
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
        return odd_envelope(self.loss_m, self.slope_s_m2, low_m3_s, high_m3_s)


@dataclass(frozen=True, slots=True)
class ConvexCurve:
    """A law that rises and is convex over the whole range where it is used (a pump of concave head: minus its head).

    With `odd_sided` it is convex for flow above 0 and concave below: a loss with a backward branch of its own.
    """

    law_m: Law
    slope: Law
    odd_sided: bool = False

    def loss_m(self, flow_m3_s: float) -> float:
        return self.law_m(flow_m3_s)

    def content_m4_s(self, flow_m3_s: float) -> float:
        return _integral(self.law_m, flow_m3_s)

    def envelope(self, low_m3_s: float, high_m3_s: float) -> Envelope:
        if self.odd_sided:
            return odd_envelope(self.law_m, self.slope, low_m3_s, high_m3_s)
        return _one_sided(self.law_m, self.slope, low_m3_s, high_m3_s)


@dataclass(frozen=True, slots=True)
class RisingCurve:
    """Any law that rises: sums of parts with a transition in them, device curves through points.

    Its lines come from the law at a row of flows, and from nothing but that it rises in between.
    """

    law_m: Law
    _memo: dict[float, float] = field(default_factory=dict, compare=False, repr=False)

    def loss_m(self, flow_m3_s: float) -> float:
        if flow_m3_s not in self._memo:
            self._memo[flow_m3_s] = self.law_m(flow_m3_s)
        return self._memo[flow_m3_s]

    def content_m4_s(self, flow_m3_s: float) -> float:
        return _integral(self.law_m, flow_m3_s)

    def envelope(self, low_m3_s: float, high_m3_s: float) -> Envelope:
        if high_m3_s - low_m3_s <= _TINY:
            return _point(self.loss_m, low_m3_s, high_m3_s)
        flows = [low_m3_s + (high_m3_s - low_m3_s) * i / _PIECES for i in range(_PIECES)] + [high_m3_s]
        losses = [self.loss_m(flow) for flow in flows]
        # between two flows the law is nowhere under the lower value and nowhere over the higher one
        under = [(flows[0], losses[0]), *zip(flows[1:], losses[:-1], strict=True)]
        over = [*zip(flows[:-1], losses[1:], strict=True), (flows[-1], losses[-1])]
        below = _hull_lines(under, upper=False)
        above = _hull_lines(over, upper=True)
        return Envelope(tuple(below), tuple(above))


def odd_envelope(law_m: Law, slope: Law, low: float, high: float) -> Envelope:
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


def _hull_lines(points: list[tuple[float, float]], upper: bool) -> list[Line]:
    """Return the lines of the lower (upper) convex hull of points in ascending order; none falls."""
    sign = -1.0 if upper else 1.0
    hull: list[tuple[float, float]] = []
    for q, h in points:
        while len(hull) > 1 and _turn(hull[-2], hull[-1], (q, sign * h)) <= 0.0:
            hull.pop()
        hull.append((q, sign * h))
    lines = []
    for (q1, h1), (q2, h2) in pairwise(hull):
        if q2 - q1 > _TINY:
            gradient = (h2 - h1) / (q2 - q1)
            lines.append(Line(sign * gradient, sign * (h1 - gradient * q1)))
    return _few(lines)


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def _few(lines: list[Line], most: int = 4) -> list[Line]:
    """Any part of the lines is as safe as all of them, and keeps the program small."""
    if len(lines) <= most:
        return lines
    return [lines[round(i * (len(lines) - 1) / (most - 1))] for i in range(most)]


def _integral(law_m: Law, high: float) -> float:
    """Return the integral of a law from rest, by Gauss's rule on 16 panels."""
    total, panels = 0.0, 16
    half = 0.5 * high / panels
    for panel in range(panels):
        middle = (2 * panel + 1) * half
        total += sum(w * (law_m(middle - half * x) + law_m(middle + half * x)) for x, w in _GAUSS)
    return total * half


def parallel_power_curve(coefficients: list[float], exponent: float) -> PowerCurve:
    """Return the one curve that runs side by side of the same exponent make: their flows add at the same loss."""
    conductance = sum(coefficient ** (-1.0 / exponent) for coefficient in coefficients)
    return PowerCurve(conductance**-exponent, exponent)
