"""The flows of a riser with two branches, or with a ring in it, for very many plumbings at once, by Newton's method.

What a run loses is told at a row of flows and read between them; tees are those of Crane TP 410 (2009), pp. 2-14 to
2-16. Written anew here: nothing of the package is used. A plumbing whose water turns round is told as no number.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from own_losses import G
from own_shelf import Row
from random_systems import M3_S_PER_L_H
from scipy.interpolate import CubicSpline

Floats = npt.NDArray[np.float64]
GRID_L_H = np.geomspace(60.0, 7000.0, 40)
GRID_M3_S = tuple(float(q) * M3_S_PER_L_H for q in GRID_L_H)
_LEAST, _MOST = GRID_M3_S[0], GRID_M3_S[-1]
_STEPS, _CLOSE = 60, 1e-9


@dataclass(frozen=True)
class Curves:
    """What each of many ways of a run loses: a smooth curve of loss over flow squared in the logarithm of the flow."""

    spline: CubicSpline

    @staticmethod
    def of(losses_m: Floats) -> Curves:
        """`losses_m`: shape (ways, flows of the grid)."""
        squares = losses_m / np.square(GRID_M3_S)
        return Curves(CubicSpline(np.log(GRID_M3_S), squares, axis=1))

    def at(self, ways: npt.NDArray[np.intp], flows: Floats) -> Floats:
        """Return what way `ways[i]` loses at `flows[i]` [m]."""
        places = np.clip(np.searchsorted(self.spline.x, np.log(flows)) - 1, 0, len(self.spline.x) - 2)
        off = np.log(flows) - self.spline.x[places]
        a, b, c, d = (self.spline.c[k][places, ways] for k in range(4))
        return (((a * off + b) * off + c) * off + d) * flows * flows


def dividing_m(row: Row, through: Floats, aside: Floats) -> tuple[Floats, Floats]:
    """Return the head lost (to the far run leg, to the branch) where what comes in by a run leg divides [m].

    K = 2 (2 r - 1) r² along the run up to r = 0.5 and 0.3 (2 r - 1) r² above, of the branch's share r; into the branch
    G (1 + 0.3 r²) with G = 1 + 0.3 r² (β² = 1). Of a tee of one size alone.
    """
    assert len(set(row.bores_m)) == 1
    r = aside / (through + aside)
    head = np.square((through + aside) / (math.pi * row.bores_m[0] ** 2 / 4.0)) / (2.0 * G)
    along = np.where(r <= 0.5, 2.0, 0.3) * (2.0 * r - 1.0) * r * r
    return along * head, np.square(1.0 + 0.3 * r * r) * head


def combining_m(row: Row, along: Floats, joining: Floats) -> tuple[Floats, Floats]:
    """Return the head lost (along the run, from the branch) where both flow out of the far run leg [m].

    K = 1.55 r - r² along the run; C (1 + (r / β²)² - 2 (1 - r)²) from the branch, C 0.9 (1 - r) up to r = 0.4 and 0.55
    above (β² > 0.35), of the branch's share r. Of a tee of one size alone. Below a tenth the handbook's C runs up to 1.
    """
    assert len(set(row.bores_m)) == 1
    whole = along + joining
    r = joining / whole
    u = np.minimum(r / 0.1, 1.0)
    c = np.maximum(0.9 * (1.0 - r), 0.55) + 0.1 * (1.0 - u * u * (3.0 - 2.0 * u))
    head = np.square(whole / (math.pi * row.bores_m[0] ** 2 / 4.0)) / (2.0 * G)
    return r * (1.55 - r) * head, c * (1.0 + r * r - 2.0 * np.square(1.0 - r)) * head


def solved(residuals: Callable[[Floats, Floats], tuple[Floats, Floats]], count: int) -> tuple[Floats, Floats]:
    """Return the two flows [m³/s] at which both residuals [m] are nothing, NaN where they are not found.

    Residuals are heads left over at the ends of the two ways of the water; they fall as both flows rise.
    """
    first, second = np.full(count, 900.0 * M3_S_PER_L_H), np.full(count, 900.0 * M3_S_PER_L_H)
    done = np.zeros(count, dtype=bool)
    for _ in range(_STEPS):
        a, b = residuals(first, second)
        done = (np.abs(a) < _CLOSE) & (np.abs(b) < _CLOSE)
        if done.all():
            break
        step = 1e-5
        a1, b1 = residuals(first * (1.0 + step), second)
        a2, b2 = residuals(first, second * (1.0 + step))
        ja1, jb1, ja2, jb2 = (a1 - a) / step, (b1 - b) / step, (a2 - a) / step, (b2 - b) / step
        det = ja1 * jb2 - ja2 * jb1
        det = np.where(np.abs(det) < 1e-18, -1e-18, det)
        u = np.clip((b * ja2 - a * jb2) / det, -0.6, 0.6)
        v = np.clip((a * jb1 - b * ja1) / det, -0.6, 0.6)
        first = np.clip(first * np.exp(u), _LEAST, _MOST)
        second = np.clip(second * np.exp(v), _LEAST, _MOST)
    bad = ~done
    return np.where(bad, math.nan, first), np.where(bad, math.nan, second)
