"""Heads in a tree → cells of one height: which of them a source gives, a way takes, and a tee moves on to."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from optimizer.program.head_tree import BoxTree, Floats, Ints, Parting, RunTable
from optimizer.program.problem import State

HAIR = 1e-9  # of a head cell: rounding must cut nothing off


@dataclass(frozen=True)
class HeadCells:
    """The head cells of one tree: so many of one height, from a head on. What feeds another one may lie far above."""

    low_m: float
    width_m: float
    count: int

    @classmethod
    def of(cls, tree: BoxTree, source: str, width_m: float) -> HeadCells:
        low_m, high_m = head_range(tree, source)
        return cls(low_m, width_m, max(1, math.ceil((high_m - low_m) / width_m)))

    @property
    def edges_m(self) -> Floats:
        edges: Floats = self.low_m + self.width_m * np.arange(self.count + 1, dtype=np.float64)
        return edges

    def mask(self, low_m: Floats, high_m: Floats) -> Floats:
        """Return 0 in the head cells between two heads by flow cell, endless elsewhere."""
        first = np.clip(np.floor((low_m - self.low_m) / self.width_m - HAIR), -1, self.count).astype(int)
        last = np.clip(np.floor((high_m - self.low_m) / self.width_m + HAIR), -1, self.count).astype(int)
        at = np.arange(self.count)[None, :]
        return np.where((at >= first[:, None]) & (at <= last[:, None]), 0.0, math.inf)

    def between(self, low_m: float, high_m: float) -> range:
        """Return the cells that hold some head between two, the first of all where none does."""
        edges = self.edges_m
        held = np.flatnonzero((edges[1:] >= low_m - HAIR) & (edges[:-1] <= high_m + HAIR))
        return range(int(held[0]), int(held[-1]) + 1) if len(held) else range(1)

    def shift(self, low_m: Floats, high_m: Floats) -> tuple[Ints, Ints]:
        """Return which head cells a leaving run can have, counted from that at the end of the feeding run."""
        first = np.floor(-high_m / self.width_m - HAIR).astype(np.int64)
        last = np.floor(-low_m / self.width_m + HAIR).astype(np.int64) + 1
        return first, last

    def windows(self, run: RunTable, base_m: tuple[float, float] | None) -> tuple[Ints, Ints]:
        """Return by how many head cells each way lifts, at least and at most, or from `base_m` which cells it takes.

        Both by flow cell and way, (n_cells, n_ways).
        """
        low, high = run.losses_m[:-1], run.losses_m[1:]
        if base_m is not None:
            low, high = low + (base_m[0] - self.low_m), high + (base_m[1] - self.low_m)
        first = np.floor(low / self.width_m - HAIR).astype(np.int64)
        last = np.floor(high / self.width_m + HAIR).astype(np.int64) + (0 if base_m is not None else 1)
        edges, n = run.edges_m3_s[:, None], self.count
        last = np.where(run.valved & (edges[1:] > 0.0), n, last)
        first = np.where(run.valved & (edges[:-1] < 0.0), -n, first)  # a valve takes head in the direction of the flow
        if run.one_way:
            first = np.where((edges[:-1] <= 0.0) & (edges[1:] >= 0.0), -n, first)
        return np.clip(first, -n, n), np.clip(last, -n, n)


class FittingCells(NamedTuple):
    """The fittings of a tee as arrays, (n_fittings,) each.

    Of either leaving run `states` has what there are and which of them each fitting has, `shifts` which head cells it
    can have by its and the other's flow cells, as of `HeadCells.shift`.
    """

    cents: Floats
    inlet: Ints
    states: list[tuple[list[State], Ints]]
    shifts: list[tuple[Ints, Ints]]

    @classmethod
    def of(cls, parting: Parting, heads: HeadCells) -> FittingCells:
        found = parting.fittings
        cents, inlet = np.array([float(each.cents) for each in found]), np.array([each.inlet for each in found])
        states, shifts = [], list[tuple[Ints, Ints]]()
        for side in (0, 1):
            known, at = np.unique([each.states[side] for each in found], return_inverse=True)
            states.append((known.tolist(), at))
            low, high = (np.array([each.drops_m[side][end] for each in found]) for end in (0, 1))
            shifts.append(heads.shift(low, high))
        return cls(cents, inlet.astype(np.int64), states, shifts)


def common(some: range, others: range) -> range:
    """Return the cells of the first that are among the others, one that is not where none is."""
    start = min(max(some.start, others.start), some.stop - 1)
    return range(start, max(start + 1, min(some.stop, others.stop)))


def live(cells: range, table: Floats) -> tuple[range, Floats]:
    """Return a table and its head cells without those at either end that nothing is possible in."""
    live = np.flatnonzero(np.isfinite(table).any(axis=0))
    low, high = (int(live[0]), int(live[-1]) + 1) if len(live) else (0, 1)
    return range(cells.start + low, cells.start + high), table[:, low:high]


def summed_cells(inlet: RunTable, one: RunTable, other: RunTable) -> tuple[Ints, Ints]:
    """Return from which flow cell of the feeding run to before which the sums of two cells of the others meet it."""
    hair = 1e-9 * max(1e-6, float(np.abs(inlet.edges_m3_s).max()))
    low = one.edges_m3_s[:-1, None] + other.edges_m3_s[None, :-1] - hair
    high = one.edges_m3_s[1:, None] + other.edges_m3_s[None, 1:] + hair
    first = np.searchsorted(inlet.edges_m3_s[1:], low, side="left")
    return first, np.searchsorted(inlet.edges_m3_s[:-1], high, side="right")


def head_range(tree: BoxTree, source: str) -> tuple[float, float]:
    """Return between which heads all inlets of a tree lie: what is fed and leaves, what tees and flows back give."""
    names = tree.behind(source)
    partings = [tree.partings[name] for name in names if name in tree.partings]
    gains = sum(
        max(0.0, -min(float(low.min()) for f in parting.fittings for low, _ in f.drops_m))
        for parting in partings
        if parting.fittings
    )
    gains -= sum(float(tree.runs[name].losses_m[0].min(initial=0.0)) for name in names if name in tree.partings)
    high = max(float(setting.heads_m[source][1].max()) for setting in tree.settings)
    leaves = [(name, tree.leaves_m[name][0]) for name in names if name in tree.leaves_m]
    low = min((head + float(tree.runs[name].losses_m[0].min(initial=0.0)) for name, head in leaves), default=high)
    return low - gains - HAIR, high + gains + HAIR
