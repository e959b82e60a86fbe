"""A case, and a box of flows → the numbers that its tables over flow and head are made of.

The tables are those of trees, each behind a run that comes from a fixed point. A ring becomes one by being cut open at
the end of one of its runs: the run then ends at some head within a range, and where it ended a run of no length leads
from that head into the tee, with as much water the other way. That both heads and both flows are the same is lost in a
wide box and found again in narrow ones. A line from another source is cut where it joins a tree, in the same way.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace

import numpy as np

from optimizer.choices.graph import EndState
from optimizer.choices.loss_basis import Floats
from optimizer.model.catalog import Kind
from optimizer.model.network import Network, Run, RunEnd
from optimizer.program.head_cells import head_range
from optimizer.program.head_tree import BoxTree, Fitting, Parting, RunTable, Setting
from optimizer.search.flow_posing import FlowCase, pumped_runs
from optimizer.search.flow_ranges import Range, is_one_way
from optimizer.search.run_curves import losses_of_each

CELLS = 6  # of a run's flow in a box
_STEPS = 4  # between the ends of a cell, where what a tee loses is sampled
_RING_SHARE = 0.25  # as below, of the run where it changes most
_FINE = 2e-4  # m: no head cell is smaller
_MOST_HEADS = 3000
_MOST_IN_MODES = 800  # as there, where each of several modes says little of the others anyway
_REMEMBERED = 20_000  # fittings between ranges of flow
_MOST_CUTS = 2  # with more the tables tell too little
_BEYOND = ", beyond its cut"
_SHARE = 0.5  # of what a way's loss changes by across a flow cell, for a head cell

Kept = Mapping[str, Sequence[int]]


@dataclass(frozen=True)
class Shape:
    """How the runs of trees follow each other: `sources` are fed from fixed heads, `leaving` by the run that feeds.

    `cuts` has the runs that rings, and lines which join, are cut open at the far end of, by the name of what is left of
    them beyond the cut; these names are among `leaving`. Runs in `against` are gone through from their end to their
    start.
    """

    sources: tuple[str, ...]
    leaving: Mapping[str, tuple[str, str]]
    order: tuple[str, ...]  # of the runs, none before the one that feeds it, those that are cut the last
    cuts: Mapping[str, str]
    against: AbstractSet[str]


def shape_of(case: FlowCase) -> Shape | None:
    """Return the trees that a case is, rings and joining lines cut open, pumps in the first runs; None for all else.

    Nor is it one where a tee is a cross, where several modes share what is cut open, or where anything besides head,
    money and the water of the runs is limited: tables would say little or nothing of that.
    """
    network = case.network
    sources = tuple(name for name, run in network.runs.items() if network.points[run.start.point].is_fixed)
    if not sources:
        return None
    if any(resource.most is not None for resource in case.sides.resources):
        return None
    if not set(pumped_runs(network)) <= set(sources):
        return None
    inner = [point.name for point in network.points.values() if not point.is_fixed]
    if any(point not in case.tees or len(list(network.runs_at(point))) != 3 for point in inner):
        return None
    if any(run.start.point == run.end.point for run in network.runs.values()):
        return None
    order, fed, against, cuts = list(sources), dict[str, str](), set[str](), dict[str, str]()
    for name in order:  # grows as it goes
        point = far_end(network.runs[name], name in against).point
        if point in fed:
            cuts[f"{name}{_BEYOND}"] = name
        elif not network.points[point].is_fixed:
            fed[point] = name
            new = [(run.name, at_start) for run, _, at_start in network.runs_at(point) if run.name not in order]
            order += [run for run, _ in new]
            against.update(run for run, at_start in new if not at_start)
    if set(order) != set(network.runs) or len(cuts) > (_MOST_CUTS if len(case.modes) == 1 else 0):
        return None
    if any(is_one_way(network.runs[name], network) for name in against):
        return None
    leaving = {name: _behind(network, point, name, against) for point, name in fed.items()}
    last = tuple(cuts.values())
    first = tuple(name for name in order if name not in last)
    return Shape(sources, leaving, (*first, *last), cuts, frozenset(against))


def far_end(run: Run, against: bool) -> RunEnd:
    """Return the end of a run that its tree goes on from: where it starts, if it is gone through against its flow."""
    return run.start if against else run.end


def _behind(network: Network, point: str, feeding: str, against: AbstractSet[str]) -> tuple[str, str]:
    """Return the two that leave a tee: runs that begin there, and what is left of those cut at their far end there."""
    others = [run for run, _, _ in network.runs_at(point) if run.name != feeding]
    ends = [(run.name, far_end(run, run.name in against).point == point) for run in others]
    first, second = (f"{name}{_BEYOND}" if far else name for name, far in ends)
    return first, second


class TreeBuilder:
    """Makes the numbers of boxes of one case."""

    def __init__(self, case: FlowCase, shape: Shape) -> None:
        self.case, self.shape = case, shape
        self._states: dict[EndState, int] = {}
        self._drops: dict[tuple[object, ...], tuple[tuple[Floats, Floats], tuple[Floats, Floats]]] = {}  # of fittings
        self._fixed = {name: self._of_ways(name) for name in case.ways}

    def _number(self, state: EndState) -> int:
        return self._states.setdefault(state, len(self._states))

    def _of_ways(self, name: str) -> tuple[Floats, ...]:
        ways = self.case.ways[name]
        return tuple(
            np.array(values)
            for values in (
                [way.alternative.cents for way in ways],
                [self._number(way.alternative.start) for way in ways],
                [self._number(way.alternative.end) for way in ways],
                [way.valved for way in ways],
                [way.alternative.most_m3_s for way in ways],
                [way.alternative.packs for way in ways],
            )
        )

    def without_other_packs(self, kept: Kept, opened: int) -> dict[str, list[int]]:
        """Return the ways that open no packs but these."""
        return {name: [k for k in at if not int(self._fixed[name][5][k]) & ~opened] for name, at in kept.items()}

    def tree(
        self,
        box: Mapping[str, Range],
        ways: Kept,
        fittings: Kept,
        speeds: Sequence[Mapping[str, float]],
        heads_m: Mapping[str, Range],
    ) -> tuple[BoxTree, dict[str, float]]:
        """Return the trees of a box with these ways, fittings, speeds, and how high head cells are by source [m]."""
        if len(self._drops) > _REMEMBERED:
            self._drops.clear()
        runs = {name: self._run(name, box[name], ways[name]) for name in self.case.network.runs}
        beyond = {name: self._beyond(box[cut], cut, ways[cut]) for name, cut in self.shape.cuts.items()}
        partings = {
            name: self._parting(name, leaving, runs | beyond, fittings[self._far(name).point])
            for name, leaving in self.shape.leaving.items()
        }
        points = self.case.network.points
        leaves = {
            name: (points[run.end.point].head_m or 0.0,) * 2
            for name, run in self.case.network.runs.items()
            if points[run.end.point].is_fixed
        }
        whole = BoxTree(self.shape.sources, runs, heads_m, partings, leaves, self._settings(runs, speeds))
        widths_m = {source: self._width_m(whole, source) for source in self.shape.sources}
        if not beyond:
            return whole, widths_m
        lows, highs = zip(*(head_range(whole, source) for source in self.shape.sources), strict=True)
        for name, cut in self.shape.cuts.items():
            leaves[name] = leaves[cut] = heads_m.get(name, (min(lows), max(highs)))
        return replace(whole, runs=runs | beyond, leaves_m=leaves), widths_m

    def _run(self, name: str, flow_range: Range, kept: Sequence[int]) -> RunTable:
        at = np.array(kept, dtype=int)
        edges = np.linspace(*flow_range, CELLS + 1)
        rows, basis = self.case.tables[name].rows[at], self.case.tables[name].basis
        counts = (rows != 0.0).any(axis=0).tolist()
        losses = np.stack([rows @ basis.laws(float(q), counts) for q in edges])
        cents, starts, ends, valved, most, _ = (values[at] for values in self._fixed[name])
        if name in self.shape.against:
            edges, losses, starts, ends = -edges[::-1], -losses[::-1], ends, starts
        least = np.where((edges[:-1] <= 0.0) & (edges[1:] >= 0.0), 0.0, np.minimum(abs(edges[:-1]), abs(edges[1:])))
        usable = least[:, None] <= most[None, :]
        one_way = is_one_way(self.case.network.runs[name], self.case.network) != 0
        return RunTable(
            edges, losses, usable, cents.astype(float), starts.astype(int), ends.astype(int), valved, one_way
        )

    def _far(self, name: str) -> RunEnd:
        return far_end(self.case.network.runs[name], name in self.shape.against)

    def _beyond(self, flow_range: Range, cut: str, kept: Sequence[int]) -> RunTable:
        """Return what is left of a run beyond its cut: the water that comes out of it, by the state of its end."""
        edges = np.linspace(-flow_range[1], -flow_range[0], CELLS + 1)
        far = 2
        if cut in self.shape.against:
            edges, far = -edges[::-1], 1
        states = np.unique(self._fixed[cut][far][np.array(kept, dtype=int)])
        none = np.zeros(len(states))
        losses, usable = np.zeros((CELLS + 1, len(states))), np.ones((CELLS, len(states)), dtype=bool)
        return RunTable(edges, losses, usable, none, states, none.astype(int), none.astype(bool))

    def _parting(
        self, name: str, leaving: tuple[str, str], runs: Mapping[str, RunTable], kept: Sequence[int]
    ) -> Parting:
        point = self._far(name).point
        legs = {(run.name, start): leg for run, leg, start in self.case.network.runs_at(point)}
        found = []
        flows = np.meshgrid(*(_finer(runs[run].edges_m3_s) for run in leaving), indexing="ij")
        cuts, against = self.shape.cuts, self.shape.against
        fed = (name, name in against)
        ends = [(cuts.get(run, run), (run in cuts) == (cuts.get(run, run) in against)) for run in leaving]
        signs = [1.0 if at_start else -1.0 for _, at_start in ends]  # flows and losses are counted along the run
        inward = -1.0 if name in against else 1.0
        at = {fed: inward * (flows[0] + flows[1]), ends[0]: signs[0] * flows[0], ends[1]: signs[1] * flows[1]}
        edges = tuple(runs[run].edges_m3_s.tobytes() for run in leaving)
        new = [k for k in kept if (point, k, name, *edges) not in self._drops]
        if new:
            losses = losses_of_each([self.case.tee_curves(point, k, 0) for k in new], at, at)
            sides = [_enclosed(inward * losses[fed] + s * losses[end]) for s, end in zip(signs, ends, strict=True)]
            for i, k in enumerate(new):
                one, other = ((low[..., i], high[..., i]) for low, high in sides)
                self._drops[point, k, name, *edges] = one, other
        for k in kept:
            option = self.case.tees[point][k]
            states = tuple(self._number(option.states[legs[end]]) for end in ends)
            inlet = self._number(option.states[legs[fed]])
            found.append(Fitting(option.cents, inlet, (states[0], states[1]), self._drops[point, k, name, *edges]))
        return Parting(point, leaving, tuple(found))

    def _settings(self, runs: Mapping[str, RunTable], each: Sequence[Mapping[str, float]]) -> tuple[Setting, ...]:
        found = []
        for speeds in each:
            cents = sum(self.case.energy_cents.get(pump, 0) for pump in speeds.items())
            heads = {name: self._fed(name, runs[name].edges_m3_s, speeds) for name in self.shape.sources}
            found.append(Setting(cents, heads))
        return tuple(found)

    def _fed(self, source: str, edges: Floats, speeds: Mapping[str, float]) -> tuple[Floats, Floats]:
        """Return the head at the start of a source by its flow cells, least and most [m]; none past its pumps' ends."""
        network = self.case.network
        base = network.points[network.runs[source].start.point].head_m or 0.0
        heads = np.array([base - self.case.gain(source, speeds).loss_m(float(q)) for q in edges])
        own = [part.name for part in network.runs[source].parts if part.kind is Kind.PUMP and speeds[part.name] > 0.0]
        past = edges[:-1] > min((network.pumps[name].curve[-1][0] * speeds[name] for name in own), default=math.inf)
        return np.where(past, math.inf, heads[1:]), np.where(past, -math.inf, heads[:-1])

    def _width_m(self, tree: BoxTree, source: str) -> float:
        """Return half of what the loss of a middling way of a tree changes by across a middling flow cell."""
        names = [name for name in tree.behind(source) if name in tree.runs]
        steps = [
            float(np.median(np.diff(run.losses_m, axis=0)))
            for run in map(tree.runs.__getitem__, names)
            if run.losses_m.size and run.edges_m3_s[-1] > run.edges_m3_s[0]
        ]
        most = max(float(setting.heads_m[source][1].max()) for setting in tree.settings)
        ends = [(tree.leaves_m[name][0], tree.runs[name].losses_m[0]) for name in names if name in tree.leaves_m]
        span = most - min((head + float(losses.min(initial=0.0)) for head, losses in ends), default=most)
        fine = _SHARE * float(np.median(steps)) if steps else _FINE
        if not self.shape.cuts.keys().isdisjoint(tree.behind(source)):
            fine = max(fine, _RING_SHARE * max(steps, default=0.0))  # round a ring all is known as the least known is
        return max(_FINE, fine, max(span, 0.0) / (_MOST_HEADS if len(self.case.modes) == 1 else _MOST_IN_MODES))


def _finer(edges: Floats) -> Floats:
    """Return the edges of cells with steps between them."""
    shares = np.arange(_STEPS) / _STEPS
    inner = edges[:-1, None] + (edges[1:] - edges[:-1])[:, None] * shares[None, :]
    return np.append(inner.ravel(), edges[-1])


def _enclosed(values: Floats) -> tuple[Floats, Floats]:
    """Return the least and most of samples by pairs of flow cells (the first axes), moved out by what lies between.

    As in `TeeCurves.envelope`: half of the largest change between neighbours along each axis, half as much again.
    """
    rows = [values[_STEPS * i : _STEPS * (i + 1) + 1] for i in range(CELLS)]
    blocks = np.stack([[row[:, _STEPS * j : _STEPS * (j + 1) + 1] for j in range(CELLS)] for row in rows])
    steps = [np.abs(np.diff(blocks, axis=axis)).max(axis=(2, 3)) for axis in (2, 3)]
    margin = 0.75 * (steps[0] + steps[1])
    return blocks.min(axis=(2, 3)) - margin, blocks.max(axis=(2, 3)) + margin
