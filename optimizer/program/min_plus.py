"""Rows of costs by head cell: the least of sums and of windows, where `inf` stands for none."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def added(behind: Floats, lifts: Floats) -> Floats:
    """Return out[j] = least of behind[j - o] + lifts[o], with lifts from -n to n."""
    n = len(behind)
    out = np.full(n, math.inf)
    finite = np.flatnonzero(np.isfinite(behind))
    if not len(finite):
        return out
    first, last = int(finite[0]), int(finite[-1]) + 1
    offsets = np.flatnonzero(np.isfinite(lifts))
    for o, cents in zip((offsets - n).tolist(), lifts[offsets].tolist(), strict=True):
        a, b = max(first + o, 0), min(last + o, n)
        if a < b:
            np.minimum(out[a:b], behind[a - o : b - o] + cents, out=out[a:b])
    return out


def taken(before: Floats, lifts: Floats) -> Floats:
    """Return out[j] = least of before[j + o] + lifts[o]."""
    return added(before, lifts[::-1])


def between(before: Floats, behind: Floats) -> Floats:
    """Return out[o] = least of before[j + o] + behind[j], o from -n to n."""
    n = len(before)
    out = np.full(2 * n + 1, math.inf)
    finite = np.flatnonzero(np.isfinite(before))
    if not len(finite):
        return out
    first, last = int(finite[0]), int(finite[-1]) + 1
    there = before[first:last]
    for j in np.flatnonzero(np.isfinite(behind)).tolist():
        at = slice(n - j + first, n - j + last)
        np.minimum(out[at], there + behind[j], out=out[at])
    return out


def least_in(values: Floats, first: Ints, last: Ints) -> Floats:
    """Return the least of values[first..last], endless where that is empty, for many windows."""
    first, last = np.maximum(first, 0), np.minimum(last, len(values) - 1)
    empty = first > last
    first, last = np.where(empty, 0, first), np.where(empty, 0, last)
    levels = [values]
    while 2 ** len(levels) <= len(values):
        half, above = 2 ** (len(levels) - 1), levels[-1]
        levels.append(np.minimum(above[: len(above) - half], above[half:]))
    power = np.log2(last - first + 1 + 1e-12).astype(int)
    out = np.empty(len(first))
    for p in np.unique(power):
        at = power == p
        out[at] = np.minimum(levels[p][first[at]], levels[p][last[at] - 2**p + 1])
    return np.where(empty, math.inf, out)


def spread(values: Floats, first: int, last: int) -> Floats:
    """Return out[h] = least of values[h - o] for o from first to last."""
    n = len(values)
    out = np.full(n, math.inf)
    for o in range(max(first, -n + 1), min(last, n - 1) + 1):
        if o >= 0:
            np.minimum(out[o:], values[: n - o], out=out[o:])
        else:
            np.minimum(out[:o], values[-o:], out=out[:o])
    return out
