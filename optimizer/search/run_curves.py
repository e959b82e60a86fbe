"""The losses of a run's alternatives as curves with enclosing lines, all of a run at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from optimizer.choices.loss_basis import Floats, LossBasis
from optimizer.hydraulics.pumps import PumpCurve
from optimizer.program.flow_problem import Envelope, Line

_SAMPLES = 33  # of a range where no convexity can be counted on
_TANGENTS = (0.0, 0.4, 0.75, 1.0)  # places in a range, as shares
_STEP = 1e-6  # of the range: half the step of a numeric slope
_HAIR_M3_S = 1e-12
_MOST_LINES = 4


class _Lines(NamedTuple):
    """Slopes and intercepts of lines, shape (n_alternatives, n_lines)."""

    slopes: Floats
    intercepts: Floats

    def of(self, index: int) -> tuple[Line, ...]:
        pairs = zip(self.slopes[index].tolist(), self.intercepts[index].tolist(), strict=True)
        return tuple(Line(slope, intercept) for slope, intercept in dict.fromkeys(pairs))


@dataclass
class CurveTable:
    """The losses of all alternatives of a run: rows over its laws, shape (n_alternatives, n_laws)."""

    rows: Floats
    basis: LossBasis
    _losses: dict[float, Floats] = field(default_factory=dict)
    _lines: dict[tuple[float, float], tuple[_Lines, _Lines]] = field(default_factory=dict)

    def losses_m(self, flow_m3_s: float) -> Floats:
        """Return the loss of every alternative at a flow [m], with its sign, shape (n_alternatives,)."""
        if flow_m3_s not in self._losses:
            self._losses[flow_m3_s] = self.rows @ self.basis.laws(flow_m3_s)
        return self._losses[flow_m3_s]

    def lines(self, low: float, high: float) -> tuple[_Lines, _Lines]:
        """Return lines under and over every curve on a range of flow."""
        if (low, high) not in self._lines:
            self._lines[low, high] = self._enclose(low, high)
        return self._lines[low, high]

    def _enclose(self, low: float, high: float) -> tuple[_Lines, _Lines]:
        if high - low <= _HAIR_M3_S:
            flat = np.zeros((len(self.rows), 1))
            return _Lines(flat, self.losses_m(low)[:, None]), _Lines(flat, self.losses_m(high)[:, None])
        if self.basis.convex(low, high):
            return self._convex(low, high)
        return self._sampled(low, high)

    def _convex(self, low: float, high: float) -> tuple[_Lines, _Lines]:
        """Tangents under, the secant over: for curves that are convex on the whole range."""
        places = [low + share * (high - low) for share in _TANGENTS]
        step = _STEP * (high - low)
        slopes, offsets = [], []
        for place in places:
            left, right = max(place - step, low), min(place + step, high)
            slope = (self.losses_m(right) - self.losses_m(left)) / (right - left)
            slopes.append(slope)
            # at the ends the slope is that of a short secant: it leaves the curve by next to nothing
            offsets.append(self.losses_m(place) - slope * place - slope * step * 1e-3)
        secant = (self.losses_m(high) - self.losses_m(low)) / (high - low)
        over = _Lines(secant[:, None], (self.losses_m(low) - secant * low)[:, None])
        return _Lines(np.stack(slopes, axis=1), np.stack(offsets, axis=1)), over

    def _sampled(self, low: float, high: float) -> tuple[_Lines, _Lines]:
        """Hulls of a row of samples, moved out by what a smooth curve can leave its chords by."""
        flows = np.linspace(low, high, _SAMPLES)
        losses = np.stack([self.losses_m(float(q)) for q in flows], axis=1)
        margin = chord_margin(losses)
        under = [_hull(flows, row - m, upper=False) for row, m in zip(losses, margin, strict=True)]
        over = [_hull(flows, row + m, upper=True) for row, m in zip(losses, margin, strict=True)]
        return _padded(under), _padded(over)


def chord_margin(losses_m: Floats) -> Floats:
    """Return how far a smooth curve may lie off the chords of its samples, shape (n,): h² max|f''| / 8, doubled.

    The second differences of the samples, shape (n, n_samples), stand for h² f''.
    """
    margin: Floats = np.abs(np.diff(losses_m, 2, axis=1)).max(axis=1) / 4.0
    return margin


def _hull(flows: Floats, losses: Floats, upper: bool) -> list[tuple[float, float]]:
    """Return a few lines (slope, intercept) of the lower or upper hull of samples."""
    sign = -1.0 if upper else 1.0
    hull: list[tuple[float, float]] = []
    for q, h in zip(flows.tolist(), (sign * losses).tolist(), strict=True):
        while len(hull) > 1 and _turn(hull[-2], hull[-1], (q, h)) <= 0.0:
            hull.pop()
        hull.append((q, h))
    lines = []
    for (q1, h1), (q2, h2) in pairwise(hull):
        slope = sign * (h2 - h1) / (q2 - q1)
        lines.append((slope, sign * h1 - slope * q1))
    if len(lines) <= _MOST_LINES:
        return lines
    return [lines[round(i * (len(lines) - 1) / (_MOST_LINES - 1))] for i in range(_MOST_LINES)]


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def _padded(lines: Sequence[list[tuple[float, float]]]) -> _Lines:
    """Return lists of lines as arrays; a shorter list repeats its last line."""
    width = max(map(len, lines))
    full = np.array([[*each, *[each[-1]] * (width - len(each))] for each in lines])
    return _Lines(full[:, :, 0], full[:, :, 1])


@dataclass(frozen=True)
class RunCurve:
    """One alternative of a table."""

    table: CurveTable
    index: int

    def loss_m(self, flow_m3_s: float) -> float:
        return float(self.table.losses_m(flow_m3_s)[self.index])

    def envelope(self, low_m3_s: float, high_m3_s: float) -> Envelope:
        under, over = self.table.lines(low_m3_s, high_m3_s)
        return Envelope(under.of(self.index), over.of(self.index))


@dataclass
class PumpGain:
    """Minus the head that the pumps of a run add at their speeds: a curve that rises with flow."""

    pumps: tuple[tuple[PumpCurve, float], ...]
    _memo: dict[tuple[float, float], Envelope] = field(default_factory=dict)

    def loss_m(self, flow_m3_s: float) -> float:
        return -sum(curve.head_and_slope(flow_m3_s, speed)[0] for curve, speed in self.pumps)

    def envelope(self, low_m3_s: float, high_m3_s: float) -> Envelope:
        if (low_m3_s, high_m3_s) not in self._memo:
            self._memo[low_m3_s, high_m3_s] = self._enclose(low_m3_s, high_m3_s)
        return self._memo[low_m3_s, high_m3_s]

    def _enclose(self, low: float, high: float) -> Envelope:
        if high - low <= _HAIR_M3_S:
            return Envelope((Line(0.0, self.loss_m(low)),), (Line(0.0, self.loss_m(high)),))
        flows = np.linspace(low, high, 2 * _SAMPLES)
        losses = np.array([[self.loss_m(float(q)) for q in flows]])
        margin = chord_margin(losses)[0]
        under, over = _hull(flows, losses[0] - margin, upper=False), _hull(flows, losses[0] + margin, upper=True)
        return Envelope(tuple(Line(*line) for line in under), tuple(Line(*line) for line in over))
