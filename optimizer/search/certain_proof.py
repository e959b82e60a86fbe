"""What no plan that works in enough draws costs less than: one list search for each draw that may be its first.

A plan may fail in k draws. Taken in any order, it works in one of the first k + 1, and where the first that it works in
is the j-th, it fails in at most k - j + 1 of those behind. So the cheapest plan is the cheapest of k + 1 searches: at
the losses of one draw, with a row for each of those behind, of which so many may be broken (`each_draw`). Draws in
which every list costs as much as the plan in hand come first; several are looked at together, each step at its least
loss over them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from optimizer.choices.alternatives import AlternativeTable
from optimizer.choices.demands import DemandPath, KnownFlows
from optimizer.choices.graph import Arc, ChoiceGraph
from optimizer.clock import TimeIsUp
from optimizer.model.catalog import CatalogItem
from optimizer.model.network import Leg, Run
from optimizer.program.merge import MergedTables, all_carried, greatest_head
from optimizer.program.problem import LOSS_UNIT_M, Outcome, Selection
from optimizer.program.through import Rest, is_tree, rest_costs, through_costs
from optimizer.search.closeness import split_by_closeness
from optimizer.search.collection import collection_held
from optimizer.search.drawn_losses import DrawnLosses
from optimizer.search.each_draw import EachDraw
from optimizer.search.harmless import harmless_draws
from optimizer.search.list_proof import Found, ListSearch
from optimizer.search.posing import LEAST_PER_CENT, PosedProblem, pose, pose_each

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
_Cents = TypeVar("_Cents", int, float)

_EDGE = 0.05  # of all draws, those about as hard as what may fail: what a plan has to meet in the end
_ANY_CENTS = 10**7  # no plan costs as much
_TOGETHER = 32  # draws whose tables are worked out at once
_MORE = 5  # draws beyond those one of which a plan works in, that are looked at


@dataclass(frozen=True)
class Stake:
    """What is to be proved: at known flows, in how many draws a plan may fail; `made` are the joints of one in hand."""

    flows: KnownFlows
    may_fail: int
    speed: float
    made: Mapping[tuple[str, str], int]


@dataclass
class Lower:
    """Losses of some draws together: the least of each step, and the most head; or the means of all.

    `weight` makes draws comparable: 1 / what the plan in hand loses there, with a mean of 1.
    """

    drawn: DrawnLosses
    speed: float
    at: Ints
    weight: Floats
    mean: bool = False

    @cached_property
    def by_run(self) -> dict[str, dict[int, float]]:
        """Return by run and the id of a step what it loses."""
        steps = self.drawn.steps.items()
        return {run: dict(zip(ids, self._of(lost_m).tolist(), strict=True)) for run, (ids, lost_m) in steps}

    def step_m(self, run: Run, arc: Arc) -> float:
        return self.by_run[run.name][id(arc)]

    def tee_m(self, item: CatalogItem, legs_m3_s: Mapping[Leg, float]) -> dict[Leg, float]:
        return {leg: float(self._of(lost)) for leg, lost in self.drawn.tee_m(item, legs_m3_s).items()}

    def head_m(self, path: DemandPath) -> float:
        rounding = LOSS_UNIT_M * (len(path.runs) + 2 * len(path.tees) + 2)  # losses are rounded up, here they may not
        return rounding - float(self._of(-self.drawn.head_m(path, self.speed)))

    def _of(self, lost_m: Floats) -> Floats:
        """Return the least of an array's last axis, which has all draws, or the mean."""
        there = lost_m[..., self.at] * self.weight
        return np.asarray(there.mean(axis=-1) if self.mean else there.min(axis=-1))


@dataclass(frozen=True)
class _Told:
    """Draws together, what their tables say that every list costs at the least [cents], and the problem."""

    at: Ints
    cents: int
    posed: PosedProblem
    tables: MergedTables | None  # none where nothing serves


@dataclass
class Proof:
    """The search for a bound, by draws that are worse and worse for a plan in hand.

    `looked` judges by the network whether a choice that would be cheaper works often enough. One that does is the
    cheapest by then, whatever other checks say of it: a bound leaves them out. `ends` tells whether what was found has
    made it needless to go on: what is left stays open.
    """

    stake: Stake
    lists: ListSearch
    drawn: DrawnLosses
    looked: Callable[[Found], bool]
    ends: Callable[[], bool] = lambda: False
    _size: Floats = field(init=False)  # of what the plan in hand loses in each draw [m]
    _taken: list[tuple[CatalogItem, int]] = field(init=False, default_factory=list)  # and joints, see `EachDraw`
    _made: dict[tuple[str, str], int] = field(init=False, default_factory=dict)
    _open: dict[int, int] = field(init=False, default_factory=dict)  # draws that are left, and what is proved of each

    @collection_held()
    def bound(self, below: int, slack_m: Floats) -> int:
        """Return what no plan that works often enough costs less than, as far as there is time [cents].

        Parameters
        ----------
        below
            What the plan in hand costs; the bound goes no further.
        slack_m
            The head that it has left on each way, by draw, (n_draws, n_ways).
        """
        hardest = self._hardest(slack_m)
        self._open = {-1: 0}
        with suppress(TimeIsUp):
            below = self._least(hardest, below)
        return min(below, *self._open.values()) if self._open else below

    def rules_out(self, slack_m: Floats) -> bool:
        """Return whether no plan works often enough, whatever it costs; `slack_m` as above, of any plan."""
        return self.bound(_ANY_CENTS, slack_m) >= _ANY_CENTS

    def posed_at_the_edge(self, slack_m: Floats) -> PosedProblem:
        """Return the problem at the mean of some draws that are about as hard on a plan as the hardest it must meet."""
        return self._at_the_edge(self._hardest(slack_m))

    def look(self, slack_m: Floats) -> None:
        """Look for any list that works often enough, near a plan that has this head left on each way, by draw."""
        with suppress(TimeIsUp):
            hardest = self._hardest(slack_m)
            self._better(hardest, math.inf, self._posed(hardest[self.stake.may_fail :], mean=True))

    def _at_the_edge(self, hardest: Ints) -> PosedProblem:
        half = max(1, round(_EDGE * len(hardest) / 2))
        at = hardest[max(0, self.stake.may_fail - half) : self.stake.may_fail + half]
        return self._posed(at, mean=True)

    def _least(self, hardest: Ints, below: int) -> int:
        """Return what the cheapest plan costs, or the one in hand [cents]; what is not proved of it stays open."""
        whole = self._told(hardest[: self.stake.may_fail + 1], below)
        self._open = {-1: whole.cents}
        if whole.cents < below:
            self._split(whole, below)
            below = self._better(hardest, below, self._at_the_edge(hardest))
            if self.ends():
                return below
            none, some = self._needs(hardest, below)
            may_fail = self.stake.may_fail - len(none)
            some = sorted(some, key=lambda one: -one.cents)[: may_fail + 1]
            self._open = {int(one.at[0]): one.cents for one in some}
            for i, one in enumerate(some):
                before = none.union(*(other.at.tolist() for other in some[:i]))
                below = self._where_first(one, hardest, before, may_fail - i, below)
                if self.ends():
                    break
        return below

    def _better(self, hardest: Ints, below: _Cents, posed: PosedProblem) -> _Cents | int:
        """Return what is to be beaten once lists are tried near the plans of a problem, such as that of some draws.

        The lower it is, the fewer draws are left to be searched one by one.
        """
        if not all(posed.problem.runs.values()) or not all(posed.problem.tees.values()):
            return below
        at = np.concatenate((hardest[:1], hardest))  # the first has no rows: there the problem itself stands
        each = self._each(at, self.stake.may_fail)
        tables = MergedTables(posed.problem, greatest_head(posed.problem))
        found = self.lists.solve(posed, below, tables, drawn=each, soon=True)
        cents = None if found is None else found.selection.cents
        return below if cents is None else min(below, cents)

    def _needs(self, hardest: Ints, below: int) -> tuple[set[int], list[_Told]]:
        """Return draws in which no plan below works, and enough others, each by itself."""
        none: set[int] = set()
        some: list[_Told] = []
        last = min(self.stake.may_fail + 1 + _MORE, len(hardest))
        for end in range(last, 0, -_TOGETHER):
            for told in self._told_each(hardest[max(0, end - _TOGETHER) : end], below):
                if told.cents < below:
                    some.append(told)
                else:
                    none.update(told.at.tolist())
        return none, some

    def _where_first(self, one: _Told, hardest: Ints, before: set[int], may_fail: int, below: int) -> int:
        """Return what is to be beaten once the plans are searched that work in a draw and in none of those before."""
        draw = int(one.at[0])
        behind = [each for each in hardest.tolist() if each not in before and each != draw]
        each = self._each(np.array([draw, *behind]), may_fail)
        if one.cents < below and one.tables is not None:
            found = self.lists.solve(one.posed, below, one.tables, drawn=each)
            if found is not None:
                self._open[draw] = found.selection.bound_cents or 0
                below = below if found.selection.cents is None else min(below, found.selection.cents)
                if self._open[draw] < below:
                    return below
        del self._open[draw]
        return below

    def _each(self, at: Ints, may_fail: int) -> EachDraw:
        return EachDraw(self.drawn, self.stake.speed, at, may_fail, self._works, self._taken, self._made)

    def _works(self, posed: PosedProblem, cents: int) -> bool:
        none = dict.fromkeys(posed.problem.runs, 0), dict.fromkeys(posed.problem.tees, 0)
        return self.looked(Found(posed, Selection(Outcome.FEASIBLE, *none, cents, 0, "program")))

    def _hardest(self, slack_m: Floats) -> Ints:
        """Return the draws, those first in which the plan in hand is worst off; note what it loses on that way."""
        paths = [path for path in self.stake.flows.paths if self.stake.flows.binds(path)]
        heads = np.column_stack([self.drawn.head_m(path, self.stake.speed) for path in paths])
        lost = np.maximum(heads - slack_m, 1e-3)
        share = slack_m / lost
        self._size = lost[np.arange(len(lost)), share.argmin(axis=1)]
        return np.argsort(share.min(axis=1))

    # tables of lower prices

    def _told_each(self, draws: Ints, below: int) -> list[_Told]:
        """Return the same of draws one by one."""
        each = [draws[i : i + 1] for i in range(len(draws))]
        lower = [Lower(self.drawn, self.stake.speed, at, np.ones(1)) for at in each]
        lost = {step: lost_m[draws] for step, lost_m in self.drawn.by_step.items()}
        stake = self.stake
        found = pose_each(self.lists.options, stake.flows, stake.speed, self.lists.prices, lost, lower)
        return [self._told_of(posed, at, below) for posed, at in zip(found, each, strict=True)]

    def _told(self, at: Ints, below: int) -> _Told:
        return self._told_of(self._posed(at), at, below)

    def _told_of(self, posed: PosedProblem, at: Ints, below: int) -> _Told:
        problem = posed.problem
        if not all(problem.runs.values()) or not all(problem.tees.values()):
            return _Told(at, below, posed, None)
        tables = MergedTables(problem, greatest_head(problem))
        least = self.lists.first(tables, problem)
        if not all_carried(problem):
            return _Told(at, 0, posed, tables)
        return _Told(at, below if math.isinf(least) else min(below, self.lists.bound_cents(least)), posed, tables)

    def _posed(self, at: Ints, mean: bool = False) -> PosedProblem:
        weight = 1.0 / self._size[at]
        lower = Lower(self.drawn, self.stake.speed, at, weight / weight.mean(), mean)
        question = self.lists.options, self.stake.flows, self.stake.speed
        return pose(*question, least=self.lists.prices, other=lower, losses=lower.by_run)

    def _split(self, whole: _Told, below: int) -> None:
        """Leave out the steps that are in no list below, and tell apart by closeness what is left: so losses are exact.

        What stands close to what is what losses hang on most. Where no way of a run does any harm in a draw, whatever
        else is chosen, it counts there as if nothing was lost.
        """
        problem, graphs = whole.posed.problem, self.lists.options.graphs
        tees = {tee: list(range(len(found))) for tee, found in problem.tees.items()}
        if is_tree(problem) and not problem.limits and whole.tables is not None:
            most = LEAST_PER_CENT * (below - 1) + self.lists.credit + 1
            rests = rest_costs(problem, whole.tables, math.ceil(most))
            graphs = {name: _useful_steps(whole.posed.tables[name], rests[name], most) for name in graphs}
            costs = through_costs(problem, whole.tables, math.ceil(most))
            tees = tees if costs is None else costs.useful(most)[1]
        split = {name: split_by_closeness(graph, self.drawn.network) for name, graph in graphs.items()}
        limits, made = (self.lists.time_limit_s, self.lists.solver), self.stake.made
        self.lists = ListSearch(replace(self.lists.options, graphs=split), *limits, made=made)
        self.drawn = self.drawn.on(split)
        every = np.arange(self.drawn.draws.samples)
        each = self._each(every, self.stake.may_fail)
        few = replace(problem, tees={tee: tuple(problem.tees[tee][k] for k in kept) for tee, kept in tees.items()})
        heads, lost = each.heads(), each.tees(whole.posed, tees)
        for name, (numbers, lost_m) in self.drawn.steps.items():
            steps = dict(zip(numbers, lost_m / LOSS_UNIT_M, strict=True))
            free = harmless_draws(few, whole.posed.states, split[name], steps, heads, lost) if steps else every < 0
            lost_m[np.isfinite(lost_m) & free] = 0.0


def _useful_steps(table: AlternativeTable, rest: Rest, most: float) -> ChoiceGraph:
    """Return the graph of a run with the steps alone that some way has whose plan costs less than the most.

    `most` is in thousandths of a cent; the table has been asked for its alternatives before.
    """
    so_far, to_go = table.so_far(), table.to_go()
    losses, cents = np.array([*rest.losses, math.inf]), np.array([*rest.cents[: len(rest.losses)], math.inf])
    before = [np.array([one[:2] for one in found], dtype=float).reshape(-1, 2) for found in so_far]
    into: list[list[tuple[Arc, npt.NDArray[np.float64]]]] = [[] for _ in to_go]  # steps, with the ways to behind them
    for node, arcs in enumerate(table.graph.arcs):
        for arc in arcs if so_far[node] else ():
            if to_go[arc.head] and table.arc_loss(arc) < math.inf:
                into[arc.head].append((arc, before[node] + (table.arc_loss(arc), table.price(arc)[0])))
    kept: set[int] = set()
    for found, steps in zip(to_go, into, strict=True):
        if steps:
            there, after = (
                np.concatenate([ways for _, ways in steps]),
                np.array([one[:2] for one in found], dtype=float),
            )
            units = (there[:, :1] + after[:, 0]) / LOSS_UNIT_M - 1e-6
            ahead = cents[np.minimum(np.searchsorted(losses, units, side="left"), len(cents) - 1)]
            least = (there[:, 1:] + after[:, 1] + ahead).min(axis=1)
            starts = np.cumsum([0, *(len(ways) for _, ways in steps[:-1])])
            useful = np.minimum.reduceat(least, starts) < most
            kept.update(id(arc) for (arc, _), is_useful in zip(steps, useful.tolist(), strict=True) if is_useful)
    return replace(table.graph, arcs=[[arc for arc in arcs if id(arc) in kept] for arcs in table.graph.arcs])
