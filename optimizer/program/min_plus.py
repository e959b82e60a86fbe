"""Rows of costs by head cell: the least of sums and of windows, where `inf` stands for none."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
_AT_ONCE = 500  # cells up to which all sums are made at once: with more that takes longer than one after the other


def added(behind: Floats, lifts: Floats) -> Floats:
    """Return out[j] = least of behind[j - o] + lifts[o], with lifts from -n to n."""
    n = len(behind)
    out = np.full(n, math.inf)
    finite = np.flatnonzero(np.isfinite(behind))
    if not len(finite):
        return out
    first, last = int(finite[0]), int(finite[-1]) + 1
    if n <= _AT_ONCE:
        return np.asarray((sliding_window_view(lifts, n)[1:-1, ::-1][:, first:last] + behind[first:last]).min(axis=1))
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
    if n <= _AT_ONCE:
        windows = sliding_window_view(np.concatenate([np.full(n, math.inf), before, np.full(n, math.inf)]), n)
        some = np.isfinite(behind)
        return np.asarray((windows[:, some] + behind[some]).min(axis=1, initial=math.inf))
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


def least_over(values: Floats, first: Ints, last: Ints, size: int) -> Floats:
    """Return for each of so many cells the least of all values whose window, from first to last, holds it."""
    out: Floats = np.full((max(1, size.bit_length()), size), math.inf)
    keep = (first <= last) & (last >= 0) & (first < size)
    first, last, values = np.maximum(first[keep], 0), np.minimum(last[keep], size - 1), values[keep]
    power = np.log2(last - first + 1 + 1e-12).astype(int)  # two spans of a power of two make up a window
    np.minimum.at(out, (power, first), values)
    np.minimum.at(out, (power, last - 2**power + 1), values)
    for p in range(len(out) - 1, 0, -1):
        half = 2 ** (p - 1)
        np.minimum(out[p - 1], out[p], out=out[p - 1])
        np.minimum(out[p - 1, half:], out[p, : size - half], out=out[p - 1, half:])
    return np.asarray(out[0])


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
