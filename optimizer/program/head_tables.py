"""The least cost of all that lies behind the inlet of a run, by flow and head there: tables over cells, for trees.

A plan of a tree whose flows are not known is a flow and a head at the inlet of every run. Both are cut into cells: a
table holds, for every cell of flow, cell of head and end state of a run, the least cents of all choices behind it that
can have some flow and some head of these cells. Flows of two cells add up to all sums of theirs, a loss lies anywhere
between those at the ends of its cell, a valve may take any head more. So no true plan is left out, and the least entry
at the source is a bound; the narrower the cells, the nearer it is. The same tables read from the source outwards tell
what a plan costs at least through every choice and every cell.

All SI; money in whole cents, as floats so that "none" is endless.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from optimizer.clock import look
from optimizer.program.head_tree import BoxTree, Fitting, RunTable, Traced
from optimizer.program.min_plus import added, between, least_in, least_over, spread, taken
from optimizer.program.problem import State

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Window = tuple[int, int]
_HAIR = 1e-9  # of a head cell: rounding must cut nothing off


@dataclass
class HeadTables:
    """The tables of a tree in a box; entries that cost `limit` cents or more count as none."""

    tree: BoxTree
    width_m: float
    limit: float
    bound: float = field(init=False, default=math.inf)
    inlets: dict[str, dict[State, Floats]] = field(init=False, default_factory=dict)  # (n_cells, n_heads) each
    outlets: dict[str, dict[State, Floats]] = field(init=False, default_factory=dict)  # at the run's end, before a tee
    way_costs: dict[str, Floats] = field(init=False, default_factory=dict)
    tee_costs: dict[str, Floats] = field(init=False, default_factory=dict)
    setting_costs: Floats = field(init=False)
    cell_costs: dict[str, Floats] = field(init=False, default_factory=dict)
    heads_m: dict[str, tuple[float, float]] = field(init=False, default_factory=dict)  # of plans below the limit

    def __post_init__(self) -> None:
        self.low_m, high_m = head_range(self.tree)
        self.n_heads = max(1, math.ceil((high_m - self.low_m) / self.width_m))
        for name in _inwards(self.tree):
            look()
            self._fill(name)
        self.bound = float(min((self._fed(s).min() for s in range(len(self.tree.settings))), default=math.inf))

    def _fed(self, setting: int) -> Floats:
        """Return what all costs at least by the source's flow and head cells, where a setting gives that head."""
        source, given = self.tree.source, self.tree.settings[setting]
        fed = self._mask(given.low_m, given.high_m) + given.cents
        states = self.inlets[source].values()
        best = np.minimum.reduce(list(states)) if states else np.full_like(fed, math.inf)
        return fed + best

    def _mask(self, low_m: Floats, high_m: Floats) -> Floats:
        """Return 0 in the head cells between two heads by flow cell, endless elsewhere."""
        first = np.clip(np.floor((low_m - self.low_m) / self.width_m - _HAIR), -1, self.n_heads).astype(int)
        last = np.clip(np.floor((high_m - self.low_m) / self.width_m + _HAIR), -1, self.n_heads).astype(int)
        at = np.arange(self.n_heads)[None, :]
        return np.where((at >= first[:, None]) & (at <= last[:, None]), 0.0, math.inf)

    def _windows(self, run: RunTable, cell: int, base_m: tuple[float, float] | None) -> tuple[Ints, Ints]:
        """Return by how many head cells each way lifts, at least and at most; from `base_m`, which cells it takes."""
        low, high = run.losses_m[cell], run.losses_m[cell + 1]
        if base_m is not None:
            low, high = low + (base_m[0] - self.low_m), high + (base_m[1] - self.low_m)
        first = np.floor(low / self.width_m - _HAIR).astype(np.int64)
        last = np.floor(high / self.width_m + _HAIR).astype(np.int64) + (0 if base_m is not None else 1)
        if run.edges_m3_s[cell + 1] > 0.0:
            last = np.where(run.valved, self.n_heads, last)
        if run.edges_m3_s[cell] < 0.0:  # a valve takes head in the direction of the flow
            first = np.where(run.valved, -self.n_heads, first)
        if run.one_way and run.edges_m3_s[cell] <= 0.0 <= run.edges_m3_s[cell + 1]:
            first = np.full_like(first, -self.n_heads)
        return first, last

    def _offsets(self, first: Ints, last: Ints, cents: Floats) -> Floats:
        """Return the least cents by offset, from -n_heads to n_heads."""
        n = self.n_heads
        return least_over(cents, first + n, last + n, 2 * n + 1)

    def _fill(self, name: str) -> None:
        run = self.tree.runs[name]
        if name in self.tree.partings:
            self.outlets[name] = self._parted(name)
        found: dict[State, Floats] = {}
        for cell, start, end, picks in _groups(run):
            table = found.setdefault(start, np.full((run.n_cells, self.n_heads), math.inf))
            if name in self.tree.partings:
                behind = self.outlets[name].get(end)
                if behind is None or not np.isfinite(behind[cell]).any():
                    continue
                first, last = self._windows(run, cell, None)
                lifts = self._offsets(first[picks], last[picks], run.cents[picks])
                reached = added(behind[cell], lifts)
            else:
                first, last = self._windows(run, cell, self.tree.leaves_m[name])
                reached = self._offsets(first[picks], last[picks], run.cents[picks])[self.n_heads : -1]
            np.minimum(table[cell], reached, out=table[cell])
        low, high = self.tree.heads_m.get(name, (-math.inf, math.inf))
        edges = self.low_m + self.width_m * np.arange(self.n_heads + 1)
        out = (edges[1:] < low - _HAIR) | (edges[:-1] > high + _HAIR)
        for table in found.values():
            table[table >= self.limit] = math.inf
            table[:, out] = math.inf
        self.inlets[name] = found

    def _parted(self, name: str) -> dict[State, Floats]:
        """Return the table at the end of a run that is parted: both leaving runs together, with the fitting."""
        found: dict[State, Floats] = {}
        n = self.tree.runs[name].n_cells
        for _, fitting, _, cells, one, other in self._pairs(name):
            table = found.setdefault(fitting.inlet, np.full((n, self.n_heads), math.inf))
            both = one + other + fitting.cents
            for cell in cells:
                np.minimum(table[cell], both, out=table[cell])
        return found

    def _pairs(self, name: str) -> Iterator[tuple[int, Fitting, tuple[int, int], range, Floats, Floats]]:
        """Yield every fitting with every pair of flow cells that it can part the water into, and what these cost.

        The costs are by the head cell at the end of the feeding run.
        """
        parting, runs = self.tree.partings[name], self.tree.runs
        a, b = parting.leaving
        sums = _summed_cells(runs[name], runs[a], runs[b])
        for k, fitting in enumerate(parting.fittings):
            first, second = (self.inlets[r].get(s) for r, s in zip(parting.leaving, fitting.states, strict=True))
            if first is None or second is None:
                continue
            least = [first.min(axis=1), second.min(axis=1)]
            windows = [self._shift(low, high) for low, high in fitting.drops_m]
            memo: dict[tuple[int, int, int, int], Floats] = {}
            for i, j in np.argwhere(least[0][:, None] + least[1][None, :] + fitting.cents < self.limit).tolist():
                cells = sums[i][j]
                if cells:
                    one = _slid(first, i, windows[0], i, j, 0, memo)
                    other = _slid(second, j, windows[1], i, j, 1, memo)
                    yield k, fitting, (i, j), cells, one, other

    def _shift(self, low_m: Floats, high_m: Floats) -> tuple[Ints, Ints]:
        """Return which head cells a leaving run can have, counted from that at the end of the feeding run."""
        first = np.floor(-high_m / self.width_m - _HAIR).astype(np.int64)
        last = np.floor(-low_m / self.width_m + _HAIR).astype(np.int64) + 1
        return first, last

    def read_outwards(self) -> None:
        """Note what a plan costs at least through every way, fitting, setting and flow cell of the box."""
        source = self.tree.source
        self.setting_costs = np.array([self._fed(s).min() for s in range(len(self.tree.settings))])
        given = [self._mask(s.low_m, s.high_m) + s.cents for s in self.tree.settings]
        fed: Floats = np.minimum.reduce(given)
        outside: dict[str, dict[State, Floats]] = {source: dict.fromkeys(self.inlets[source], fed)}
        for name in reversed(list(_inwards(self.tree))):
            look()
            self._read_run(name, outside)
            if name in self.tree.partings:
                self._read_tee(name, outside)

    def _read_run(self, name: str, outside: dict[str, dict[State, Floats]]) -> None:
        """Note the ways and cells of a run; what is outside of its end replaces what is outside of its start."""
        run, there = self.tree.runs[name], outside.pop(name, {})
        costs = self.way_costs[name] = np.full(len(run.cents), math.inf)
        cells = self.cell_costs[name] = np.full(run.n_cells, math.inf)
        self._note_heads(name, there)
        ends: dict[State, Floats] = {}
        for cell, start, end, picks in _groups(run):
            if start not in there or not np.isfinite(there[start][cell]).any():
                continue
            before = there[start][cell]
            if name in self.tree.partings:
                behind = self.outlets[name].get(end)
                if behind is None:
                    continue
                first, last = self._windows(run, cell, None)
                lifted = between(before, behind[cell])
                lifts = self._offsets(first[picks], last[picks], run.cents[picks])
                table = ends.setdefault(end, np.full((run.n_cells, self.n_heads), math.inf))
                np.minimum(table[cell], taken(before, lifts), out=table[cell])
            else:
                first, last = self._windows(run, cell, self.tree.leaves_m[name])
                lifted = np.concatenate([np.full(self.n_heads, math.inf), before, [math.inf]])
            through = run.cents[picks] + least_in(lifted, first[picks] + self.n_heads, last[picks] + self.n_heads)
            costs[picks] = np.minimum(costs[picks], through)
            cells[cell] = min(cells[cell], float(through.min()))
        outside[name] = ends

    def _note_heads(self, name: str, there: Mapping[State, Floats]) -> None:
        """Note between which heads the inlet of a run lies in plans below the limit."""
        live = np.zeros(self.n_heads, dtype=bool)
        for state, before in there.items():
            if state in self.inlets[name]:
                live |= (before + self.inlets[name][state] < self.limit).any(axis=0)
        at = np.flatnonzero(live)
        if len(at):
            low, high = self.low_m + self.width_m * at[0], self.low_m + self.width_m * (at[-1] + 1)
            self.heads_m[name] = (float(low), float(high))

    def _read_tee(self, name: str, outside: dict[str, dict[State, Floats]]) -> None:
        parting, there = self.tree.partings[name], outside.pop(name)
        costs = self.tee_costs[parting.point] = np.full(len(parting.fittings), math.inf)
        for run in parting.leaving:
            outside[run] = {}
        for k, fitting, (i, j), cells, one, other in self._pairs(name):
            if fitting.inlet not in there:
                continue
            before = np.minimum.reduce([there[fitting.inlet][cell] for cell in cells]) + fitting.cents
            least = float((before + one + other).min())
            costs[k] = min(costs[k], least)
            if not least < self.limit:
                continue
            for run, at, left, (low, high), state in zip(
                parting.leaving, (i, j), (before + other, before + one), fitting.drops_m, fitting.states, strict=True
            ):
                shape = (self.tree.runs[run].n_cells, self.n_heads)
                table = outside[run].setdefault(state, np.full(shape, math.inf))
                first, last = self._shift(low[i, j], high[i, j])
                np.minimum(table[at], spread(left, int(first), int(last)), out=table[at])

    def traced(self) -> Traced:
        """Return a combination that the bound stands for."""
        fed = [self._fed(s) for s in range(len(self.tree.settings))]
        setting = int(np.argmin([table.min() for table in fed]))
        cell, head = map(int, np.unravel_index(int(np.argmin(fed[setting])), fed[setting].shape))
        source = self.tree.source
        state = min(self.inlets[source], key=lambda s: self.inlets[source][s][cell, head])
        runs: dict[str, int] = {}
        tees: dict[str, int] = {}
        flow_cells: dict[str, int] = {}
        waiting = [(source, state, cell, head)]
        while waiting:
            name, state, cell, head = waiting.pop()
            flow_cells[name] = cell
            runs[name], end, there = self._way_at(name, state, cell, head)
            if name in self.tree.partings:
                tees[self.tree.partings[name].point], leaving = self._fitting_at(name, end, cell, there)
                waiting += leaving
        return Traced(runs, tees, setting, flow_cells)

    def _way_at(self, name: str, state: State, cell: int, head: int) -> tuple[int, State, int]:
        """Return a cheapest way at a cell of a run's inlet, its end state, and the head cell at its end."""
        run = self.tree.runs[name]
        best: tuple[float, int, State, int] = (math.inf, 0, 0, 0)
        for at, start, end, picks in _groups(run):
            if at != cell or start != state:
                continue
            inner = name in self.tree.partings
            first, last = self._windows(run, cell, None if inner else self.tree.leaves_m[name])
            for k in picks.tolist():
                if not inner:
                    if first[k] <= head <= last[k] and run.cents[k] < best[0]:
                        best = (float(run.cents[k]), k, end, 0)
                    continue
                behind = self.outlets[name].get(end)
                low, high = max(0, head - int(last[k])), min(self.n_heads - 1, head - int(first[k]))
                if behind is not None and low <= high:
                    there = low + int(np.argmin(behind[cell, low : high + 1]))
                    cents = float(run.cents[k] + behind[cell, there])
                    best = min(best, (cents, k, end, there))
        return best[1], best[2], best[3]

    def _fitting_at(
        self, name: str, state: State, cell: int, head: int
    ) -> tuple[int, list[tuple[str, State, int, int]]]:
        """Return a cheapest fitting at a cell of a run's end, and where it leaves the runs behind it."""
        parting = self.tree.partings[name]
        pairs = (pair for pair in self._pairs(name) if pair[1].inlet == state and cell in pair[3])
        k, fitting, (i, j), *_ = min(pairs, key=lambda pair: float(pair[4][head] + pair[5][head]) + pair[1].cents)
        leaving = []
        for run, at, own, (low, high) in zip(parting.leaving, (i, j), fitting.states, fitting.drops_m, strict=True):
            first, last = self._shift(low[i, j], high[i, j])
            bottom, top = max(0, head + int(first)), min(self.n_heads - 1, head + int(last))
            there = bottom + int(np.argmin(self.inlets[run][own][at, bottom : top + 1]))
            leaving.append((run, own, at, there))
        return k, leaving


def _groups(run: RunTable) -> Iterator[tuple[int, State, State, Ints]]:
    """Yield the ways of a run that may be used in a flow cell, by their end states."""
    pairs = list(dict.fromkeys(zip(run.starts.tolist(), run.ends.tolist(), strict=True)))
    for cell in range(run.n_cells):
        for start, end in pairs:
            picks = np.flatnonzero(run.usable[cell] & (run.starts == start) & (run.ends == end))
            if len(picks):
                yield cell, start, end, picks


def _inwards(tree: BoxTree) -> Sequence[str]:
    """Return the runs from the leaves to the source."""
    order, waiting = [], [tree.source]
    while waiting:
        name = waiting.pop()
        order.append(name)
        if name in tree.partings:
            waiting += tree.partings[name].leaving
    return order[::-1]


def head_range(tree: BoxTree) -> tuple[float, float]:
    """Return between which heads all inlets lie: what is fed in and what leaves, what tees and flow backwards give."""
    gains = sum(
        max(0.0, -min(float(low.min()) for f in parting.fittings for low, _ in f.drops_m))
        for parting in tree.partings.values()
        if parting.fittings
    )
    gains -= sum(float(tree.runs[name].losses_m[0].min(initial=0.0)) for name in tree.partings)
    high = max(float(setting.high_m.max()) for setting in tree.settings)
    low = min(head + float(tree.runs[name].losses_m[0].min(initial=0.0)) for name, (head, _) in tree.leaves_m.items())
    return low - gains - _HAIR, high + gains + _HAIR


def _summed_cells(inlet: RunTable, one: RunTable, other: RunTable) -> list[list[range]]:
    """Return the flow cells of the feeding run that the sums of two cells of the leaving runs meet."""
    hair = 1e-9 * max(1e-6, float(np.abs(inlet.edges_m3_s).max()))
    low = one.edges_m3_s[:-1, None] + other.edges_m3_s[None, :-1] - hair
    high = one.edges_m3_s[1:, None] + other.edges_m3_s[None, 1:] + hair
    first = np.searchsorted(inlet.edges_m3_s[1:], low, side="left")
    last = np.searchsorted(inlet.edges_m3_s[:-1], high, side="right")
    return [
        [range(a, b) for a, b in zip(x, y, strict=True)] for x, y in zip(first.tolist(), last.tolist(), strict=True)
    ]


def _slid(
    table: Floats,
    cell: int,
    windows: tuple[Ints, Ints],
    i: int,
    j: int,
    side: int,
    memo: dict[tuple[int, int, int, int], Floats],
) -> Floats:
    """Return out[h] = least of table[cell, h + first .. h + last]."""
    first, last = int(windows[0][i, j]), int(windows[1][i, j])
    key = (side, cell, first, last)
    if key not in memo:
        memo[key] = spread(table[cell], -last, -first)
    return memo[key]
