"""Throttling valves: how far open becomes how much loss is added, the way back, and the words for a hand on the valve.

The catalog gives the loss of the fully open valve; this module gives what partial closing adds to it, as a K on the
bore.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from fractions import Fraction

from optimizer.errors import NetworkError
from optimizer.model.catalog import THROTTLES, Kind


@dataclass(frozen=True)
class _Curve:
    """K against the closed fraction (0 open ... 1 shut), both rising; log K is linear between points."""

    closed: tuple[float, ...]
    k: tuple[float, ...]
    exponent: float  # past the last point K ~ (1 - closed)^-exponent, up to endless K at shut

    def k_at(self, closed: float) -> float:
        if closed >= self.closed[-1]:
            left = 1.0 - closed
            return self.k[-1] * math.pow((1.0 - self.closed[-1]) / left, self.exponent) if left > 0.0 else math.inf
        i = max(bisect_right(self.closed, closed) - 1, 0)
        t = (closed - self.closed[i]) / (self.closed[i + 1] - self.closed[i])
        return self.k[i] * math.pow(self.k[i + 1] / self.k[i], t)

    def closed_at(self, k: float) -> float:
        if k >= self.k[-1]:
            return 1.0 - (1.0 - self.closed[-1]) * math.pow(self.k[-1] / k, 1.0 / self.exponent)
        i = max(bisect_right(self.k, k) - 1, 0)
        t = math.log(k / self.k[i]) / math.log(self.k[i + 1] / self.k[i])
        return self.closed[i] + t * (self.closed[i + 1] - self.closed[i])


def _curve(closed: tuple[float, ...], k: tuple[float, ...]) -> _Curve:
    # the exponent continues the last slope; at least 2, the law of an opening whose area goes to nothing
    slope = math.log(k[-1] / k[-2]) / (closed[-1] - closed[-2])
    return _Curve(closed, k, max(2.0, slope * (1.0 - closed[-1])))


# Perry's Chemical Engineers' Handbook, additional frictional loss of valves in turbulent flow (read in a restatement).
# Ball: Perry's plug cock, 5 to 60 degrees of 90; the K of the open cock is taken as 0.02, below its first point.
_BALL = _curve((0.0, 5 / 90, 10 / 90, 20 / 90, 40 / 90, 60 / 90), (0.02, 0.05, 0.29, 1.56, 17.3, 206.0))
_GATE = _curve((0.0, 0.25, 0.5, 0.75), (0.17, 0.9, 4.5, 24.0))
_GLOBE = _curve((0.0, 0.25, 0.5, 0.75), (9.0, 13.0, 36.0, 112.0))
_DIAPHRAGM = _curve((0.0, 0.25, 0.5, 0.75), (2.3, 2.6, 4.3, 21.0))
_CURVES = {
    Kind.BALL_VALVE: _BALL,
    Kind.TRUE_UNION_BALL_VALVE: _BALL,
    Kind.GATE_VALVE: _GATE,
    Kind.GLOBE_VALVE: _GLOBE,
    Kind.DIAPHRAGM_VALVE: _DIAPHRAGM,
    Kind.ANGLE_VALVE: _GLOBE,  # a disk on a seat as in a globe valve: estimate
    Kind.NEEDLE_VALVE: _GLOBE,  # the same, with a slender plug: estimate
}
_ROTARY = frozenset({Kind.BALL_VALVE, Kind.TRUE_UNION_BALL_VALVE})


def valve_k(kind: Kind, opening: float) -> float:
    """Return the K that partial closing adds to the fully open valve: 0 at opening 1, rising, endless at 0.

    `opening` is the share of the quarter turn (ball) or of the lift (gate, globe) that is left open. Published points
    reach to a third (ball) or a quarter (gate, globe) open; nearer to shut the last trend is carried on.

    References
    ----------
    Perry's Chemical Engineers' Handbook, table of additional frictional loss for turbulent flow through fittings and
    valves.
    """
    if not 0.0 <= opening <= 1.0:
        raise NetworkError(f"a valve opening is 0 (shut) to 1 (open); found {opening:g}")
    curve = _curve_of(kind)
    return curve.k_at(1.0 - opening) - curve.k[0]


def valve_opening(kind: Kind, k: float) -> float:
    """Return the opening at which partial closing adds this K: the inverse of `valve_k`; 1 for K of 0 or less."""
    curve = _curve_of(kind)
    if k <= 0.0:
        return 1.0
    return 0.0 if math.isinf(k) else 1.0 - curve.closed_at(curve.k[0] + k)


_FINE = 0.125  # below it an eighth is too coarse: a gate valve lets most through with its first turns


def valve_words(kind: Kind, opening: float) -> str:
    """Return where to set a valve: "ball valve handle 35° from fully open", "gate valve open 2/5 of its turns"."""
    _curve_of(kind)
    if opening >= 0.995:
        return f"{kind} fully open"
    if opening <= 0.0:
        return f"{kind} shut"
    if kind in _ROTARY:
        return f"{kind} handle {90.0 * (1.0 - opening):.0f}° from fully open"
    share = Fraction(opening).limit_denominator(8) if opening >= _FINE else Fraction(1, round(1.0 / opening))
    return f"{kind} open {share} of its turns" if share < 1 else f"{kind} open {100 * opening:.0f} % of its turns"


def _curve_of(kind: Kind) -> _Curve:
    if kind not in THROTTLES:
        raise NetworkError(f"a {kind} cannot be throttled; allowed: {', '.join(sorted(THROTTLES))}")
    return _CURVES[kind]
