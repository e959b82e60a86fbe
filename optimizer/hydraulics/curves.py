"""Monotone curves through given points: what pumps and devices do between the points that their makers state."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MonotoneCurve:
    """A piecewise cubic that never rises where its points do not rise, and never falls where they do not fall.

    `x` ascends; the curve passes through every (x, y). Reading outside the points is the caller's affair.

    References
    ----------
    F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5(2), 1984, pp. 300-304.
    """

    x: tuple[float, ...]
    y: tuple[float, ...]
    slopes: tuple[float, ...]

    @classmethod
    def through(cls, points: Sequence[tuple[float, float]]) -> MonotoneCurve:
        x = tuple(point[0] for point in points)
        y = tuple(point[1] for point in points)
        return cls(x, y, _monotone_slopes(x, y))

    def value_and_slope(self, at: float) -> tuple[float, float]:
        """Return y and dy/dx at a place between the first and the last x."""
        i = min(max(bisect_right(self.x, at) - 1, 0), len(self.x) - 2)
        width = self.x[i + 1] - self.x[i]
        t = (at - self.x[i]) / width
        rise = self.y[i + 1] - self.y[i]
        left, right = self.slopes[i] * width, self.slopes[i + 1] * width
        second, third = 3.0 * rise - 2.0 * left - right, left + right - 2.0 * rise
        value = self.y[i] + t * (left + t * (second + t * third))
        return value, (left + t * (2.0 * second + 3.0 * t * third)) / width

    def values_and_slopes(self, at: Floats) -> tuple[Floats, Floats]:
        """Return y and dy/dx at many places between the first and the last x, shape (n,)."""
        import numpy as np

        x, y, slopes = (np.array(each) for each in (self.x, self.y, self.slopes))
        i = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
        width = (x[1:] - x[:-1])[i]
        t, rise = (at - x[i]) / width, (y[1:] - y[:-1])[i]
        left, right = slopes[i] * width, slopes[i + 1] * width
        second, third = 3.0 * rise - 2.0 * left - right, left + right - 2.0 * rise
        value = y[i] + t * (left + t * (second + t * third))
        return value, (left + t * (2.0 * second + 3.0 * t * third)) / width


def _monotone_slopes(x: tuple[float, ...], y: tuple[float, ...]) -> tuple[float, ...]:
    widths = [b - a for a, b in pairwise(x)]
    secants = [(b - a) / w for a, b, w in zip(y, y[1:], widths, strict=False)]
    if len(secants) == 1:
        return (secants[0], secants[0])
    inner = [_inner_slope(widths[i], widths[i + 1], secants[i], secants[i + 1]) for i in range(len(secants) - 1)]
    first = _end_slope(widths[0], widths[1], secants[0], secants[1])
    last = _end_slope(widths[-1], widths[-2], secants[-1], secants[-2])
    return (first, *inner, last)


def _inner_slope(left_width: float, right_width: float, left: float, right: float) -> float:
    if left * right <= 0.0:
        return 0.0
    w1, w2 = 2.0 * right_width + left_width, right_width + 2.0 * left_width
    return (w1 + w2) / (w1 / left + w2 / right)


def _end_slope(width: float, next_width: float, secant: float, next_secant: float) -> float:
    slope = ((2.0 * width + next_width) * secant - width * next_secant) / (width + next_width)
    if slope * secant <= 0.0:
        return 0.0
    if secant * next_secant <= 0.0 and abs(slope) > 3.0 * abs(secant):
        return 3.0 * secant
    return slope
