"""The plan whose parts list costs least at one head, with its proof: tables below the list, ways, a program.

Tables of lower prices give a bound and a first plan, whose list is priced exactly. A program on what the tables have
finds a better list; then all ways of every run that could be in a list below that one are told (`list_ways`), and the
same program picks among them, priced exactly, until its bound meets the best list.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property
from types import MappingProxyType

from optimizer.clock import TimeIsUp
from optimizer.model.catalog import CatalogItem
from optimizer.program.list_program import Chosen, ListAnswer, Priced, solve_list
from optimizer.program.merge import MergedTables, all_carried, greatest_head
from optimizer.program.problem import Outcome, Selection, SizingProblem
from optimizer.program.through import is_tree, through_costs
from optimizer.search.collection import collection_held
from optimizer.search.drawn_parts import Between, Kept, NeedlessWays, parts_by_pipe
from optimizer.search.each_draw import EachDraw
from optimizer.search.list_lower import MOST_OPENED, LowerPrices, first_lengths
from optimizer.search.list_pick import Cutting, Pick
from optimizer.search.list_ways import TooManyWaysError, Way
from optimizer.search.posing import LEAST_PER_CENT, PosedProblem
from optimizer.search.told_ways import ToldWays
from optimizer.search.watch import Told

_FIRST = 60  # about how many alternatives the first program gets: it is only to find a better list
_FIRST_DRAWN = 120  # the same where draws have rows of their own
_MOST_OPENED_DRAWN = 4  # pipes whose first length is told apart then
_WIDE = 0.08  # of the best list: where the bound is further below it, a part of the way is looked at first
_PART = 0.5
_GAIN = 0.01  # of the best list: less of a gain is not worth pricing all again


@dataclass(frozen=True)
class Found:
    """The best choice found, as a posed problem of one alternative for every run, and what is proved of it.

    `selection.cents` is what its list costs, and the work on it; its bound is what no list costs less than.
    """

    posed: PosedProblem
    selection: Selection


@dataclass
class ListSearch(LowerPrices):
    """Searches the parts lists of one system, its pump in place."""

    @collection_held()
    def solve(
        self,
        posed: PosedProblem,
        below_cents: float,
        tables: MergedTables,
        told: Told | None = None,
        soon: bool = False,
        drawn: EachDraw | None = None,
    ) -> Found | None:
        """Return the best list below a limit [cents]; None where it is proved that there is none.

        `soon` ends it without a proof, with what the tables have.

        `told` hears how it goes; a TimeIsUp that it raises ends the search with the best so far.

        Raises
        ------
        SolverError
            When no solver answers.
        """
        search = _AtHead(self, posed, tables, below_cents, told, drawn)
        try:
            return search.solve(soon)
        except TimeIsUp:
            return search.so_far()


@dataclass
class _AtHead:
    """The search at one head. `best` is the cheapest list so far, `below` what a list must be under to matter."""

    search: ListSearch
    posed: PosedProblem
    tables: MergedTables
    below: float
    told: Told | None = None
    drawn: EachDraw | None = None
    best: Found | None = None
    bound: int = 0
    first_cents: Mapping[str, int] = field(default_factory=dict)  # by run, of the cheapest plan of the tables
    taken: list[tuple[CatalogItem, int]] = field(default_factory=list)  # new pipe of lists, saw cuts counted [units]
    cuttings: dict[Cutting, None] = field(default_factory=dict)  # what pieces of pipe cost together, found so far
    made: Mapping[tuple[str, str], int] = field(default_factory=dict)  # joints of the best list
    until: float = 0.0  # on the clock; 0: from now on as long as the search may take

    def __post_init__(self) -> None:
        self.problem = self.posed.problem
        self.bound = self.search.floor_cents
        budget = self.search.options.system.rules.budget_cents
        self.budget = budget
        if budget is not None and not self.search.shop.effort.cents_per_hour:
            self.below = min(self.below, budget + 1)
        self.until = self.until or time.monotonic() + self.search.time_limit_s
        self.taken = self.taken if self.drawn is None else self.drawn.taken
        self.ways = ToldWays(self.search, self.posed, self.tables, self.drawn, self.until)

    def solve(self, soon: bool) -> Found | None:
        if not all(self.problem.runs.values()) or not all(self.problem.tees.values()):
            return None
        self._start()
        self._say("a first plan")
        if not self._open():
            return self._ended()
        if (self.drawn is None or soon) and not self._first_lists():  # by draws that was done before, near all of them
            return self._nothing_else()
        self._say("better plans")
        if not self._open() or soon:
            return self._ended()
        return self._near_the_best()._proved()

    def _say(self, stage: str, bound_cents: float = 0) -> None:
        """Tell how it goes; `bound_cents` holds for all that may still be below the limit."""
        if self.told is not None:
            best = math.inf if self.best is None else float(self.best.selection.cents or 0)
            self.told(stage, best, max(self.bound, min(bound_cents, self.below if self.best is None else best)))

    def _proved(self) -> Found | None:
        with suppress(TimeIsUp):
            if not self._is_wide() or self._prove_part():  # far fewer ways; the best list may be among them
                try:
                    if self._open():
                        self._prove(self.below)
                except TooManyWaysError:
                    self._prove_part()
        return self._ended()

    def _prove_part(self) -> bool:
        """Prove a part of what is between bound and best list; return whether there were not too many ways for that."""
        with suppress(TooManyWaysError):
            self._prove(self.bound + _PART * (self.below - self.bound))
            return True
        return False

    def _near_the_best(self) -> _AtHead:
        """Return the search with lower prices that come near to the best list, where they are far below it.

        Where it takes little of a pipe, with the whole first length: a list with any piece of it pays for a length. And
        with a share of cement and tape for each joint, where it makes many. So plans that only seem cheap by the length
        or by the smallest can are ruled out.
        """
        first, made = self._first_lengths(), self._many_joints()
        if (not first and made is self.search.made) or self.posed.again is None:
            return self
        search = self.search.near(first, made)
        told = self.posed.again(search.options, search.prices)
        posed = replace(told, problem=replace(told.problem, paths=self.problem.paths))
        tables = MergedTables(posed.problem, greatest_head(posed.problem))
        there = replace(self, search=search, posed=posed, tables=tables)
        least = search.first(tables, posed.problem)
        there.bound = self.bound if math.isinf(least) else max(self.bound, search.bound_cents(least))
        return there

    def _first_lengths(self) -> dict[str, int]:
        """Return the pipes of which a first length costs more than pieces do by the length, in lists told so far."""
        if not self._is_wide():
            return {}
        return first_lengths(
            self.search.shop.pipes, self.taken, MOST_OPENED if self.drawn is None else _MOST_OPENED_DRAWN
        )

    def _many_joints(self) -> Mapping[tuple[str, str], int]:
        """Return the joints of the best list, where lower prices that are near to it say clearly more, or as it was."""
        if not self._is_wide() or self.search.gain_cents(self.made) < _GAIN * self.below:
            return self.search.made
        return self.made

    def _prove(self, upto: float) -> None:
        """Find the best list below a limit [cents] among all ways, or that there is none.

        Raises
        ------
        TooManyWaysError
            When there are more ways than a proof is worth.
        """
        ways = self.ways.all_below(self._limit(upto), self.first_cents, self._say)
        self._say("proving")
        told = len(ways) == len(self.problem.runs) and all(ways.values())
        bounds = []
        for kept, between in self._parts(ways, upto) if told else ():
            own = self.ways.unbeaten({run: [ways[run][k] for k in each] for run, each in kept[0].items()})
            answer = self._picked(own, kept[1], 0 if self.drawn is not None else self._bound_at(upto), between)
            bounds.append(answer.bound_cents)
        if not bounds and math.isinf(upto):
            self.below = 0.0
        self.bound = max(self.bound, int(min([*bounds, self._bound_at(upto)])))
        self._say("proving")

    def _parts(self, ways: Mapping[str, Sequence[Way]], upto: float) -> Iterator[tuple[Kept, Between]]:
        """Yield the ways and fittings that lists below a limit may have, part by part where draws count."""
        problem = self.ways.posed_again(ways)
        if self.drawn is not None:
            needless = NeedlessWays(self.drawn, self.posed, ways)
            yield from parts_by_pipe(needless, problem, self.search, lambda: self._limit(min(upto, self.below)))
            return
        few = self._few(problem, self._limit(upto))
        if few is not None:
            yield few, {}

    def _bound_at(self, upto: float) -> int:
        """Return a limit as the bound that it is once nothing is below it [cents]."""
        return self._known_bound() if math.isinf(upto) else math.ceil(upto)

    def _first_lists(self) -> bool:
        """Look for a better list among what the tables have; return whether anything can be below the limit at all."""
        few = self._few(self.problem, self._limit(self.below))
        if few is None:
            return False
        ways = {run: [self.ways.one(run, k) for k in few[0][run]] for run in self.problem.runs}
        told = self.ways.posed_again(ways)
        for about in (_FIRST if self.drawn is None else _FIRST_DRAWN, None):
            kept = self._few(told, self._limit(self.below), about)
            if kept is None:
                return True
            own = self.ways.unbeaten({run: [ways[run][k] for k in each] for run, each in kept[0].items()})
            answer = self._picked(own, kept[1])
            complete = self.budget is None and all_carried(self.problem) and math.isinf(self.below)
            if self.best is not None or not complete or answer.outcome is not Outcome.INFEASIBLE:
                return True
        self.bound = self._known_bound()  # what the tables lack, they have better: nothing at all serves
        self.below = min(self.below, float(self.bound))
        return True

    def so_far(self) -> Found | None:
        """Return the best list when the time came, and what is proved of it."""
        return self._ended()

    # what is known

    def _known_bound(self) -> int:
        """Return the limit itself, which nothing is below once everything is ruled out."""
        return 0 if math.isinf(self.below) else math.ceil(self.below)

    def _nothing_else(self) -> Found | None:
        """Return what is known where it is proved that no other list is below the limit."""
        self.below = 0.0 if math.isinf(self.below) else self.below
        self.bound = max(self.bound, self._known_bound())
        return self._ended()

    def _open(self) -> bool:
        return math.isinf(self.below) or self.bound < self.below

    def _is_wide(self) -> bool:
        return not math.isinf(self.below) and self.below - self.bound > _WIDE * self.below

    def _limit(self, below: float) -> float:
        """Return what a sum of lower prices must be below to matter for lists below this [thousandths of a cent]."""
        if math.isinf(below):
            return float(self._dearest)
        return LEAST_PER_CENT * (math.ceil(below) - 1) + self.search.credit + 1

    @cached_property
    def _dearest(self) -> int:
        """Return more than the lower prices of any plan come to: those of all steps, fittings and packs together."""
        steps = sum(max(0, cents) for prices in self.search.prices.values() for cents in prices.least.values())
        fittings = sum(max(choice.cents for choice in some) for some in self.problem.tees.values())
        return steps + fittings + sum(self.problem.packs) + 1

    def _ended(self) -> Found | None:
        if self.best is None:
            if self._open():
                nothing = Selection(Outcome.NO_PLAN_FOUND, {}, {}, None, self.bound, "")
                return Found(self.posed, nothing)
            return None
        cents = self.best.selection.cents
        assert cents is not None
        bound = min(cents, self.bound)
        outcome = Outcome.OPTIMAL if bound >= cents else Outcome.FEASIBLE
        return replace(self.best, selection=replace(self.best.selection, outcome=outcome, bound_cents=bound))

    def _start(self) -> None:
        """Take the bound of the tables, and the list of the plan that has it."""
        least = self.search.first(self.tables, self.problem)
        if math.isinf(least):
            if is_tree(self.problem) and all_carried(self.problem):
                self.below = min(self.below, 0.0)
            return
        if all_carried(self.problem):
            self.bound = max(self.bound, self.search.bound_cents(least))
        head = greatest_head(self.problem)
        found = next(found for found in self.tables.selections() if found.need <= head)
        chosen = Chosen(dict(found.run_choice), dict(found.tee_choice))
        self.first_cents = {run: self.problem.runs[run][k].cents for run, k in chosen.runs.items()}
        ways = {run: [self.ways.one(run, k)] for run, k in chosen.runs.items()}
        tees = {tee: [k] for tee, k in chosen.tees.items()}
        one = Chosen(dict.fromkeys(ways, 0), dict.fromkeys(tees, 0))
        pick = self._pick(ways, tees)
        if self.drawn is not None:
            self.made = dict(self.drawn.made) or pick.joints(one)
        cents = pick.allowed_cents(one)  # what its pipe says of other choices would take long where pieces are many
        if cents is not None and cents < self.below and self._works(pick, one, cents):
            self._keep(pick, one, cents)

    def _few(self, problem: SizingProblem, below: float, about: int | None = None) -> Kept | None:
        """Return the choices of runs and tees that can be in a list below the limit; None where nothing is left."""
        own = problem is self.problem
        tables = self.tables if own and not problem.limits else None
        costs = through_costs(problem, tables, math.ceil(below))
        if costs is None or costs.bound >= below:
            return None
        runs, tees = costs.useful(below if about is None else min(below, max(costs.bound, costs.cheapest(about))))
        if not all(runs.values()) or not all(tees.values()):
            return None
        return {name: list(kept) for name, kept in runs.items()}, {name: list(kept) for name, kept in tees.items()}

    # the program

    def _picked(
        self,
        ways: Mapping[str, Sequence[Way]],
        tees: Mapping[str, Sequence[int]],
        proves_cents: float = 0,
        between: Between = MappingProxyType({}),
    ) -> ListAnswer:
        """Have the program pick among ways and fittings; keep the best list where it is below the limit.

        What it proves is told up to `proves_cents`: nothing where there may be other ways. Only lists count on
        which pipes cost what `between` says.
        """
        pick = self._pick(ways, tees)

        def price(chosen: Chosen) -> Priced:
            priced = pick.price(chosen)
            if priced.allowed and priced.cents < self.below:
                if not self._works(pick, chosen, priced.cents):
                    return replace(priced, allowed=False)
                self._keep(pick, chosen, priced.cents, self.search.solver or "program")
            return priced

        def heard(bound_cents: float) -> None:
            self._say("trying plans", min(bound_cents, proves_cents))

        left_s = max(0.5, self.until - time.monotonic())
        below = self.below if math.isinf(self.below) else math.ceil(self.below)
        answer = solve_list(replace(pick.problem(), between=between), price, below, left_s, self.search.solver, heard)
        if answer.chosen is not None and answer.cents is not None and answer.cents <= self.below:
            self._keep(pick, answer.chosen, answer.cents, answer.solver)
        return answer

    def _works(self, pick: Pick, chosen: Chosen, cents: int) -> bool:
        """Return whether a choice works in as many draws as it has to, where draws count."""
        return self.drawn is None or self.drawn.works(pick.posed_of(chosen), cents)

    def _pick(self, ways: Mapping[str, Sequence[Way]], tees: Mapping[str, Sequence[int]]) -> Pick:
        search = self.search
        bought = search.shop, search.prices, search.options.catalog
        return Pick(*bought, self.posed, ways, tees, self.budget, self.taken, self.cuttings, self.drawn)

    def _keep(self, pick: Pick, chosen: Chosen, cents: int, solver: str = "tables") -> None:
        none = dict.fromkeys(pick.ways, 0), dict.fromkeys(pick.tees, 0)
        self.best = Found(pick.posed_of(chosen), Selection(Outcome.FEASIBLE, *none, cents, self.bound, solver))
        self.made = pick.joints(chosen)
        if self.drawn is not None:
            self.drawn.made.clear()
            self.drawn.made.update(self.made)
        self.below = cents
