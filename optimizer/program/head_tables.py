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
from optimizer.program.head_cells import FittingCells, HeadCells, common, live, summed_cells
from optimizer.program.head_tree import BoxTree, Traced
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
    lie; `one` and `other` what either costs by the head cell at the end of the feeding run, (n_pairs, n_outlets), and
    `shifts` which head cells it can have counted from that one, first and last.
    """

    fitting: Ints
    at: tuple[Ints, Ints]
    cells: tuple[Ints, Ints]
    shifts: tuple[tuple[Ints, Ints], tuple[Ints, Ints]]
    one: Floats
    other: Floats


@dataclass
class HeadTables:
    """The tables of trees in a box; entries that cost `limit` cents or more count as none.

    `widths_m` says for each source how high the head cells of its tree are [m]. At the inlet of a run and at its end
    tables reach over the head cells that something costs little enough in, which are few of all: `_cells`, `_beyond`.
    """

    tree: BoxTree
    widths_m: Mapping[str, float]
    limit: float
    bound: float = field(init=False, default=math.inf)
    inlets: dict[str, dict[State, Floats]] = field(init=False, default_factory=dict)  # (n_cells, n_inlets) each
    outlets: dict[str, dict[State, Floats]] = field(init=False, default_factory=dict)  # at the run's end, before a tee
    way_costs: dict[str, Floats] = field(init=False, default_factory=dict)
    tee_costs: dict[str, Floats] = field(init=False, default_factory=dict)
    setting_costs: Floats = field(init=False)
    cell_costs: dict[str, Floats] = field(init=False, default_factory=dict)
    heads_m: dict[str, tuple[float, float]] = field(init=False, default_factory=dict)  # of plans below the limit
    _paired: dict[str, list[_Pairs]] = field(init=False, default_factory=dict)
    _stepped: dict[str, _Steps] = field(init=False, default_factory=dict)
    _heads: dict[str, HeadCells] = field(init=False, default_factory=dict)  # of the tree that a run is of
    _fittings: dict[str, FittingCells] = field(init=False, default_factory=dict)
    _cells: dict[str, range] = field(init=False, default_factory=dict)  # head cells at the inlet of a run
    _beyond: dict[str, range] = field(init=False, default_factory=dict)  # ... and at its end, before a tee

    def __post_init__(self) -> None:
        for source in self.tree.sources:
            heads = HeadCells.of(self.tree, source, self.widths_m[source])
            self._heads |= dict.fromkeys(self.tree.behind(source), heads)
        for name, parting in self.tree.partings.items():
            self._fittings[name] = FittingCells.of(parting, self._heads[name])
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
        fed = self._given(setting, source)
        states = self.inlets[source].values()
        best = np.minimum.reduce(list(states)) if states else np.full_like(fed, math.inf)
        return fed + best

    def _given(self, setting: int, source: str) -> Floats:
        """Return 0 in the head cells of a source that a setting gives by its flow cells, endless elsewhere."""
        cells = self._cells[source]
        return self._heads[source].mask(*self.tree.settings[setting].heads_m[source])[:, cells.start : cells.stop]

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

    def _stacked(self, tables: Mapping[State, Floats], states: Sequence[State], name: str, cells: range) -> Floats:
        """Return the tables of a run for these states below each other, endless where there is none."""
        none = np.full((self.tree.runs[name].n_cells, len(cells)), math.inf)
        return np.concatenate([tables.get(state, none) for state in states])

    def _fill(self, name: str) -> None:
        run, steps, heads = self.tree.runs[name], self._steps(name), self._heads[name]
        starts, ends = steps.states
        known = heads.between(*self.tree.heads_m.get(name, (-math.inf, math.inf)))
        if name in self.tree.partings:
            self._part(name)
            beyond = self._beyond[name]
            behind = self._stacked(self.outlets[name], ends, name, beyond)
            some = np.flatnonzero(np.isfinite(behind.min(axis=1))[steps.behind])
            low, high = steps.first[some].min(initial=heads.count), steps.last[some].max(initial=-heads.count)
            cells = common(known, range(beyond.start + int(low), beyond.stop + int(high)))
            table, off = np.full((len(starts) * run.n_cells, len(cells)), math.inf), cells.start - beyond.start
            for at in _some(some, cells):
                first, last = off - steps.last[at], off - steps.first[at]
                reached = slid(behind, steps.behind[at], first, last, len(cells)) + steps.cents[at][:, None]
                lower(table, steps.before[at], reached)
        else:
            cells = common(known, range(int(steps.first.min(initial=heads.count)), int(steps.last.max(initial=0)) + 1))
            first, last = steps.first - cells.start, steps.last - cells.start
            table = least_over(steps.cents, steps.before, first, last, (len(starts) * run.n_cells, len(cells)))
        table[table >= self.limit] = math.inf
        self._cells[name], table = live(cells, table)
        self.inlets[name] = dict(zip(starts, np.split(table, len(starts)), strict=True))

    def _part(self, name: str) -> None:
        """Note the table at the end of a run that is parted: both leaving runs together, with the fitting."""
        fittings, n_cells = self._fittings[name], self.tree.runs[name].n_cells
        states, inlet = np.unique(fittings.inlet, return_inverse=True)
        pairs = self._paired[name] = list(self._all_pairs(name))
        table = np.full((len(states) * n_cells, len(self._beyond[name])), math.inf)
        for each in pairs:
            both = each.one + each.other + fittings.cents[each.fitting][:, None]
            many = each.cells[1] - each.cells[0]
            pair = np.repeat(np.arange(len(many)), many)
            cell = each.cells[0][pair] + np.arange(len(pair)) - np.repeat(np.cumsum(many) - many, many)
            rows = inlet[each.fitting[pair]] * n_cells + cell
            order = np.argsort(rows, kind="stable")
            for some in _some(order, self._beyond[name]):
                lower(table, rows[some], both[pair[some]])
        self.outlets[name] = dict(zip(states.tolist(), np.split(table, len(states)), strict=True))

    def _all_pairs(self, name: str) -> Iterator[_Pairs]:
        """Yield the pairs of flow cells that the fittings at the end of a run can part the water into."""
        parting, runs, fittings = self.tree.partings[name], self.tree.runs, self._fittings[name]
        self._beyond[name] = range(1)
        from_cell, to_cell = summed_cells(runs[name], *(runs[run] for run in parting.leaving))
        tables = [
            self._stacked(self.inlets[run], states, run, self._cells[run])
            for run, (states, _) in zip(parting.leaving, fittings.states, strict=True)
        ]
        least = [
            table.min(axis=1).reshape(len(states), -1)[of_each]
            for table, (states, of_each) in zip(tables, fittings.states, strict=True)
        ]
        cheap = least[0][:, :, None] + least[1][:, None, :] + fittings.cents[:, None, None] < self.limit
        every = np.nonzero(cheap & (from_cell < to_cell))
        if not len(every[0]):
            return
        shifts = [(first[every], last[every]) for first, last in fittings.shifts]
        cells = range(self._heads[name].count)
        for run, (first, last) in zip(parting.leaving, shifts, strict=True):
            own = self._cells[run]
            cells = common(cells, range(own.start - int(last.max()), own.stop - int(first.min())))
        self._beyond[name] = cells
        for some in _some(np.arange(len(every[0])), cells):
            k, *at = (each[some] for each in every)
            costs = []
            for side, run in enumerate(parting.leaving):
                rows = fittings.states[side][1][k] * runs[run].n_cells + at[side]
                first, last = (ends[some] + (cells.start - self._cells[run].start) for ends in shifts[side])
                costs.append(slid(tables[side], rows, first, last, len(cells)))
            one, other = ((first[some], last[some]) for first, last in shifts)
            reach = from_cell[at[0], at[1]], to_cell[at[0], at[1]]
            yield _Pairs(k, (at[0], at[1]), reach, (one, other), costs[0], costs[1])

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
            given.append(self._given(s, source) + (setting.cents + others))
        least: Floats = np.minimum.reduce(given)
        return least

    def _read_run(self, name: str, outside: dict[str, dict[State, Floats]]) -> None:
        """Note the ways and cells of a run; what is outside of its end replaces what is outside of its start."""
        run, there = self.tree.runs[name], outside.pop(name, {})
        costs = self.way_costs[name] = np.full(len(run.cents), math.inf)
        cells = self.cell_costs[name] = np.full(run.n_cells, math.inf)
        self._note_heads(name, there)
        steps, within = self._steps(name), self._cells[name]
        starts, ends = steps.states
        before = self._stacked(there, starts, name, within)
        others = np.full(len(steps.cents), math.inf)  # what all but the way costs
        if name in self.tree.partings:
            beyond = self._beyond[name]
            off, behind = within.start - beyond.start, self._stacked(self.outlets[name], ends, name, beyond)
            after = np.full(behind.shape, math.inf)
            some = np.isfinite(before.min(axis=1))[steps.before] & np.isfinite(behind.min(axis=1))[steps.behind]
            for at in _some(np.flatnonzero(some), max(within, beyond, key=len)):
                first, last = steps.first[at] - off, steps.last[at] - off
                lifted = slid(behind, steps.behind[at], -last, -first, len(within))
                others[at] = (before[steps.before[at]] + lifted).min(axis=1)
                reached = slid(before, steps.before[at], first, last, len(beyond)) + steps.cents[at][:, None]
                lower(after, steps.behind[at], reached)
            outside[name] = dict(zip(ends, np.split(after, len(ends)), strict=True))
        else:
            others = least_in(before, steps.before, steps.first - within.start, steps.last - within.start)
        through = run.cents[steps.way] + others[steps.group]
        np.minimum.at(costs, steps.way, through)
        np.minimum.at(cells, steps.cell, through)

    def _note_heads(self, name: str, there: Mapping[State, Floats]) -> None:
        """Note between which heads the inlet of a run lies in plans below the limit."""
        edges, cells = self._heads[name].edges_m, self._cells[name]
        live = np.zeros(len(cells), dtype=bool)
        for state, before in there.items():
            if state in self.inlets[name]:
                live |= (before + self.inlets[name][state] < self.limit).any(axis=0)
        at = cells.start + np.flatnonzero(live)
        if len(at):
            self.heads_m[name] = (float(edges[at[0]]), float(edges[at[-1] + 1]))

    def _read_tee(self, name: str, outside: dict[str, dict[State, Floats]]) -> None:
        parting, there, beyond = self.tree.partings[name], outside.pop(name), self._beyond[name]
        fittings = self._fittings[name]
        costs = self.tee_costs[parting.point] = np.full(len(parting.fittings), math.inf)
        sides = list(zip(parting.leaving, fittings.states, strict=True))
        tables = [self._stacked({}, known, run, self._cells[run]) for run, (known, _) in sides]
        for each in self._paired[name]:
            before = self._before(name, each, there)
            least = (before + each.one + each.other).min(axis=1)
            np.minimum.at(costs, each.fitting, least)
            live = np.flatnonzero(least < self.limit)
            for side, left in enumerate((before + each.other, before + each.one)):
                run, (_, of_each) = sides[side]
                off = beyond.start - self._cells[run].start
                first, last = (ends[live] + off for ends in each.shifts[side])
                rows = of_each[each.fitting[live]] * self.tree.runs[run].n_cells + each.at[side][live]
                order = np.argsort(rows, kind="stable")
                back = slid(left, live[order], -last[order], -first[order], len(self._cells[run]))
                lower(tables[side], rows[order], back)
        for (run, (known, _)), table in zip(sides, tables, strict=True):
            outside[run] = dict(zip(known, np.split(table, len(known)), strict=True))

    def _before(self, name: str, pairs: _Pairs, there: Mapping[State, Floats]) -> Floats:
        """Return what all besides what leaves a tee costs at least, by pair and head cell before it."""
        fittings, n_cells = self._fittings[name], self.tree.runs[name].n_cells
        states, inlet = np.unique(fittings.inlet, return_inverse=True)
        table = self._stacked(there, states.tolist(), name, self._beyond[name])
        first = inlet[pairs.fitting] * n_cells + pairs.cells[0]
        spans, at = np.unique(first * n_cells + (pairs.cells[1] - pairs.cells[0] - 1), return_inverse=True)
        starts, more = np.divmod(spans, n_cells)
        ends = np.stack([starts, starts + more + 1], axis=1).ravel()
        none = np.full((1, table.shape[1]), math.inf)  # so that a span may end with the last row
        least = np.minimum.reduceat(np.concatenate([table, none]), ends, axis=0)[::2]
        return np.asarray(least[at] + fittings.cents[pairs.fitting][:, None])

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
        cell, at = map(int, np.unravel_index(int(np.argmin(fed)), fed.shape))
        state = min(self.inlets[source], key=lambda s: self.inlets[source][s][cell, at])
        return state, cell, self._cells[source].start + at

    def _way_at(self, name: str, state: State, cell: int, head: int) -> tuple[int, State, int]:
        """Return a cheapest way at a cell of a run's inlet, its end state, and the head cell at its end."""
        run = self.tree.runs[name]
        best: tuple[float, int, State, int] = (math.inf, 0, 0, 0)
        cells = self._beyond.get(name)
        first, last = (ends[cell] for ends in self._windows(name))
        for k in np.flatnonzero(run.usable[cell] & (run.starts == state)).tolist():
            end = int(run.ends[k])
            if cells is None:
                if first[k] <= head <= last[k] and run.cents[k] < best[0]:
                    best = (float(run.cents[k]), k, end, 0)
                continue
            behind = self.outlets[name].get(end)
            low, high = (side - cells.start for side in (head - int(last[k]), head - int(first[k])))
            low, high = max(0, low), min(len(cells) - 1, high)
            if behind is not None and low <= high:
                at = low + int(np.argmin(behind[cell, low : high + 1]))
                best = min(best, (float(run.cents[k] + behind[cell, at]), k, end, cells.start + at))
        return best[1], best[2], best[3]

    def _fitting_at(
        self, name: str, state: State, cell: int, head: int
    ) -> tuple[int, list[tuple[str, State, int, int]]]:
        """Return a cheapest fitting at a cell of a run's end, and where it leaves the runs behind it."""
        parting, off = self.tree.partings[name], head - self._beyond[name].start
        best, fittings = (math.inf, 0, 0, 0), self._fittings[name]
        for each in self._paired[name]:
            meets = (fittings.inlet[each.fitting] == state) & (each.cells[0] <= cell) & (cell < each.cells[1])
            cents = each.one[:, off] + each.other[:, off] + fittings.cents[each.fitting]
            at = int(np.argmin(np.where(meets, cents, math.inf)))
            if meets[at]:
                best = min(best, (float(cents[at]), int(each.fitting[at]), int(each.at[0][at]), int(each.at[1][at])))
        _, k, i, j = best
        leaving = []
        for run, at, own, ends in zip(
            parting.leaving, (i, j), parting.fittings[k].states, fittings.shifts, strict=True
        ):
            cells = self._cells[run]
            first, last = (head - cells.start + int(shift[k, i, j]) for shift in ends)
            bottom, top = max(0, first), min(len(cells) - 1, last)
            there = bottom + int(np.argmin(self.inlets[run][own][at, bottom : top + 1]))
            leaving.append((run, own, at, cells.start + there))
        return k, leaving


def _some(at: Ints, cells: range) -> Iterator[Ints]:
    """Yield some of many numbers at a time: not too much is held at once."""
    size = max(1, _AT_ONCE // len(cells))
    for start in range(0, len(at), size):
        yield at[start : start + size]


def _inwards(tree: BoxTree) -> Sequence[str]:
    """Return the runs from the leaves to the sources."""
    return [name for source in tree.sources for name in tree.behind(source)][::-1]
