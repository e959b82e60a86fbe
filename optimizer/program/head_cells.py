"""Heads in a tree → cells of one height: which of them a source gives, a way takes, and a tee moves on to."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from optimizer.program.head_tree import BoxTree, Floats, Ints, RunTable

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
