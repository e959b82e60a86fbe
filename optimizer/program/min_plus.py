"""Tables of costs by head cell: the least within windows, where `inf` stands for none."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def slid(rows: Floats, at: Ints, first: Ints, last: Ints, count: int) -> Floats:
    """Return out[k, h] = least of rows[at[k], h + first[k] .. h + last[k]] for so many h from 0; no window is empty."""
    n = rows.shape[1]
    first, last = np.clip(first, -count, n), np.clip(last, -count, n)
    wide = -int(first.min(initial=0))
    width = wide + max(n, count + int(last.max(initial=0)))
    level = np.full((len(rows), width), math.inf)
    level[:, wide : wide + n] = rows
    power, starts = _power(first, last), at * width + first + wide
    ends = starts + (last - first + 1)
    # every row of so many cells that follow each other in memory
    shape = max(0, level.size - count + 1), count
    spans = np.ndarray(shape, level.dtype, level, 0, (level.itemsize, level.itemsize))
    out = np.empty((len(at), count))
    for p in range(int(power.max(initial=0)) + 1):
        if p:
            half = 2 ** (p - 1)
            np.minimum(level[:, :-half], level[:, half:], out=level[:, :-half])
        own = np.flatnonzero(power == p)
        if len(own):
            found = spans[starts[own]]
            out[own] = np.minimum(found, spans[ends[own] - 2**p], out=found) if p else found
    return out


def least_in(rows: Floats, at: Ints, first: Ints, last: Ints) -> Floats:
    """Return the least of rows[at[k], first[k] .. last[k]], endless where that is empty, for many windows."""
    n = rows.shape[1]
    first, last = np.maximum(first, 0), np.minimum(last, n - 1)
    out = np.full(len(at), math.inf)
    some = np.flatnonzero(first <= last)
    at, first, last = at[some], first[some], last[some]
    power, level = _power(first, last), rows
    for p in range(int(power.max(initial=0)) + 1):
        own = power == p
        out[some[own]] = np.minimum(level[at[own], first[own]], level[at[own], last[own] - 2**p + 1])
        level = np.minimum(level[:, : -(2**p)], level[:, 2**p :])
    return out


def least_over(values: Floats, at: Ints, first: Ints, last: Ints, shape: tuple[int, int]) -> Floats:
    """Return for each cell of so many rows the least of all values whose window, from first to last there, holds it."""
    n = shape[1]
    out: Floats = np.full((max(1, n.bit_length()), *shape), math.inf)
    keep = (first <= last) & (last >= 0) & (first < n)
    at, values = at[keep], values[keep]
    first, last = np.maximum(first[keep], 0), np.minimum(last[keep], n - 1)
    power = _power(first, last)
    np.minimum.at(out, (power, at, first), values)
    np.minimum.at(out, (power, at, last - 2**power + 1), values)
    for p in range(len(out) - 1, 0, -1):
        half = 2 ** (p - 1)
        np.minimum(out[p - 1], out[p], out=out[p - 1])
        np.minimum(out[p - 1, :, half:], out[p, :, : n - half], out=out[p - 1, :, half:])
    return np.asarray(out[0])


def lower(table: Floats, at: Ints, rows: Floats) -> None:
    """Lower the rows of a table to these where they are less; best of all if those of one row stand together."""
    if not len(at):
        return
    starts = np.flatnonzero(np.append(True, at[1:] != at[:-1]))
    for row, least in zip(at[starts].tolist(), np.minimum.reduceat(rows, starts, axis=0), strict=True):
        np.minimum(table[row], least, out=table[row])


def _power(first: Ints, last: Ints) -> Ints:
    """Return which power of two is the longest that fits into a window: two spans of it make it up."""
    return np.asarray(np.log2(last - first + 1 + 1e-12).astype(np.int64))
