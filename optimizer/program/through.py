"""What a plan costs at least if it uses a given alternative: exact for trees, from tables merged inwards and outwards.

`merge` gives, for every run and start state, the efficient selections of all that lies behind it. The other way round,
what is left outside of a run is a table too: head that is available at its start against the cost of everything else.
An alternative between the two costs, at least, the cheapest pair of entries that leaves it enough head.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from optimizer.errors import PlanError
from optimizer.program.merge import Front, MergedTables, Tree, greatest_head, stairs
from optimizer.program.problem import SizingProblem, State
from optimizer.program.reduced import ReducedCosts

Ints = npt.NDArray[np.int64]
_NEVER = 2**60  # more than any plan costs, which `_all_through` sees to; four of it still fit into 64 bits
ANY_COST = _NEVER - 1


@dataclass(frozen=True)
class _Outside:
    """Head available at a run's or tee's inlet, rising, and the least cost of all that is not behind it, rising."""

    head: Ints
    cents: Ints


@dataclass(frozen=True)
class Rest:
    """What all of a plan but one run costs at least, by what that run may lose: rising both.

    A run that loses up to `losses[k]` loss units, and more than the entry before, leaves the rest to cost `cents[k]` at
    least; `cents` has one entry more, endless, for what loses more than all.
    """

    losses: tuple[int, ...]
    cents: tuple[float, ...]

    def least(self, loss: float) -> float:
        """Return the least cost of the rest [cents] when the run loses this [loss units]."""
        return self.cents[bisect_left(self.losses, loss)]


@dataclass
class _Through:
    """What alternatives and fittings cost, or, for the runs `wanted`, `rests`: by run and its start state what it may
    lose and what the rest costs then.
    """

    tree: Tree
    head: int  # of the trees whose head goes with the pump's; the others have their own
    most_cents: float  # what costs more, packs aside, is of no interest
    wanted: frozenset[str] | None = None
    run_costs: dict[str, Ints] = field(default_factory=dict)
    tee_costs: dict[str, Ints] = field(default_factory=dict)
    rests: dict[str, dict[State, list[tuple[Ints, Ints]]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        problem = self.tree.problem
        self.run_costs = {run: np.full(len(choices), _NEVER) for run, choices in problem.runs.items()}
        self.tee_costs = {tee: np.full(len(options), _NEVER) for tee, options in problem.tees.items()}
        heads = {source: self.head if moves else self.tree.best for source, moves in self.tree.moving.items()}
        least = {source: self._least(source, head) for source, head in heads.items()} if len(heads) > 1 else {}
        self.on_way = _leading_to(problem, problem.runs if self.wanted is None else self.wanted)
        waiting = {}
        for source, head in heads.items():
            others = sum(cents for name, cents in least.items() if name != source)
            start = _Outside(np.array([head]), np.array([min(others, _NEVER)]))
            if source in self.on_way:
                waiting[source] = {choice.start: start for choice in problem.runs[source]}
        while waiting:
            run, outside = waiting.popitem()
            behind = self._through_run(run, outside)
            if run in self.tree.outlet:
                for other, states in self._through_tee(self.tree.outlet[run], behind).items():
                    waiting[other] = {state: _efficient(found, self.most_cents) for state, found in states.items()}

    def _least(self, source: str, head: int) -> int:
        """Return the least cost of one tree within its head."""
        starts = {choice.start for choice in self.tree.problem.runs[source]}
        fronts = [self.tree.run_front(source, start) for start in starts]
        costs = [int(_cheapest(front, np.array([head]))[0]) for front in fronts if front is not None]
        return min(costs, default=_NEVER)

    def _through_run(self, run: str, outside: dict[State, _Outside]) -> dict[State, _Outside]:
        """Note what each alternative costs, and return what is outside of the tee at the run's end by its state."""
        if self.wanted is not None and run in self.wanted:
            for state, there in outside.items():
                self._note_rest(run, state, there)
        if self.wanted is not None and run not in self.tree.outlet:
            return {}
        columns = self.tree.columns_of(run)
        usable = columns.packs & ~self.tree.opened == 0
        found: dict[State, list[tuple[Ints, Ints]]] = {}
        for start, end in dict.fromkeys(zip(columns.start[usable].tolist(), columns.end[usable].tolist(), strict=True)):
            if start not in outside:
                continue
            picks = np.flatnonzero(usable & (columns.start == start) & (columns.end == end))
            there, loss, cents = outside[start], columns.loss[picks], columns.cents[picks]
            left = there.head[None, :] - loss[:, None]
            spent = there.cents[None, :] + cents[:, None]
            if run in self.tree.outlet:
                found.setdefault(end, []).append((left.ravel(), spent.ravel()))
            if self.wanted is None:
                np.minimum.at(self.run_costs[run], picks, (spent + self._behind(run, end, left)).min(axis=1))
        return {end: _efficient(parts, self.most_cents) for end, parts in found.items()}

    def _behind(self, run: str, end: State, left: Ints) -> Ints:
        """Return the least cost of all behind a run that ends so, by the head that is left there."""
        if run not in self.tree.outlet:
            return np.where(left >= self.tree.rise[run], 0, _NEVER)
        inner = self.tree.tee_fronts(self.tree.outlet[run]).get(end)
        return np.full(left.shape, _NEVER) if inner is None else _cheapest(inner, left)

    def _note_rest(self, run: str, state: State, there: _Outside) -> None:
        """Note what is left for the run to lose between what is outside of it and what lies behind it."""
        noted = self.rests.setdefault(run, {}).setdefault(state, [])
        if run not in self.tree.outlet:
            noted.append((there.head - self.tree.rise[run], there.cents))
            return
        for inner in self.tree.tee_fronts(self.tree.outlet[run]).values():
            spare = (there.head[:, None] - inner.need[None, :]).ravel()
            spent = (there.cents[:, None] + inner.cents[None, :]).ravel()
            found = _efficient([(spare, spent)], self.most_cents)
            noted.append((found.head, found.cents))

    def _through_tee(self, tee: str, outside: dict[State, _Outside]) -> dict[str, dict[State, list[tuple[Ints, Ints]]]]:
        """Note what each fitting costs, and return what is outside of the runs that leave the tee, by their state."""
        out: dict[str, dict[State, list[tuple[Ints, Ints]]]] = {}
        for k, fitting in enumerate(self.tree.problem.tees[tee]):
            (inlet,) = (end for end in fitting.states if not end[1])
            there = outside.get(fitting.states[inlet])
            if fitting.packs & ~self.tree.opened or there is None:
                continue
            left = there.head - fitting.losses[inlet]
            leaving = [(run, state) for (run, at_start), state in fitting.states.items() if at_start]
            rests = {}
            for run, state in leaving:
                front = self.tree.run_front(run, state)
                need = left - fitting.losses[run, True]
                rests[run] = np.full(left.shape, _NEVER) if front is None else _cheapest(front, need)
            total = there.cents + fitting.cents + sum(rests.values())
            self.tee_costs[tee][k] = min(self.tee_costs[tee][k], int(total.min()))
            for run, state in (one for one in leaving if one[0] in self.on_way):
                others = there.cents + fitting.cents + sum(rest for name, rest in rests.items() if name != run)
                out.setdefault(run, {}).setdefault(state, []).append((left - fitting.losses[run, True], others))
        return out


def _leading_to(problem: SizingProblem, wanted: Container[str]) -> frozenset[str]:
    """Return the runs that some water comes through to, or to what lies before, any of those wanted."""
    found: set[str] = set()
    for path in problem.paths:
        last = max((i for i, run in enumerate(path.runs) if run in wanted), default=-1)
        found.update(path.runs[: last + 1])
    return frozenset(found)


def _cheapest(front: Front, head: Ints) -> Ints:
    """Return the least cost of a front's selections that need no more than each head; never where none does."""
    at = np.searchsorted(front.need, head, side="right") - 1
    return np.where(at >= 0, front.cents[np.maximum(at, 0)], _NEVER)


def _efficient(parts: list[tuple[Ints, Ints]], most_cents: float = ANY_COST) -> _Outside:
    """Return the entries up to a cost that no other beats: more head for more cost only."""
    head = np.concatenate([part[0] for part in parts])
    cents = np.concatenate([part[1] for part in parts])
    usable = cents <= most_cents
    head, cents = head[usable], cents[usable]
    if not len(head):
        return _Outside(np.array([-_NEVER]), np.array([_NEVER]))
    chosen = stairs(-head, cents)[::-1]
    return _Outside(head[chosen], cents[chosen])


def through_costs(
    problem: SizingProblem, tables: MergedTables | None = None, most_cents: int = ANY_COST
) -> ReducedCosts | None:
    """Return the least cost of a plan through every alternative of its trees; None when no plan serves.

    Parameters
    ----------
    problem
        Trees (see `is_tree`), their paths named after the runs that end them. Its limits are left out of account: they
        can only make a plan dearer.
    tables
        The merged tables of the problem, where they are known already and it has no limits.
    most_cents
        Plans that cost more are of no interest: an alternative that only they use may be told as used by none.
    """
    if tables is None or problem.limits:
        tables = MergedTables(replace(problem, limits=()), greatest_head(problem))
    runs = {run: np.full(len(choices), _NEVER) for run, choices in problem.runs.items()}
    tees = {tee: np.full(len(options), _NEVER) for tee, options in problem.tees.items()}
    for opening, found in _all_through(problem, tables, most_cents):
        for into, group in ((runs, found.run_costs), (tees, found.tee_costs)):
            for name, costs in group.items():
                np.minimum(into[name], costs + opening, out=into[name])
    best = min(int(costs.min()) for costs in runs.values())
    return None if best >= _NEVER else ReducedCosts(best, _listed(runs), _listed(tees))


def _listed(costs: dict[str, Ints]) -> dict[str, list[float]]:
    return {name: [cents if cents < _NEVER else math.inf for cents in each.tolist()] for name, each in costs.items()}


def rest_costs(
    problem: SizingProblem, tables: MergedTables | None = None, most_cents: int = ANY_COST
) -> dict[str, Rest]:
    """Return for every run of a tree what all the rest of a plan costs at least, packs and all.

    Alternatives that the problem does not have yet are judged by it: one whose own cents and this exceed a limit can
    not be in a plan below that limit. Parameters are those of `through_costs`, but that the tables are of the problem
    without its limits.
    """
    parts: dict[str, list[tuple[Ints, Ints]]] = {run: [] for run in problem.runs}
    tables = tables or MergedTables(replace(problem, limits=()), greatest_head(problem))
    for opening, found in _all_through(problem, tables, most_cents, frozenset(problem.runs)):
        for run, rests in found.rests.items():
            parts[run] += [(losses, cents + opening) for each in rests.values() for losses, cents in each]
    return {run: _rest(found) for run, found in parts.items()}


def rests_by_packs(problem: SizingProblem, tables: MergedTables, most_cents: int) -> dict[str, dict[int, Rest]]:
    """Return for every run of a tree, by the packs that it opens (bits), what all the rest of a plan costs at least.

    All packs of the plan are in it, those that the run opens too. Plans that cost more than `most_cents` are of no
    interest: what only they have may be told as endless.
    """
    noted = _noted_by_packs(problem, tables, most_cents, problem.runs)
    return {
        run: _by_packs(
            problem, {opened: [one for each in found.values() for one in each] for opened, found in by_opened.items()}
        )
        for run, by_opened in noted.items()
    }


def rests_by_start(
    problem: SizingProblem, tables: MergedTables, most_cents: int, wanted: Iterable[str]
) -> dict[str, dict[State, dict[int, Rest]]]:
    """Return the same of the runs wanted for every state that each may have at its start.

    A state is left out where no plan has it.
    """
    noted = _noted_by_packs(problem, tables, most_cents, wanted)
    return {
        run: {
            state: _by_packs(problem, {opened: found.get(state, []) for opened, found in by_opened.items()})
            for state in {state for found in by_opened.values() for state in found}
        }
        for run, by_opened in noted.items()
    }


def _noted_by_packs(
    problem: SizingProblem, tables: MergedTables, most_cents: int, wanted: Iterable[str]
) -> dict[str, dict[int, dict[State, list[tuple[Ints, Ints]]]]]:
    """Return by run, packs opened by the whole plan, and start state what the run may lose, and what the rest costs."""
    found: dict[str, dict[int, dict[State, list[tuple[Ints, Ints]]]]] = {run: {} for run in wanted}
    whole = MergedTables(replace(problem, limits=()), greatest_head(problem)) if problem.limits else tables
    for opened, (opening, through) in enumerate(_all_through(problem, whole, most_cents, frozenset(found))):
        for run, rests in through.rests.items():
            found[run][opened] = {
                state: [(losses, cents + opening) for losses, cents in each] for state, each in rests.items()
            }
    return found


def _by_packs(problem: SizingProblem, by_opened: Mapping[int, Sequence[tuple[Ints, Ints]]]) -> dict[int, Rest]:
    """Return by the packs that a run opens what the rest costs: of plans that open these, and maybe others."""
    return {
        packs: _rest([part for opened, parts in by_opened.items() if packs & ~opened == 0 for part in parts])
        for packs in range(1 << len(problem.packs))
    }


def _rest(parts: list[tuple[Ints, Ints]]) -> Rest:
    if not parts:
        return Rest((), (math.inf,))
    best = _efficient(parts)
    usable = best.cents < _NEVER
    return Rest(tuple(best.head[usable].tolist()), (*best.cents[usable].tolist(), math.inf))


def _all_through(
    problem: SizingProblem, tables: MergedTables, most_cents: int, wanted: frozenset[str] | None = None
) -> Iterator[tuple[int, _Through]]:
    """Yield what opening a set of packs costs, and the tables of all plans that open no others, for every set."""
    every = [choice.cents for choices in problem.runs.values() for choice in choices]
    every += [choice.cents for choices in problem.tees.values() for choice in choices]
    if sum(every) + sum(problem.packs) >= _NEVER:
        raise PlanError("the prices are too large to be added up in whole cents")
    for opened in range(1 << len(problem.packs)):
        opening = sum(price for i, price in enumerate(problem.packs) if opened >> i & 1)
        yield opening, _Through(tables.tree(opened), greatest_head(problem), most_cents - opening, wanted)


def is_tree(problem: SizingProblem) -> bool:
    """Return whether water parts at every tee and never meets again, each way ending in a run of its own.

    There may be several trees, each with a run that all its water comes through.
    """
    inlets = [[run for run, at_start in options[0].states if not at_start] for options in problem.tees.values()]
    names = [path.name for path in problem.paths]
    ends = {path.runs[-1] for path in problem.paths}
    covered = {run for path in problem.paths for run in path.runs}
    return (
        all(len(into) == 1 for into in inlets)
        and len(set(names)) == len(names)
        and ends == set(names)
        and covered == set(problem.runs)
        and all(options for options in problem.tees.values())
    )
