"""The least cost of all that lies behind the inlet of a run, by flow and head there: tables over cells, for trees.

A plan of a tree whose flows are not known is a flow and a head at the inlet of every run. Both are cut into cells: a
table holds, for every cell of flow, cell of head and end state of a run, the least cents of all choices behind it that
can have some flow and some head of these cells. Flows of two cells add up to all sums of theirs, a loss lies anywhere
between those at the ends of its cell, a valve may take any head more. So no true plan is left out, and the least entry
at the source is a bound; the narrower the cells, the nearer it is. The same tables read from the source outwards tell
what a plan costs at least through every choice and every cell. Of several trees each has its own tables and the costs
add up, the setting being one for all.

All SI; money in whole cents, as floats so that "none" is endless.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from optimizer.clock import look
from optimizer.program.head_cells import HAIR, HeadCells
from optimizer.program.head_tree import BoxTree, Fitting, Parting, RunTable, Traced
from optimizer.program.min_plus import least_in, least_over, lower, slid
from optimizer.program.problem import State

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Window = tuple[int, int]
_AT_ONCE = 500_000  # entries of tables that are made at once


class _Steps(NamedTuple):
    """The ways of a run in its flow cells, (cell, way, group) each, and what a group of those that lift alike has.

    That is the rows of the tables `before` and `behind` it, of so many cells for each of the `states` there, by how
    many head cells it lifts, and what its cheapest way costs. Groups are sorted by the rows.
    """

    cell: Ints
    way: Ints
    group: Ints
    states: tuple[list[State], list[State]]
    before: Ints
    behind: Ints
    first: Ints
    last: Ints
    cents: Floats


class _Pairs(NamedTuple):
    """Some pairs of flow cells that the fittings of a tee, by their numbers, can part the water into.

    `at` has the cells of the two leaving runs, `cells` from which cell of the feeding run to before which their sums
    lie; `one` and `other` what either costs by the head cell at the end of the feeding run, (n_pairs, n_heads).
    """

    fitting: Ints
    at: tuple[Ints, Ints]
    cells: tuple[Ints, Ints]
    one: Floats
    other: Floats


class _Fittings(NamedTuple):
    """The fittings of a tee as arrays, (n_fittings,) each; `states` of either leaving run."""

    cents: Floats
    inlet: Ints
    states: tuple[Ints, Ints]

    @classmethod
    def of(cls, fittings: Sequence[Fitting]) -> _Fittings:
        cents, inlet = np.array([float(each.cents) for each in fittings]), np.array([each.inlet for each in fittings])
        one, other = np.array([each.states for each in fittings], dtype=np.int64).reshape(-1, 2).T
        return cls(cents, inlet.astype(np.int64), (one, other))


@dataclass
class HeadTables:
    """The tables of trees in a box; entries that cost `limit` cents or more count as none.

    `widths_m` says for each source how high the head cells of its tree are [m].
    """

    tree: BoxTree
    widths_m: Mapping[str, float]
    limit: float
    bound: float = field(init=False, default=math.inf)
    inlets: dict[str, dict[State, Floats]] = field(init=False, default_factory=dict)  # (n_cells, n_heads) each
    outlets: dict[str, dict[State, Floats]] = field(init=False, default_factory=dict)  # at the run's end, before a tee
    way_costs: dict[str, Floats] = field(init=False, default_factory=dict)
    tee_costs: dict[str, Floats] = field(init=False, default_factory=dict)
    setting_costs: Floats = field(init=False)
    cell_costs: dict[str, Floats] = field(init=False, default_factory=dict)
    heads_m: dict[str, tuple[float, float]] = field(init=False, default_factory=dict)  # of plans below the limit
    _paired: dict[str, list[_Pairs]] = field(init=False, default_factory=dict)
    _stepped: dict[str, _Steps] = field(init=False, default_factory=dict)
    _heads: dict[str, HeadCells] = field(init=False, default_factory=dict)  # of the tree that a run is of

    def __post_init__(self) -> None:
        for source in self.tree.sources:
            heads = HeadCells.of(self.tree, source, self.widths_m[source])
            self._heads |= dict.fromkeys(self.tree.behind(source), heads)
        for name in _inwards(self.tree):
            look()
            self._fill(name)
        self.bound = min((self._with_setting(s) for s in range(len(self.tree.settings))), default=math.inf)

    def _with_setting(self, setting: int) -> float:
        """Return what all costs at least in a setting."""
        return self.tree.settings[setting].cents + sum(self._least_fed(setting, name) for name in self.tree.sources)

    def _least_fed(self, setting: int, source: str) -> float:
        return float(self._fed(setting, source).min())

    def _fed(self, setting: int, source: str) -> Floats:
        """Return what a tree costs at least by its source's flow and head cells, where a setting gives that head."""
        fed = self._heads[source].mask(*self.tree.settings[setting].heads_m[source])
        states = self.inlets[source].values()
        best = np.minimum.reduce(list(states)) if states else np.full_like(fed, math.inf)
        return fed + best

    def _windows(self, name: str) -> tuple[Ints, Ints]:
        base_m = None if name in self.tree.partings else self.tree.leaves_m[name]
        return self._heads[name].windows(self.tree.runs[name], base_m)

    def _steps(self, name: str) -> _Steps:
        """Return the ways of a run in the flow cells that they may be used in, those that lift alike together."""
        if name not in self._stepped:
            self._stepped[name] = self._all_steps(name)
        return self._stepped[name]

    def _all_steps(self, name: str) -> _Steps:
        run, n = self.tree.runs[name], self._heads[name].count
        first, last = self._windows(name)
        starts, ends = (np.unique(states, return_inverse=True) for states in (run.starts, run.ends))
        cell, way = np.nonzero(run.usable)
        before, behind = (at[way] * run.n_cells + cell for _, at in (starts, ends))
        key = (before * (len(ends[0]) * run.n_cells) + behind) * (2 * n + 1) + first[cell, way] + n
        key = key * (2 * n + 1) + last[cell, way] + n
        _, of_each, group = np.unique(key, return_index=True, return_inverse=True)
        cents = np.full(len(of_each), math.inf)
        np.minimum.at(cents, group, run.cents[way])
        windows = first[cell, way][of_each], last[cell, way][of_each]
        states = starts[0].tolist(), ends[0].tolist()
        return _Steps(cell, way, group, states, before[of_each], behind[of_each], *windows, cents)

    def _none(self, name: str) -> Floats:
        """Return a table of a run in which nothing is possible."""
        return np.full((self.tree.runs[name].n_cells, self._heads[name].count), math.inf)

    def _stacked(self, tables: Mapping[State, Floats], states: Sequence[State], name: str) -> Floats:
        """Return the tables of a run for these states below each other, endless where there is none."""
        none = self._none(name)
        return np.concatenate([tables.get(state, none) for state in states])

    def _fill(self, name: str) -> None:
        run, steps, heads = self.tree.runs[name], self._steps(name), self._heads[name]
        starts, ends = steps.states
        if name in self.tree.partings:
            self.outlets[name] = self._parted(name)
            behind = self._stacked(self.outlets[name], ends, name)
            table = np.full((len(starts) * run.n_cells, heads.count), math.inf)
            for at in _some(np.flatnonzero(np.isfinite(behind.min(axis=1))[steps.behind]), heads):
                reached = slid(behind, steps.behind[at], -steps.last[at], -steps.first[at]) + steps.cents[at][:, None]
                lower(table, steps.before[at], reached)
        else:
            shape = len(starts) * run.n_cells, heads.count
            table = least_over(steps.cents, steps.before, steps.first, steps.last, shape)
        low, high = self.tree.heads_m.get(name, (-math.inf, math.inf))
        edges = heads.edges_m
        table[table >= self.limit] = math.inf
        table[:, (edges[1:] < low - HAIR) | (edges[:-1] > high + HAIR)] = math.inf
        self.inlets[name] = dict(zip(starts, np.split(table, len(starts)), strict=True))

    def _parted(self, name: str) -> dict[State, Floats]:
        """Return the table at the end of a run that is parted: both leaving runs together, with the fitting."""
        found: dict[State, Floats] = {}
        fittings, n_cells = _Fittings.of(self.tree.partings[name].fittings), self.tree.runs[name].n_cells
        for each in self._pairs(name):
            both = each.one + each.other + fittings.cents[each.fitting][:, None]
            inlets = fittings.inlet[each.fitting]
            for state in np.unique(inlets).tolist():
                table = found.setdefault(state, self._none(name))
                for cell in range(n_cells):
                    meets = (inlets == state) & (each.cells[0] <= cell) & (cell < each.cells[1])
                    np.minimum(table[cell], both[meets].min(axis=0, initial=math.inf), out=table[cell])
        return found

    def _pairs(self, name: str) -> list[_Pairs]:
        """Return the pairs of flow cells that the fittings at the end of a run can part the water into."""
        if name not in self._paired:
            self._paired[name] = list(self._all_pairs(name))
        return self._paired[name]

    def _all_pairs(self, name: str) -> Iterator[_Pairs]:
        parting, runs = self.tree.partings[name], self.tree.runs
        fittings = _Fittings.of(parting.fittings)
        from_cell, to_cell = _summed_cells(runs[name], *(runs[run] for run in parting.leaving))
        least = [
            self._stacked(self.inlets[run], states.tolist(), run).min(axis=1).reshape(len(states), -1)
            for run, states in zip(parting.leaving, fittings.states, strict=True)
            if len(states)
        ]
        if not least:
            return
        cheap = least[0][:, :, None] + least[1][:, None, :] + fittings.cents[:, None, None] < self.limit
        every = np.nonzero(cheap & (from_cell < to_cell))
        for some in _some(np.arange(len(every[0])), self._heads[name]):
            k, i, j = (each[some] for each in every)
            one, other = (self._slid_at(parting, fittings, (k, i, j), side) for side in (0, 1))
            yield _Pairs(k, (i, j), (from_cell[i, j], to_cell[i, j]), one, other)

    def _slid_at(self, parting: Parting, fittings: _Fittings, pairs: tuple[Ints, Ints, Ints], side: int) -> Floats:
        """Return what a leaving run costs by the head at the end of the feeding run, for pairs of flow cells."""
        run, (k, *at) = parting.leaving[side], pairs
        states, place = np.unique(fittings.states[side], return_inverse=True)
        rows = place[k] * self.tree.runs[run].n_cells + at[side]
        first, last = self._shifts(parting, pairs, side)
        return slid(self._stacked(self.inlets[run], states.tolist(), run), rows, first, last)

    def _shifts(self, parting: Parting, pairs: tuple[Ints, Ints, Ints], side: int) -> tuple[Ints, Ints]:
        """Return which head cells a leaving run can have, as of `HeadCells.shift`, for pairs of flow cells."""
        low, high = (np.stack([each.drops_m[side][end] for each in parting.fittings])[pairs] for end in (0, 1))
        return self._heads[parting.leaving[side]].shift(low, high)

    def read_outwards(self) -> None:
        """Note what a plan costs at least through every way, fitting, setting and flow cell of the box."""
        self.setting_costs = np.array([self._with_setting(s) for s in range(len(self.tree.settings))])
        outside = {name: dict.fromkeys(self.inlets[name], self._outside(name)) for name in self.tree.sources}
        for name in reversed(list(_inwards(self.tree))):
            look()
            self._read_run(name, outside)
            if name in self.tree.partings:
                self._read_tee(name, outside)

    def _outside(self, source: str) -> Floats:
        """Return what all besides a tree costs at least, by the flow and head cells that its source is given."""
        given = []
        for s, setting in enumerate(self.tree.settings):
            others = sum(self._least_fed(s, name) for name in self.tree.sources if name != source)
            given.append(self._heads[source].mask(*setting.heads_m[source]) + (setting.cents + others))
        least: Floats = np.minimum.reduce(given)
        return least

    def _read_run(self, name: str, outside: dict[str, dict[State, Floats]]) -> None:
        """Note the ways and cells of a run; what is outside of its end replaces what is outside of its start."""
        run, there = self.tree.runs[name], outside.pop(name, {})
        costs = self.way_costs[name] = np.full(len(run.cents), math.inf)
        cells = self.cell_costs[name] = np.full(run.n_cells, math.inf)
        self._note_heads(name, there)
        steps = self._steps(name)
        starts, ends = steps.states
        before = self._stacked(there, starts, name)
        others = np.full(len(steps.cents), math.inf)  # what all but the way costs
        after = np.full((len(ends) * run.n_cells, self._heads[name].count), math.inf)
        if name in self.tree.partings:
            behind = self._stacked(self.outlets[name], ends, name)
            some = np.isfinite(before.min(axis=1))[steps.before] & np.isfinite(behind.min(axis=1))[steps.behind]
            for at in _some(np.flatnonzero(some), self._heads[name]):
                lifted = slid(behind, steps.behind[at], -steps.last[at], -steps.first[at])
                others[at] = (before[steps.before[at]] + lifted).min(axis=1)
                reached = slid(before, steps.before[at], steps.first[at], steps.last[at]) + steps.cents[at][:, None]
                lower(after, steps.behind[at], reached)
        else:
            others = least_in(before, steps.before, steps.first, steps.last)
        through = run.cents[steps.way] + others[steps.group]
        np.minimum.at(costs, steps.way, through)
        np.minimum.at(cells, steps.cell, through)
        outside[name] = dict(zip(ends, np.split(after, len(ends)), strict=True))

    def _note_heads(self, name: str, there: Mapping[State, Floats]) -> None:
        """Note between which heads the inlet of a run lies in plans below the limit."""
        heads = self._heads[name]
        live = np.zeros(heads.count, dtype=bool)
        for state, before in there.items():
            if state in self.inlets[name]:
                live |= (before + self.inlets[name][state] < self.limit).any(axis=0)
        at = np.flatnonzero(live)
        if len(at):
            self.heads_m[name] = (float(heads.edges_m[at[0]]), float(heads.edges_m[at[-1] + 1]))

    def _read_tee(self, name: str, outside: dict[str, dict[State, Floats]]) -> None:
        parting, there = self.tree.partings[name], outside.pop(name)
        fittings = _Fittings.of(parting.fittings)
        costs = self.tee_costs[parting.point] = np.full(len(parting.fittings), math.inf)
        states = [np.unique(each, return_inverse=True) for each in fittings.states]
        tables = [
            self._stacked({}, known.tolist(), run) for run, (known, _) in zip(parting.leaving, states, strict=True)
        ]
        for each in self._pairs(name):
            before = self._before(name, fittings, each, there)
            least = (before + each.one + each.other).min(axis=1)
            np.minimum.at(costs, each.fitting, least)
            live = np.flatnonzero(least < self.limit)
            k, *at = (ends[live] for ends in (each.fitting, *each.at))
            for side, left in enumerate((before + each.other, before + each.one)):
                first, last = self._shifts(parting, (k, at[0], at[1]), side)
                rows = states[side][1][k] * self.tree.runs[parting.leaving[side]].n_cells + at[side]
                order = np.argsort(rows, kind="stable")
                lower(tables[side], rows[order], slid(left, live[order], -last[order], -first[order]))
        for run, (known, _), table in zip(parting.leaving, states, tables, strict=True):
            outside[run] = dict(zip(known.tolist(), np.split(table, len(known)), strict=True))

    def _before(self, name: str, fittings: _Fittings, pairs: _Pairs, there: Mapping[State, Floats]) -> Floats:
        """Return what all besides what leaves a tee costs at least, by pair and head cell before it."""
        keys = np.stack([fittings.inlet[pairs.fitting], *pairs.cells], axis=1)
        spans, at = np.unique(keys, axis=0, return_inverse=True)
        none = self._none(name)
        least = [there.get(state, none)[start:end].min(axis=0) for state, start, end in spans.tolist()]
        return np.array(least)[at.reshape(-1)] + fittings.cents[pairs.fitting][:, None]

    def traced(self) -> Traced:
        """Return a combination that the bound stands for."""
        setting = int(np.argmin([self._with_setting(s) for s in range(len(self.tree.settings))]))
        runs: dict[str, int] = {}
        tees: dict[str, int] = {}
        flow_cells: dict[str, int] = {}
        waiting = [(source, *self._fed_at(setting, source)) for source in self.tree.sources]
        while waiting:
            name, state, cell, head = waiting.pop()
            flow_cells[name] = cell
            runs[name], end, there = self._way_at(name, state, cell, head)
            if name in self.tree.partings:
                tees[self.tree.partings[name].point], leaving = self._fitting_at(name, end, cell, there)
                waiting += leaving
        return Traced(runs, tees, setting, flow_cells)

    def _fed_at(self, setting: int, source: str) -> tuple[State, int, int]:
        """Return the state, flow cell and head cell at which a tree costs least in a setting."""
        fed = self._fed(setting, source)
        cell, head = map(int, np.unravel_index(int(np.argmin(fed)), fed.shape))
        return min(self.inlets[source], key=lambda s: self.inlets[source][s][cell, head]), cell, head

    def _way_at(self, name: str, state: State, cell: int, head: int) -> tuple[int, State, int]:
        """Return a cheapest way at a cell of a run's inlet, its end state, and the head cell at its end."""
        run = self.tree.runs[name]
        best: tuple[float, int, State, int] = (math.inf, 0, 0, 0)
        inner = name in self.tree.partings
        first, last = (ends[cell] for ends in self._windows(name))
        for k in np.flatnonzero(run.usable[cell] & (run.starts == state)).tolist():
            end = int(run.ends[k])
            if not inner:
                if first[k] <= head <= last[k] and run.cents[k] < best[0]:
                    best = (float(run.cents[k]), k, end, 0)
                continue
            behind = self.outlets[name].get(end)
            low, high = max(0, head - int(last[k])), min(self._heads[name].count - 1, head - int(first[k]))
            if behind is not None and low <= high:
                there = low + int(np.argmin(behind[cell, low : high + 1]))
                best = min(best, (float(run.cents[k] + behind[cell, there]), k, end, there))
        return best[1], best[2], best[3]

    def _fitting_at(
        self, name: str, state: State, cell: int, head: int
    ) -> tuple[int, list[tuple[str, State, int, int]]]:
        """Return a cheapest fitting at a cell of a run's end, and where it leaves the runs behind it."""
        parting = self.tree.partings[name]
        best, fittings = (math.inf, 0, 0, 0), _Fittings.of(parting.fittings)
        for each in self._pairs(name):
            meets = (fittings.inlet[each.fitting] == state) & (each.cells[0] <= cell) & (cell < each.cells[1])
            cents = each.one[:, head] + each.other[:, head] + fittings.cents[each.fitting]
            at = int(np.argmin(np.where(meets, cents, math.inf)))
            if meets[at]:
                best = min(best, (float(cents[at]), int(each.fitting[at]), int(each.at[0][at]), int(each.at[1][at])))
        _, k, i, j = best
        fitting = parting.fittings[k]
        leaving = []
        for run, at, own, (low, high) in zip(parting.leaving, (i, j), fitting.states, fitting.drops_m, strict=True):
            first, last = self._heads[run].shift(low[i, j], high[i, j])
            bottom, top = max(0, head + int(first)), min(self._heads[run].count - 1, head + int(last))
            there = bottom + int(np.argmin(self.inlets[run][own][at, bottom : top + 1]))
            leaving.append((run, own, at, there))
        return k, leaving


def _some(at: Ints, heads: HeadCells) -> Iterator[Ints]:
    """Yield some of many numbers at a time: not too much is held at once."""
    size = max(1, _AT_ONCE // heads.count)
    for start in range(0, len(at), size):
        yield at[start : start + size]


def _inwards(tree: BoxTree) -> Sequence[str]:
    """Return the runs from the leaves to the sources."""
    return [name for source in tree.sources for name in tree.behind(source)][::-1]


def _summed_cells(inlet: RunTable, one: RunTable, other: RunTable) -> tuple[Ints, Ints]:
    """Return from which flow cell of the feeding run to before which the sums of two cells of the others meet it."""
    hair = 1e-9 * max(1e-6, float(np.abs(inlet.edges_m3_s).max()))
    low = one.edges_m3_s[:-1, None] + other.edges_m3_s[None, :-1] - hair
    high = one.edges_m3_s[1:, None] + other.edges_m3_s[None, 1:] + hair
    first = np.searchsorted(inlet.edges_m3_s[1:], low, side="left")
    return first, np.searchsorted(inlet.edges_m3_s[:-1], high, side="right")
