"""The cheapest combination that the true network accepts: relax, solve the network, cut the flows finer, until proved.

A branch and bound over ranges of flow. In a box of ranges the relaxation gives a combination and a bound. The network
solution says whether the combination stands. If it does not, and no valve could make it, it is forbidden everywhere;
and the box is cut in two where the relaxation left the true law farthest. A box whose bound is no better than the best
plan found is done. Boxes wait in the order of their bounds, so the first one's bound is that of the whole search.
How far a relaxation is from the true laws of what it chose tells where to cut (`gaps_of`).
"""

from __future__ import annotations

import heapq
import math
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from optimizer.clock import TimeIsUp
from optimizer.model.note import Note, note
from optimizer.program.flow_problem import ChoiceRow, FlowProblem, Range, RelaxedSelection, no_good
from optimizer.program.problem import Outcome
from optimizer.program.relaxation import solve_relaxation
from optimizer.search.flow_bound import least_energy_cents, reduced
from optimizer.search.flow_posing import (
    Choice,
    FlowCase,
    built_network,
    cents_of,
    choice_of,
    duties_of,
    flow_problem,
    has_valves,
    keeps_within,
    side_rows,
    single,
)
from optimizer.search.flow_ranges import is_one_way
from optimizer.search.flow_tightening import ROOT_ROUNDS, Box, tightened
from optimizer.search.one_position import positioned, surely_fails
from optimizer.verify.allowance import settle_held
from optimizer.verify.openings import Settled

Progress = Callable[[str, int | None, int | None], None]  # stage, best [cents], bound [cents]
Price = Callable[[Choice], int]

TIME_CAME, STOPPED = note("time limit"), note("stopped")
CLOSE_M = 2e-5  # a relaxation this near to the network is as good as the network: nothing is left to cut
_NEAR_M = 0.02
_OFTEN = 3  # a combination that comes back so often gets a search of its own ...
_PROBE_ROUNDS = 60  # ... of so many rounds
_LEAST_SHARE = 0.15  # a cut leaves at least this share of the range on either side
_FEW_WAYS, _MORE_WAYS = 20, 1.25  # a relaxation sees so many ways more than can be in a plan at the bound
_NO_SELECTION = RelaxedSelection(Outcome.INFEASIBLE, {}, {}, {}, {}, {}, None, None, "none needed")
_POSITIONS = 1e-3  # of a flow: boxes are not cut finer than that to tell positions of valves apart
_NARROW = 1e-7  # of the largest flow: ranges are not cut finer


@dataclass
class SearchState:
    """What a search has found so far: safe to read at any moment."""

    best: Choice | None = None
    best_cents: int | None = None
    settled: Settled | None = None
    bound_cents: int = 0
    complete: bool = False
    rounds: int = 0
    unproved: int = 0  # combinations with valves that no start could set, though no box excludes them
    unproved_cents: int | None = None  # the cheapest of them
    stopped: Note | None = None  # why the search ended before its proof
    by_hand: bool = False

    @contextmanager
    def ending(self) -> Iterator[None]:
        """Note what ends a search before its proof: an interrupt, or the time."""
        try:
            yield
        except KeyboardInterrupt:
            self.stopped, self.by_hand = STOPPED, True
        except TimeIsUp:
            self.stopped = TIME_CAME


@dataclass(order=True)
class _Node:
    bound: int
    number: int
    box: Box = field(compare=False)


class FlowSearch:
    """One search. `run` may be interrupted (KeyboardInterrupt): the state then holds the best so far and its bound."""

    def __init__(
        self,
        case: FlowCase,
        *,
        solver: str | None = None,
        time_limit_s: float = 60.0,
        progress: Progress | None = None,
        start: Choice | None = None,
        cutoff_cents: int | None = None,
        alone: bool = False,
        any_plan: bool = False,
        price: Price | None = None,
    ) -> None:
        self.case, self.solver = case, solver
        self.price = price  # what a combination that stands is kept at, where that is more than its sum
        self.until = time.monotonic() + time_limit_s
        self.progress = progress
        self.state = SearchState()
        self.cutoff_cents = cutoff_cents  # only plans below are of interest
        self.rows: list[ChoiceRow] = side_rows(case)
        self.alone = alone  # a search of one combination
        self.any_plan = any_plan  # the first that stands is enough
        self.seen: dict[Choice, int] = {}
        self.tried: dict[Choice, Settled | None] = {}
        self.waiting: list[_Node] = []
        root: Box | None = dict(case.ranges)
        for mode in range(len(case.modes)):
            root = None if root is None else tightened(case, root, mode, ROOT_ROUNDS)
        if root is not None:
            self.waiting.append(_Node(0, 0, root))
        self.numbers = 1
        self.narrow_m3_s = _NARROW * max((abs(q) for pair in (root or case.ranges).values() for q in pair), default=1.0)
        if start is not None:
            self.offer(start)

    def offer(self, choice: Choice, hints: tuple[Mapping[str, float], ...] = ()) -> bool:
        """Try a combination on the true network; keep it if it stands and is the cheapest yet."""
        if not keeps_within(self.case, choice):
            return False
        found = self.tried.get(choice)
        if choice not in self.tried or (hints and found is not None and not found.met):
            found = settle_held(duties_of(self.case, choice), self.case.allowances, self.case.conditions, hints)
            self.tried[choice] = found
        if found is None or not found.met:
            return False
        cents = cents_of(self.case, choice) if self.price is None else self.price(choice)
        if self.state.best_cents is None or cents < self.state.best_cents:
            self.state.best, self.state.best_cents, self.state.settled = choice, cents, found
        return True

    def run(self) -> SearchState:
        """Search until the proof, the time limit or an interrupt."""
        with self.state.ending():
            while self.waiting and not self._done():
                if time.monotonic() > self.until:
                    self.state.stopped = TIME_CAME
                    break
                if self.alone and self.state.rounds >= _PROBE_ROUNDS:
                    self.state.stopped = note("one look takes too long")
                    break
                self._round()
        self._update_bound()
        self.state.complete = not self.state.stopped
        return self.state

    def _done(self) -> bool:
        if self.any_plan and self.state.best is not None:
            return True
        most = self._most()
        return most is not None and self.waiting[0].bound > most

    def _most(self) -> int | None:
        """Return what a plan may cost at most to be of interest."""
        known = [cents for cents in (self.state.best_cents, self.cutoff_cents) if cents is not None]
        return min(known) - 1 if known else None

    def _update_bound(self) -> None:
        bounds = [self.waiting[0].bound] if self.waiting else []
        known = (self.state.best_cents, self.cutoff_cents, self.state.unproved_cents)
        bounds += [cents for cents in known if cents is not None]
        self.state.bound_cents = min(bounds, default=self.state.bound_cents)

    def _round(self) -> None:
        node = self.waiting[0]
        self.state.rounds += 1
        self._update_bound()
        if self.progress is not None:
            self.progress("search", self.state.best_cents, self.state.bound_cents)
        found, confined = self._relaxed(node)
        # the node leaves the queue only when what replaces it is ready: an interrupt must not lose its bound
        replacing: list[_Node] = []
        if found.outcome is Outcome.NO_PLAN_FOUND:
            replacing = self._halves(node, max(node.bound, found.bound_cents or 0), None)
        elif found.outcome is not Outcome.INFEASIBLE:
            replacing = self._examined(node, found)
        elif confined is not None and (self._most() is None or confined < (self._most() or 0)):
            replacing = [self._node(max(node.bound, confined + 1), node.box)]  # none so cheap: look further up
        waiting = [other for other in self.waiting if other is not node] + replacing
        heapq.heapify(waiting)
        self.waiting = waiting

    def _relaxed(self, node: _Node) -> tuple[RelaxedSelection, int | None]:
        """Relax a box for plans up to a cost, first little above its bound: few ways can be in a plan so cheap.

        Returns the relaxation and the cost that it was confined to (None: any).
        """
        costs = reduced(self.case, node.box)
        served = positioned(self.case, node.box) if len(self.case.modes) > 1 else {}
        if costs is None or served is None:
            return _NO_SELECTION, None
        energy, most = least_energy_cents(self.case), self._most()
        count = round(_MORE_WAYS * costs.within(node.bound - energy)) + _FEW_WAYS
        if count < costs.count and not self.alone:
            near = math.floor(costs.cheapest(count) + energy)
            most = near if most is None else min(most, near)
        runs, tees = costs.useful(math.inf if most is None else most - energy)
        runs = {name: sorted(set(kept) & set(served.get(name, kept))) for name, kept in runs.items()}
        if not all(runs.values()):
            return _NO_SELECTION, most
        useful = None if most is None and not served else (runs, tees)
        return self._solved(flow_problem(self.case, node.box, self.rows, useful), most), most

    def _solved(self, problem: FlowProblem, most: int | None) -> RelaxedSelection:
        return solve_relaxation(
            problem,
            cutoff_cents=most,
            time_limit_s=max(0.5, self.until - time.monotonic()),
            solver=self.solver,
        )

    def _examined(self, node: _Node, found: RelaxedSelection) -> list[_Node]:
        bound = max(node.bound, found.bound_cents or 0)
        choice = choice_of(self.case, found)
        if not keeps_within(self.case, choice):  # by less than a solver can tell
            self._forbid(found)
            return [self._node(bound, node.box)]
        if not self.alone and choice not in self.tried and surely_fails(self.case, choice):
            self._forbid(found)
            return self._halves(node, bound, found)
        worst = max((gap.gap_m for gap in gaps_of(self.case, found, choice)), default=0.0)
        # valve settings are read off the relaxation only once it is near the network
        modes = range(len(self.case.modes))
        hints = tuple(valve_hints(self.case, found, choice, mode) for mode in modes) if worst < _NEAR_M else ()
        if self.offer(choice, hints):
            if self.price is not None:  # another that seems dearer may be kept at less
                self._forbid(found)
                return [self._node(bound, node.box)]
            return [self._node(bound, node.box)] if cents_of(self.case, choice) > bound else []
        if not has_valves(self.case, choice):
            self._forbid(found)
        elif self._settled_alone(found, choice):
            return [self._node(bound, node.box)]
        return self._halves(node, bound, found)

    def _settled_alone(self, found: RelaxedSelection, choice: Choice) -> bool:
        """Look at a combination that keeps coming back in a search of its own; return whether that told anything.

        Cutting boxes for one combination's sake would cut them for all others too. It stands, or it is impossible, or
        no numbers tell which: then the bound remembers it.
        """
        self.seen[choice] = self.seen.get(choice, 0) + 1
        if self.alone or self.seen[choice] != _OFTEN:
            return False
        left = max(0.0, self.until - time.monotonic())
        own = FlowSearch(single(self.case, choice), solver=self.solver, time_limit_s=left, alone=True)
        state = own.run()
        if state.by_hand:
            raise KeyboardInterrupt
        if not state.complete:
            return False
        if state.best is not None:
            self.tried[choice] = state.settled
            return self.offer(choice)
        if state.unproved:
            self._give_up(found, choice)
        else:
            self._forbid(found)
        return True

    def _forbid(self, found: RelaxedSelection) -> None:
        self.rows.append(no_good(found.picks(), f"combination {len(self.rows)}"))

    def _give_up(self, found: RelaxedSelection, choice: Choice) -> None:
        """Go on without a combination that could not be set and is not proven impossible; the bound remembers it."""
        cents = cents_of(self.case, choice)
        known = self.state.unproved_cents
        self.state.unproved += 1
        self.state.unproved_cents = cents if known is None else min(known, cents)
        self._forbid(found)

    def _node(self, bound: int, box: Box) -> _Node:
        self.numbers += 1
        return _Node(bound, self.numbers, box)

    def _halves(self, node: _Node, bound: int, found: RelaxedSelection | None) -> list[_Node]:
        """Cut a box in two where the relaxation is farthest off; where it is off nowhere, rule the combination out."""
        cut = self._cut(node.box, found) or self._cut_for_positions(node.box, found)
        if cut is None:
            if found is None:
                return [self._node(bound, node.box)]
            choice = choice_of(self.case, found)
            if has_valves(self.case, choice):
                self._give_up(found, choice)
            return [self._node(bound, node.box)]
        key, at = cut
        low, high = node.box[key]
        halves = []
        for part in ((low, at), (at, high)):
            box = tightened(self.case, {**node.box, key: part}, key[1])
            if box is not None:
                halves.append(self._node(bound, box))
        return halves

    def _cut(self, box: Box, found: RelaxedSelection | None) -> tuple[tuple[str, int], float] | None:
        """Return the run and flow at which to cut a box: at its widest error, in the run that is widest there."""
        if found is None:
            key = max(box, key=lambda key: _width(box[key]))
            low, high = box[key]
            return (key, 0.5 * (low + high)) if _width(box[key]) > self.narrow_m3_s else None
        choice = choice_of(self.case, found)
        for gap in gaps_of(self.case, found, choice):
            if gap.gap_m <= CLOSE_M:
                return None
            modes = range(len(self.case.modes)) if gap.shared else (gap.mode,)
            key = max((key for mode in modes for key in self._near(gap.run, mode)), key=lambda key: _width(box[key]))
            low, high = box[key]
            if _width(box[key]) <= self.narrow_m3_s:
                continue
            if low < 0.0 < high:
                return key, 0.0
            flow = found.flows_m3_s[self.case.key(*key)]
            least = _LEAST_SHARE * (high - low)
            return key, min(max(flow, low + least), high - least)
        return None

    def _cut_for_positions(self, box: Box, found: RelaxedSelection | None) -> tuple[tuple[str, int], float] | None:
        """Return where to cut so that one position of a valve is told apart from one for each of several modes."""
        choice = None if found is None or len(self.case.modes) == 1 else choice_of(self.case, found)
        if choice is None:
            return None
        valved = [name for name, k in zip(self.case.ways, choice.ways, strict=True) if self.case.ways[name][k].valved]
        key = max((key for key in box if key[0] in valved), key=lambda key: _width(box[key]), default=None)
        if key is None or _width(box[key]) <= _POSITIONS * max(map(abs, box[key])):
            return None
        return key, sum(box[key]) / 2.0

    def _near(self, run: str, mode: int) -> list[tuple[str, int]]:
        """Return a run and those that meet it at its tees, whose flows its tee losses depend on."""
        network = self.case.network
        ends = {network.runs[run].start.point, network.runs[run].end.point} & set(self.case.tees)
        near = [other.name for point in ends for other, _, _ in network.runs_at(point)]
        return [(name, mode) for name in dict.fromkeys([run, *sorted(near)])]


def preferred_speeds(case: FlowCase, choice: Choice) -> Choice:
    """Return the combination at the present speeds if they serve at no more cost, else at the lowest."""
    if len(case.modes) > 1:
        return choice
    speeds = case.modes[0].speeds
    present = {name: pump.speed for name, pump in case.network.pumps.items()}
    order = sorted(range(len(speeds)), key=lambda k: (dict(speeds[k]) != present, sum(speeds[k].values()), k))
    for k in order:
        other = replace(choice, speeds=(k,))
        if k == choice.speeds[0]:
            return choice
        if cents_of(case, other) <= cents_of(case, choice) and not surely_fails(case, other):
            found = settle_held(duties_of(case, other), case.allowances, case.conditions)
            if found is not None and found.met:
                return other
    return choice


def _width(flow_range: Range) -> float:
    return flow_range[1] - flow_range[0]


@dataclass(frozen=True)
class Gap:
    """By how much the relaxation's flows and heads leave a run's own law [m]; where to cut its flow.

    With `shared` they leave the law that a valve stands alike in all modes: a cut in any of them may mend it.
    """

    run: str
    mode: int
    gap_m: float
    flow_m3_s: float
    shared: bool = False


def gaps_of(case: FlowCase, chosen: RelaxedSelection, choice: Choice) -> list[Gap]:
    """Return where the relaxation is off, the worst first. A valve may take head in the direction of the flow."""
    out = []
    taken: dict[str, list[tuple[int, float, float]]] = {}  # by run with a valve: mode, k of k Q², flow
    ways = dict(zip(case.ways, choice.ways, strict=True))
    tees = dict(zip(case.tees, choice.tees, strict=True))
    for mode, at in enumerate(case.modes):
        speeds = at.speeds[choice.speeds[mode]]
        for name, run in case.network.runs.items():
            key = case.key(name, mode)
            flow = chosen.flows_m3_s[key]
            there = chosen.heads_m[case.key(run.start.point, mode)] - chosen.heads_m[case.key(run.end.point, mode)]
            lost = float(case.tables[name].losses_m(flow)[ways[name]])
            lost += case.gain(name, speeds).loss_m(flow)
            for end, point in (((key, True), run.start.point), ((key, False), run.end.point)):
                if point in tees:
                    curves = case.tee_curves(point, tees[point], mode)
                    if curves.geometry is not None:
                        lost += curves.loss_m(end, {e: chosen.flows_m3_s[e[0]] for e in curves.legs})
            off = there - lost
            if case.ways[name][ways[name]].valved and abs(flow) > 1e-9:
                taken.setdefault(name, []).append((mode, max(0.0, off / (flow * abs(flow))), flow))
            if case.ways[name][ways[name]].valved and (off * flow > 0.0 or abs(flow) < 1e-9):
                off = 0.0
            if is_one_way(run, case.network) and abs(flow) < 1e-9 and off < 0.0:
                off = 0.0
            out.append(Gap(name, mode, abs(off), flow))
    apart = [gap for name, each in taken.items() for gap in _apart(name, each)]
    return sorted([*out, *apart, *_too_much_back(case, chosen, choice)], key=lambda gap: -gap.gap_m)


def _apart(run: str, taken: list[tuple[int, float, float]]) -> list[Gap]:
    """Return how far a valve's takings in several settings are from those of one position between them [m]."""
    middle = 0.5 * (min(k for _, k, _ in taken) + max(k for _, k, _ in taken))
    return [Gap(run, mode, abs(k - middle) * flow**2, flow, shared=True) for mode, k, flow in taken]


def _too_much_back(case: FlowCase, chosen: RelaxedSelection, choice: Choice) -> Iterator[Gap]:
    """Yield the runs into tanks whose flows let more run back than the sumps take, as a height in the tank [m]."""
    for mode, allowance in enumerate(case.allowances):
        network = built_network(case, choice, mode)
        flows = {name: chosen.flows_m3_s[case.key(name, mode)] for name in network.runs}
        excess_m3 = allowance.excess_back_m3(network, flows)
        if excess_m3 > 0.0:
            for name, height_m in allowance.heights_m(network, excess_m3).items():
                yield Gap(name, mode, height_m, flows[name])


def valve_hints(case: FlowCase, chosen: RelaxedSelection, choice: Choice, mode: int = 0) -> dict[str, float]:
    """Return what each valve takes in the relaxation's flows of a mode, as k of k Q² [s²/m⁵]."""
    out = {}
    for name, k in zip(case.ways, choice.ways, strict=True):
        run, way = case.network.runs[name], case.ways[name][k]
        flow = chosen.flows_m3_s[case.key(name, mode)]
        if way.valved and abs(flow) > 1e-9:
            start, end = (case.key(point, mode) for point in (run.start.point, run.end.point))
            there = chosen.heads_m[start] - chosen.heads_m[end]
            off = there - float(case.tables[name].losses_m(flow)[k])
            out[name] = max(0.0, off * math.copysign(1.0, flow)) / flow**2
    return out
