"""What no plan that works in enough draws costs less than: means over draws, and draws that need as much each.

A plan may fail in k draws. Of any m draws it works in m - k at least, so with every step at the mean of its m - k
smallest losses, and heads at the mean of their m - k largest, the cheapest list costs no more (mean bound). And of any
k + 1 draws it works in one, so where each of them alone needs a list of U the plan does too (quantile bound); draws
alike are taken together, each step at its least loss over them. Steps that are in no list below U by the mean bound are
left out of the graphs before that. A set of draws counts as one where no cheaper plan works in all of it; and what that
leaves open goes draw by draw: a cheaper plan works in it, or fails in it and in fewer others. Where means over a few
draws do not tell that no plan works in all of them, the bound stays below.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from optimizer.choices.demands import DemandPath, KnownFlows
from optimizer.choices.graph import Arc
from optimizer.clock import TimeIsUp
from optimizer.hydraulics.draws import Draws
from optimizer.model.catalog import CatalogItem
from optimizer.model.network import Leg, Run
from optimizer.model.system import System
from optimizer.program.merge import MergedTables, all_carried, greatest_head
from optimizer.program.problem import LOSS_UNIT_M
from optimizer.program.through import is_tree, rests_by_packs
from optimizer.search.drawn_losses import DrawnLosses
from optimizer.search.list_proof import Found, ListSearch
from optimizer.search.posing import LEAST_PER_CENT, PosedProblem, pose
from optimizer.search.useful_steps import useful_steps, with_arcs
from optimizer.search.watch import Watch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_TIMES = (2.0, 3.0)  # so many times the draws that may fail are looked at for a mean bound
_GROUP = 2  # draws taken together at first
_TRIES = 6  # means of a set of draws until one proves it
_MISSES = 6  # sets that are given up, until all is
_LARGEST = 6  # draws in a set
_MOST_NODES = 400  # branches that are looked at


@dataclass(frozen=True)
class Stake:
    """What is to be proved: a system at known flows, its draws, in how many of them a plan may fail."""

    system: System
    flows: KnownFlows
    draws: Draws
    may_fail: int
    speed: float
    ways: int  # that have to carry something


@dataclass
class _Lower:
    """Losses that no plan undercuts: steps at the mean of their `count` smallest of some draws, heads at the largest.

    `weight` makes draws comparable: 1 / what the plan in hand loses there, with a mean of 1.
    """

    drawn: DrawnLosses
    speed: float
    at: Ints
    weight: Floats
    count: int
    steps_m: dict[int, float] = field(init=False, default_factory=dict)  # by id of a step

    def __post_init__(self) -> None:
        for numbers, lost_m in self.drawn.steps.values():
            self.steps_m.update(zip(numbers, self._least(lost_m).tolist(), strict=True))

    def step_m(self, run: Run, arc: Arc) -> float:
        return self.steps_m[id(arc)]

    def tee_m(self, item: CatalogItem, legs_m3_s: Mapping[Leg, float]) -> dict[Leg, float]:
        return {leg: float(self._least(lost)) for leg, lost in self.drawn.tee_m(item, legs_m3_s).items()}

    def head_m(self, path: DemandPath) -> float:
        rounding = LOSS_UNIT_M * (len(path.runs) + 2 * len(path.tees) + 2)  # losses are rounded up, here they may not
        return rounding - float(self._least(-self.drawn.head_m(path, self.speed)))

    def _least(self, lost_m: Floats) -> Floats:
        """Return the mean of the smallest of an array's last axis, which has all draws."""
        there = lost_m[..., self.at] * self.weight
        if self.count < len(self.at):
            there = np.partition(there, self.count - 1, axis=-1)[..., : self.count]
        return np.asarray(there.mean(axis=-1))


@dataclass(frozen=True)
class _Branch:
    """The plans that work in some draws and fail in others."""

    works: tuple[int, ...]
    fails: frozenset[int]


@dataclass
class Proof:
    """The search for a bound. `looked` is told of every plan that a bound came with, and says what to beat then."""

    stake: Stake
    lists: ListSearch
    clock: Watch
    looked: Callable[[Found], int]
    known: Sequence[tuple[int, Bools]]  # what plans that were looked at cost, and in which draws they work
    drawn: DrawnLosses = field(init=False)
    _below: int = field(init=False, default=0)
    _proved: int = field(init=False, default=0)  # so far
    _shut: list[tuple[int, frozenset[int]]] = field(init=False, default_factory=list)  # no plan below works in all
    _passed: list[Bools] = field(init=False, default_factory=list)  # plans that the means of a set let pass
    _open: dict[frozenset[int], list[Bools]] = field(init=False, default_factory=dict)  # the same of sets left open
    _nodes: int = field(init=False, default=0)
    _needs: dict[int, int] = field(init=False, default_factory=dict)  # what a plan that works in a draw costs at least

    def __post_init__(self) -> None:
        self.drawn = DrawnLosses.of(self.stake.system, self.stake.flows, self.stake.draws, self.lists.options.graphs)

    def bound(self, below: int, slack_m: Floats) -> int:
        """Return what no plan that works often enough costs less than, as far as there is time [cents].

        Parameters
        ----------
        below
            What the plan in hand costs; the bound goes no further.
        slack_m
            The head that it has left on each way, by draw, (n_draws, n_ways).
        """
        self._below, self._proved = below, 0
        try:
            return self._bound(below, slack_m)
        except TimeIsUp:
            return min(below, self._proved)

    def posed_at_the_edge(self, slack_m: Floats, share: float) -> PosedProblem:
        """Return the problem at the mean of some draws that are about as hard on a plan as the hardest it must meet."""
        hardest, size = self._hardest(slack_m)
        half = max(1, round(share * len(hardest) / 2))
        at = hardest[max(0, self.stake.may_fail - half) : self.stake.may_fail + half]
        return self._posed(self._lower(at, size, len(at)))

    def _bound(self, below: int, slack_m: Floats) -> int:
        hardest, size = self._hardest(slack_m)
        bound, posed_at = -1, None
        for times in _TIMES:
            if self.clock.over:
                return max(0, bound)
            many = min(self.stake.draws.samples, max(self.stake.may_fail + 1, round(times * self.stake.may_fail)))
            told, posed = self._by_tables(self._lower(hardest[:many], size, many - self.stake.may_fail), below)
            if told >= below:
                return below
            if told > bound:
                bound, posed_at = told, posed
                self._proved = max(self._proved, told)
        assert posed_at is not None
        self._leave_out(posed_at, below)
        while True:
            told = self._by_draws(hardest, size, below, bound)
            if told < below <= self._below and not self.clock.over and self._by_sets(hardest, size, below):
                return below
            if told < below <= self._below and not self.clock.over and self._by_branches(hardest, size, below):
                return below
            if told < below <= self._below and not self.clock.over:
                return max(bound, told, self._by_cheaper(hardest, size, below, bound))
            if self._below >= below or self.clock.over:
                return min(below, max(bound, told))
            below = self._below  # a cheaper plan came up: that one is to be proved now

    def _hardest(self, slack_m: Floats) -> tuple[Ints, Floats]:
        """Return the draws, those first in which the plan in hand is worst off, and what it loses on that way."""
        paths = [path for path in self.stake.flows.paths if self.stake.flows.binds(path)]
        heads = np.column_stack([self.drawn.head_m(path, self.stake.speed) for path in paths])
        lost = np.maximum(heads - slack_m, 1e-3)
        share = slack_m / lost
        worst = share.argmin(axis=1)
        return np.argsort(share.min(axis=1)), lost[np.arange(len(lost)), worst]

    def _lower(self, at: Ints, size: Floats, count: int) -> _Lower:
        weight = 1.0 / size[at]
        return _Lower(self.drawn, self.stake.speed, at, weight / weight.mean(), count)

    def _by_tables(self, losses: _Lower, below: int) -> tuple[int, PosedProblem]:
        """Return what the tables of lower prices say that every list costs at lower losses, and the problem."""
        posed = self._posed(losses)
        problem = posed.problem
        if not all(problem.runs.values()) or not all(problem.tees.values()):
            return below, posed
        least = self.lists.first(MergedTables(problem, greatest_head(problem)), problem)
        if not all_carried(problem):
            return 0, posed
        return (below if math.isinf(least) else min(below, self.lists.bound_cents(least))), posed

    def _posed(self, losses: _Lower) -> PosedProblem:
        return pose(self.lists.options, self.stake.flows, self.stake.speed, least=self.lists.prices, other=losses)

    def _least_list(self, losses: _Lower, below: int) -> int:
        """Return what no list costs less than at lower losses; `below` where none is cheaper than that.

        The first list below that ends it: it is only to be known whether there is one.
        """
        self._below = below
        posed = self._posed(losses)
        if not all(posed.problem.runs.values()) or not all(posed.problem.tees.values()):
            return below
        tables = MergedTables(posed.problem, greatest_head(posed.problem))
        found = self.lists.solve(posed, below, tables, any_will_do=True)
        if found is None:
            return below if all_carried(posed.problem) else 0
        self._below = min(below, self.looked(found))
        return min(found.selection.bound_cents or 0, self._below)

    # steps that no list below the plan in hand has

    def _leave_out(self, posed: PosedProblem, below: int) -> None:
        problem = posed.problem
        if not is_tree(problem) or problem.limits or not all(problem.runs.values()):
            return
        most = LEAST_PER_CENT * (below - 1) + self.lists.credit + 1
        tables = MergedTables(problem, greatest_head(problem))
        rests = rests_by_packs(problem, tables, math.ceil(most))
        graphs = {
            name: with_arcs(graph, useful_steps(posed.tables[name], rests[name][0], most))
            for name, graph in self.lists.options.graphs.items()
        }
        options = replace(self.lists.options, graphs=graphs)
        self.lists = ListSearch(options, self.lists.time_limit_s, self.lists.solver)
        self.drawn = self.drawn.narrowed(graphs)

    # draws that need as much, each alone

    def _by_draws(self, hardest: Ints, size: Floats, below: int, bound: int) -> int:
        """Return the cost that more draws need than may fail: no draw in which a cheaper known plan works can do."""
        enough, least = self.stake.may_fail + 1, self._needs
        for draw in hardest.tolist():
            least[draw] = max(least.get(draw, 0), bound)
        waiting = self._waiting(hardest, below)
        groups = [waiting[i : i + _GROUP] for i in range(0, len(waiting), _GROUP)][::-1]
        while groups and not self.clock.over and self._proved_at(below) < enough:
            part = self._waiting(groups.pop(), below)
            if not len(part):
                continue
            told = self._least_list(self._lower(part, size, 1), below)  # each step at its least loss over the part
            if self._below < below:
                break  # a cheaper plan was found: the bound is below it
            for draw in part.tolist():
                least[draw] = max(least[draw], told)
            if told < below and len(part) > 1:
                groups += [part[len(part) // 2 :], part[: len(part) // 2]]
            self._proved = max(self._proved, _rank(least, enough))
        return min(self._below, _rank(least, enough))

    def _proved_at(self, below: int) -> int:
        """Return how many draws need so much, each alone."""
        return sum(cents >= below for cents in self._needs.values())

    def _waiting(self, draws: Ints, below: int) -> Ints:
        """Return the draws that may need so much and are not known to: no known plan that costs less works there."""
        open_ = self._still_hard(draws, below)
        return open_[[self._needs[draw] < below for draw in open_.tolist()]] if len(open_) else open_

    def _by_sets(self, hardest: Ints, size: Floats, below: int) -> bool:
        """Return whether more draws fail than may where a set of draws counts as one: no cheaper plan works in all.

        A set holds a draw for every cheaper known plan in which that one fails, the hardest first.
        """
        free = [draw for draw in hardest.tolist() if self._needs[draw] < below]
        proved, misses = self._proved_at(below), 0
        while proved <= self.stake.may_fail and misses < _MISSES and not self.clock.over:
            found = self._hitting(free, below)
            if found and self._none_works_in_all(found, free, size, below):
                self._shut.append((below, frozenset(found)))
                proved += 1
            elif not found or self._below < below:
                return False
            else:
                misses += 1
                found = found[:1]
            free = [draw for draw in free if draw not in found]
        return proved > self.stake.may_fail

    # draw after draw: a cheaper plan works in it, or fails in it and in fewer others

    def _by_branches(self, hardest: Ints, size: Floats, below: int) -> bool:
        """Return whether no cheaper plan works in enough draws: in one draw after the other it works, or it fails.

        What fails in more draws than it may is none. Of the rest no plan works in all draws that it is taken to work
        in, by means over them.
        """
        free = [draw for draw in hardest.tolist() if self._needs[draw] < below]
        may = self.stake.may_fail - self._proved_at(below)
        self._nodes, self._open = 0, {}
        return self._none_within(_Branch((), frozenset()), free, may, size, below)

    def _none_within(self, at: _Branch, free: Sequence[int], may: int, size: Floats, below: int) -> bool:
        self._nodes += 1
        if self.clock.over or self._nodes > _MOST_NODES:
            return False
        if self._fails_more(at, below) > may:
            return True
        works = self._cheaper_there(at, below)
        if not works and at.works:
            draws = frozenset(at.works)
            if draws not in self._open and self._none_works_in_all(list(at.works), (), size, below):
                self._shut.append((below, draws))
                return True
            works = self._cheaper_there(at, below) or self._open.setdefault(draws, self._passed)
            if self._below < below or not works or len(at.works) >= _LARGEST:
                return False  # a plan is cheaper, or means over these draws do not tell
        left = [draw for draw in free if draw not in at.works and draw not in at.fails]
        fails = np.array([[not one[draw] for draw in left] for one in works]).reshape(len(works), len(left)).sum(axis=0)
        if not left or (works and not fails.max()):
            return False
        draw = left[int(fails.argmax())] if works else left[0]
        if not self._none_within(replace(at, works=(*at.works, draw)), free, may, size, below):
            return False
        if len(at.fails) == may:
            return True
        return self._none_within(replace(at, fails=at.fails | {draw}), free, may, size, below)

    def _cheaper_there(self, at: _Branch, below: int) -> list[Bools]:
        """Return in which draws the known cheaper plans work that work in all of a branch."""
        return [works for cents, works in self.known if cents < below and works[list(at.works)].all()]

    def _fails_more(self, at: _Branch, below: int) -> int:
        """Return in how many draws a plan of a branch fails at least: in one of each set in all of which none works."""
        count, used = len(at.fails), set(at.fails)
        for cents, draws in sorted(self._shut, key=lambda each: len(each[1] - set(at.works))):
            if cents >= below and not draws & used:
                if draws <= set(at.works):
                    return self.stake.draws.samples
                count += 1
                used |= draws
        return count

    def _none_works_in_all(self, found: list[int], free: Sequence[int], size: Floats, below: int) -> bool:
        """Return whether no plan that costs less works in all draws of a set: at their mean, or that of a larger set.

        A draw counts more where a plan that the mean lets pass fails in it; where that plan fails in none of them, one
        more is taken in. `found` is left as it was proved.
        """
        weight = dict.fromkeys(found, 1.0)
        self._passed = []
        for k in range(_TRIES):
            many = len(self.known)
            at = np.array(found)
            counted = size.copy()
            counted[at] /= [weight[draw] for draw in found]
            told = self._least_list(self._lower(at, counted, len(at)), below)
            if told >= below:
                return True
            if self._below < below or self.clock.over or len(self.known) == many:
                return False
            works = self.known[-1][1]
            self._passed.append(works)
            failing = [draw for draw in found if not works[draw]]
            for draw in failing:
                weight[draw] *= 1.0 + 1.0 / (1 + k // 2)
            more = [draw for draw in free if draw not in found and not works[draw]]
            if not failing and (not more or len(found) >= _LARGEST):
                return False
            if not failing:
                found.append(more[0])
                weight[more[0]] = 1.0
        return False

    def _hitting(self, free: Sequence[int], below: int) -> list[int]:
        """Return a few draws so that every known plan that costs less fails in one of them; none where none serve."""
        if not free:
            return []
        found = [free[0]]
        left = [works for cents, works in self.known if cents < below and works[free[0]]]
        while left:
            fails = np.array([[not works[draw] for draw in free] for works in left]).sum(axis=0)
            most = int(fails.argmax())
            if not fails[most] or len(found) >= _LARGEST:
                return []
            found.append(free[most])
            left = [works for works in left if works[free[most]]]
        return found

    def _by_cheaper(self, hardest: Ints, size: Floats, below: int, bound: int) -> int:
        """Return what the draws tell where a cheaper plan, that works in nearly enough of them, is in the way.

        Below the cost of that plan it eases none of them; so what it costs may be proved where more is not.
        """
        for cents in sorted({cents for cents, _ in self.known if bound < cents < below}, reverse=True):
            told = self._by_draws(hardest, size, cents, bound)
            if told >= cents or self.clock.over:
                return min(cents, told)
        return bound

    def _still_hard(self, draws: Ints, below: int) -> Ints:
        """Return the draws in which no known plan that costs less works."""
        eased = np.zeros(self.stake.draws.samples, dtype=bool)
        for cents, works in self.known:
            if cents < below:
                eased |= works
        return draws[~eased[draws]]


def _rank(least: Mapping[int, int], enough: int) -> int:
    """Return the cost that so many draws need at least."""
    found = sorted(least.values(), reverse=True)
    return found[enough - 1] if len(found) >= enough else 0
