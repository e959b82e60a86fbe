"""The plan whose parts list costs least at one head, with its proof: tables below the list, ways, a program.

Tables of lower prices give a bound and a first plan, whose list is priced exactly. A program on what the tables have
finds a better list; then all ways of every run that could be in a list below that one are told (`list_ways`), and the
same program picks among them, priced exactly, until its bound meets the best list.
"""

from __future__ import annotations

import math
import time
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TypeVar

from optimizer.choices.alternatives import Alternative, Pack
from optimizer.choices.effort import Effort
from optimizer.choices.tees import TeeOption
from optimizer.clock import TimeIsUp
from optimizer.model.catalog import CatalogItem
from optimizer.program.list_program import (
    Chosen,
    ListAnswer,
    ListProblem,
    PipeCut,
    Priced,
    SoldPacks,
    SoldPipe,
    solve_list,
)
from optimizer.program.merge import MergedTables, all_carried, greatest_head
from optimizer.program.problem import Outcome, RunChoice, Selection, SizingProblem, TeeChoice
from optimizer.program.through import is_tree, rests_by_packs, through_costs
from optimizer.search.collection import without_collection
from optimizer.search.list_costs import RunPrices, Shop
from optimizer.search.list_rivals import Rivals
from optimizer.search.list_ways import TooManyWaysError, Way, WayFinder
from optimizer.search.posing import LEAST_PER_CENT, Options, PosedProblem, loss_units
from optimizer.takeoff.cutting import UNIT_M
from optimizer.takeoff.list_price import KERF, JointShop, Pieces, PipeShop, covers

_NO_WAY = 10**12
_FIRST = 60  # about how many alternatives the first program gets: it is only to find a better list
_MOST_FLOORS = 3  # for each pipe, of the offcuts that its long pieces may leave
_WIDE = 0.08  # of the best list: where the bound is further below it, half the way is looked at first
_N = TypeVar("_N", int, float)
_Few = tuple[dict[str, list[int]], dict[str, list[int]]]
_MOST_OPENED = 2  # pipes whose first length is told apart: each doubles the tables
_SEALING = ("cement", "tape")
_USES = (("cement", "cement"), ("primer", "cement"), ("tape", "tape"))


@dataclass(frozen=True)
class Found:
    """The best choice found, as a posed problem of one alternative for every run, and what is proved of it.

    `selection.cents` is what its list costs, and the work on it; its bound is what no list costs less than.
    """

    posed: PosedProblem
    selection: Selection


@dataclass
class ListSearch:
    """Prices and searches the parts lists of one system, its pump in place."""

    options: Options
    time_limit_s: float
    solver: str | None = None
    floor_cents: int = 0  # what no list costs less than, where that is known
    opened: Mapping[str, int] = field(default_factory=dict)  # pipes whose first length is told apart, and what it costs
    shop: Shop = field(init=False)
    prices: dict[str, RunPrices] = field(init=False)
    credit: float = field(init=False)  # what owned pipe may save at most [thousandths of a cent]

    @without_collection
    def __post_init__(self) -> None:
        system, catalog = self.options.system, self.options.catalog
        effort = Effort(system.rules.labour_cents_per_hour)
        pipes, opened = PipeShop.of(system, catalog), frozenset(self.opened)
        self.shop = Shop(pipes, JointShop(catalog), effort, catalog.socket_depths_m, opened)
        self.prices = {
            name: RunPrices(graph, system.network, self.options.tees, self.shop)
            for name, graph in self.options.graphs.items()
        }
        packs = [self._sure(pack) for pack in self.options.packs if pack.method in _SEALING]
        packs += [Pack(key, cents) for key, cents in self.opened.items()]
        self.options = replace(self.options, packs=tuple(packs))
        owned = [catalog.items[key] for key in self.shop.pipes.owned_m if key in catalog.items]
        self.credit = sum(map(self.shop.pipes.credit, owned))

    def _sure(self, pack: Pack) -> Pack:
        """Return the first pack of a method at what it surely costs: nothing where some size has no row for sale."""
        steps = (arc for graph in self.options.graphs.values() for arcs in graph.arcs for arc in arcs)
        sizes = {size for arc in steps for method, size in arc.joints if method == pack.method}
        rows = [
            [[item.price_cents for item, _ in self.shop.joints.rows(use, size)] for size in sizes]
            for use, method in _USES
            if method == pack.method
        ]
        return replace(pack, cents=sum(min(map(min, each)) for each in rows if each and all(each)))

    def bound_cents(self, least: float) -> int:
        """Return in whole cents what a sum of lower prices says of the list."""
        return max(0, math.ceil((least - self.credit) / LEAST_PER_CENT - 1e-9))

    def first(self, tables: MergedTables, problem: SizingProblem) -> float:
        """Return the lower price of the cheapest plan of the tables at the problem's head; endless without one."""
        head = greatest_head(problem)
        return next((float(found.cents) for found in tables.selections() if found.need <= head), math.inf)

    @without_collection
    def solve(self, posed: PosedProblem, below_cents: float, tables: MergedTables) -> Found | None:
        """Return the best list below a limit [cents]; None where it is proved that there is none.

        Raises
        ------
        SolverError
            When no solver answers.
        """
        search = _AtHead(self, posed, tables, below_cents)
        try:
            return search.solve()
        except TimeIsUp:
            return search.so_far()


@dataclass
class _AtHead:
    """The search at one head. `best` is the cheapest list so far, `below` what a list must be under to matter."""

    search: ListSearch
    posed: PosedProblem
    tables: MergedTables
    below: float
    best: Found | None = None
    bound: int = 0
    first_cents: Mapping[str, int] = field(default_factory=dict)  # by run, of the cheapest plan of the tables
    taken: list[tuple[CatalogItem, int]] = field(default_factory=list)  # new pipe of lists, saw cuts counted [units]
    _finders: dict[str, WayFinder] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.problem = self.posed.problem
        self.bound = self.search.floor_cents
        budget = self.search.options.system.rules.budget_cents
        self.budget = budget
        if budget is not None and not self.search.shop.effort.cents_per_hour:
            self.below = min(self.below, budget + 1)
        self.until = time.monotonic() + self.search.time_limit_s
        self.states = {number: state for state, number in self.posed.states.items()}

    def solve(self) -> Found | None:
        if not all(self.problem.runs.values()) or not all(self.problem.tees.values()):
            return None
        self._start()
        if not self._open():
            return self._ended()
        if not self._first_lists():
            return self._nothing_else()
        if not self._open():
            return self._ended()
        return self._by_first_lengths()._proved()

    def _proved(self) -> Found | None:
        with suppress(TimeIsUp):
            if not self._is_wide() or self._prove_half():  # far fewer ways; the best list may be among them
                try:
                    if self._open():
                        self._prove(self.below)
                except TooManyWaysError:
                    self._prove_half()
        return self._ended()

    def _prove_half(self) -> bool:
        """Prove half of what is between bound and best list; return whether there were not too many ways for that."""
        with suppress(TooManyWaysError):
            self._prove((self.bound + self.below) / 2)
            return True
        return False

    def _by_first_lengths(self) -> _AtHead:
        """Return the search with whole first lengths in its lower prices, where the best list takes little of a pipe.

        A list with any piece of it pays for a length; so plans that only seem cheap by the length are ruled out.
        """
        first = self._first_lengths()
        if not first or self.posed.again is None:
            return self
        search = ListSearch(
            self.search.options, self.search.time_limit_s, self.search.solver, self.search.floor_cents, first
        )
        told = self.posed.again(search.options, search.prices)
        posed = replace(told, problem=replace(told.problem, paths=self.problem.paths))
        tables = MergedTables(posed.problem, greatest_head(posed.problem))
        there = replace(self, search=search, posed=posed, tables=tables, _finders={})
        there.until = self.until
        least = search.first(tables, posed.problem)
        there.bound = self.bound if math.isinf(least) else max(self.bound, search.bound_cents(least))
        return there

    def _first_lengths(self) -> dict[str, int]:
        """Return the pipes of which a first length costs more than pieces do by the length, in lists told so far."""
        if not self._is_wide():
            return {}
        pipes = self.search.shop.pipes
        gains: dict[str, tuple[float, int]] = {}
        for item, units in self.taken:
            if not pipes.by_length(item) and not pipes.owned_m.get(item.item_id):
                prices = [one.price_cents for one in pipes.stock(item)]
                least = min(prices)
                if 2 * least < max(prices):
                    continue  # the shortest length of several says too little
                gain = least - pipes.rate(item) * units / LEAST_PER_CENT
                gains[item.item_id] = max(gains.get(item.item_id, (0.0, least)), (gain, least))
        best = sorted((gain, key) for key, (gain, _) in gains.items() if gain > 0.0)[::-1]
        return {key: gains[key][1] for _, key in best[:_MOST_OPENED]}

    def _prove(self, upto: float) -> None:
        """Find the best list below a limit [cents] among all ways, or that there is none.

        Raises
        ------
        TooManyWaysError
            When there are more ways than a proof is worth.
        """
        ways = self._ways(upto)
        told = len(ways) == len(self.problem.runs) and all(ways.values())
        more = self._few(self._posed_again(ways), self._limit(upto)) if told else None
        if more is None:
            self.below = 0.0 if math.isinf(upto) else self.below
            self.bound = max(self.bound, self._bound_at(upto))
            return
        ways = self._unbeaten({run: [ways[run][k] for k in kept] for run, kept in more[0].items()})
        answer = self._program(ways, more[1])
        self._take(answer, ways, more[1])
        self.bound = max(self.bound, min(answer.bound_cents, self._bound_at(upto)))

    def _bound_at(self, upto: float) -> int:
        """Return a limit as the bound that it is once nothing is below it [cents]."""
        return self._known_bound() if math.isinf(upto) else math.ceil(upto)

    def _first_lists(self) -> bool:
        """Look for a better list among what the tables have; return whether anything can be below the limit at all."""
        few = self._few(self.problem, self._limit(self.below))
        if few is None:
            return False
        ways = {run: [self._way(run, k) for k in few[0][run]] for run in self.problem.runs}
        told = self._posed_again(ways)
        for about in (_FIRST, None):
            kept = self._few(told, self._limit(self.below), about)
            if kept is None:
                return True
            own = self._unbeaten({run: [ways[run][k] for k in each] for run, each in kept[0].items()})
            answer = self._program(own, kept[1])
            self._take(answer, own, kept[1])
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
            return float(_NO_WAY)
        return LEAST_PER_CENT * (math.ceil(below) - 1) + self.search.credit + 1

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
        ways = {run: [self._way(run, k)] for run, k in chosen.runs.items()}
        tees = {tee: [k] for tee, k in chosen.tees.items()}
        one = Chosen(dict.fromkeys(ways, 0), dict.fromkeys(tees, 0))
        told = self._price(one, ways, tees)
        if told.allowed and told.cents < self.below:
            self._keep(one, told.cents, ways, tees)

    def _few(self, problem: SizingProblem, below: float, about: int | None = None) -> _Few | None:
        """Return the choices of runs and tees that can be in a list below the limit; None where nothing is left."""
        own = problem is self.problem
        tables = self.tables if own and not problem.limits else None
        most = min(_NO_WAY - 1, math.ceil(below))
        costs = through_costs(problem, tables, most)
        if costs is None or costs.bound >= below:
            return None
        runs, tees = costs.useful(below if about is None else min(below, max(costs.bound, costs.cheapest(about))))
        if not all(runs.values()) or not all(tees.values()):
            return None
        return {name: list(kept) for name, kept in runs.items()}, {name: list(kept) for name, kept in tees.items()}

    # ways

    def _finder(self, run: str, below: float, rests: Mapping[int, object]) -> WayFinder:
        return WayFinder(self.search.prices[run], self.posed.tables[run], rests, below, self.until)  # type: ignore[arg-type]

    def _ways(self, upto: float) -> dict[str, list[Way]]:
        """Return all ways of every run that can be in a list below a limit [cents].

        First of the runs that the cheapest plan of the tables changes: once these are told exactly, the rest of a plan
        costs more than the tables have it, and fewer ways of the others are worth telling.
        """
        below = self._limit(upto)
        most = min(_NO_WAY - 1, math.ceil(below))
        rests = rests_by_packs(self.problem, self.tables, most)
        found: dict[str, list[Way]] = {}
        changed = [run for run in self.problem.runs if self.first_cents.get(run)]
        for run in changed:
            found[run] = self._finder(run, below, rests[run]).find()
        if found and all(found.values()):
            told = self._posed_again(found)
            rests = rests_by_packs(told, MergedTables(replace(told, limits=()), greatest_head(told)), most)
        for run in self.problem.runs:
            if run not in found and all(found.values()):
                found[run] = self._finder(run, below, rests[run]).find()
        return found

    def _unbeaten(self, ways: Mapping[str, Sequence[Way]]) -> dict[str, list[Way]]:
        """Return the ways that no other makes needless; all where money for parts is limited apart from the cost."""
        if self.budget is not None and self.search.shop.effort.cents_per_hour:
            return {run: list(found) for run, found in ways.items()}
        rivals = Rivals(self.search.shop)
        return {run: [found[i] for i in rivals.unbeaten(found)] for run, found in ways.items()}

    def _way(self, run: str, k: int) -> Way:
        """Return an alternative of the tables as a way."""
        if run not in self._finders:
            self._finders[run] = self._finder(run, math.inf, {})
        choice, found = self.problem.runs[run][k], self.posed.alternatives[run][k]
        start, end = self.states[choice.start], self.states[choice.end]
        return self._finders[run].one(found.arcs, start, end)

    def _posed_again(self, ways: Mapping[str, Sequence[Way]]) -> SizingProblem:
        """Return the problem with these ways at their lower prices."""
        numbers = self.posed.states
        runs = {
            run: tuple(
                RunChoice(numbers[way.start], numbers[way.end], way.least, loss_units(way.loss_m), way.packs, way.used)
                for way in found
            )
            for run, found in ways.items()
        }
        return replace(self.problem, runs={**self.problem.runs, **runs})

    # the program

    def _program(self, ways: Mapping[str, Sequence[Way]], tees: Mapping[str, Sequence[int]]) -> ListAnswer:
        problem = self._list_problem(ways, tees)
        left_s = max(0.5, self.until - time.monotonic())
        below = _NO_WAY if math.isinf(self.below) else math.ceil(self.below)
        return solve_list(problem, lambda chosen: self._price(chosen, ways, tees), below, left_s, self.search.solver)

    def _list_problem(self, ways: Mapping[str, Sequence[Way]], tees: Mapping[str, Sequence[int]]) -> ListProblem:
        numbers, effort = self.posed.states, self.search.shop.effort
        limits = [i for i, limit in enumerate(self.problem.limits) if limit.words != "cents for parts"]
        runs = {
            run: tuple(
                RunChoice(
                    numbers[way.start],
                    numbers[way.end],
                    way.cents,
                    loss_units(way.loss_m),
                    0,
                    tuple(way.used[i] for i in limits),
                )
                for way in found
            )
            for run, found in ways.items()
        }
        fittings = {tee: tuple(self._fitting(tee, k, limits) for k in kept) for tee, kept in tees.items()}
        sizing = SizingProblem(runs, fittings, self.problem.paths, (), tuple(self.problem.limits[i] for i in limits))
        least = {run: [way.least_pieces for way in found] for run, found in ways.items()}
        pipes = self.search.shop.pipes
        items = {key: one[0] for found in least.values() for each in found for key, one in each.items()}
        work = {run: [sum(map(effort.cents, way.arcs)) for way in found] for run, found in ways.items()}
        return ListProblem(
            sizing,
            {run: [_with_kerfs(each) for each in found] for run, found in least.items()},
            {run: [way.joints for way in found] for run, found in ways.items()},
            {key: self._sold(item) for key, item in items.items()},
            self._packs(ways),
            work,
            self.budget,
            {run: [self._least_of(way, pipes.alone_cents) for way in found] for run, found in ways.items()},
            {run: [self._least_of(way, pipes.long_pieces) for way in found] for run, found in ways.items()},
            {key: self._floors(item, ways) for key, item in items.items()},
        )

    def _floors(self, item: CatalogItem, ways: Mapping[str, Sequence[Way]]) -> list[dict[str, list[float]]]:
        """Return what ways add to the cost of a pipe at the least, for some offcuts that long pieces leave."""
        pipes, key = self.search.shop.pipes, item.item_id
        each = [one[key][1] for found in ways.values() for way in found for one in way.pieces.values() if key in one]
        offcuts = pipes.offcuts(item, {units for pieces in each for units in pieces})
        apart = offcuts[:: max(1, -(-len(offcuts) // _MOST_FLOORS))]
        return [
            {
                run: [self._least_of(way, partial(pipes.floor_cents, offcut=offcut)).get(key, 0.0) for way in found]
                for run, found in ways.items()
            }
            for offcut in apart
        ]

    def _least_of(self, way: Way, count: Callable[[CatalogItem, Pieces], _N]) -> dict[str, _N]:
        """Return something of a way's pieces of every pipe, at the least over the fittings at its ends."""
        found: dict[str, _N] = {}
        for key, (item, _, _) in way.least_pieces.items():
            found[key] = min(count(item, one[key][1] if key in one else ()) for one in way.pieces.values())
        return found

    def _fitting(self, tee: str, k: int, limits: Sequence[int]) -> TeeChoice:
        choice = self.problem.tees[tee][k]
        return TeeChoice(
            self.posed.tees[tee][k].cents, choice.states, choice.losses, 0, tuple(choice.use(i) for i in limits)
        )

    def _sold(self, item: CatalogItem) -> SoldPipe:
        pipes = self.search.shop.pipes
        if pipes.by_length(item):
            return SoldPipe(((math.ceil(item.sale_length_m / UNIT_M - 1e-6), item.price_cents),))
        lengths = tuple((math.floor(one.length_m / UNIT_M + 1e-6) + KERF, one.price_cents) for one in pipes.stock(item))
        owned = sum(math.floor(length_m / UNIT_M + 1e-6) + KERF for length_m in pipes.owned_m.get(item.item_id, ()))
        return SoldPipe(lengths, owned)

    def _packs(self, ways: Mapping[str, Sequence[Way]]) -> list[SoldPacks]:
        """Return how what seals the joints is sold, for all joints of these ways."""
        joints = sorted({joint for found in ways.values() for way in found for joint in way.joints})
        shop, found = self.search.shop.joints, []
        for use, method in _USES:
            sizes = [size for how, size in joints if how == method]
            rows = {item.item_id: item for size in sizes for item, _ in shop.rows(use, size)}
            rates = self.search.options.catalog.joints_per_pack
            kinds = [
                (item.price_cents, {(method, size): rates[key][size] for size in sizes if size in rates[key]})
                for key, item in sorted(rows.items())
            ]
            if kinds:
                found.append(SoldPacks(tuple(kinds)))
        for method, size in joints:
            rows_of = shop.rows(method, size) if method in ("washer", "clamp") else ()
            if rows_of:
                item, does = rows_of[0]
                found.append(SoldPacks(((item.price_cents, {(method, size): does}),)))
        return found

    # exact prices

    def _price(self, chosen: Chosen, ways: Mapping[str, Sequence[Way]], tees: Mapping[str, Sequence[int]]) -> Priced:
        """Return what the list of a choice costs, with what its pipe says of all choices like it."""
        picked = {run: ways[run][k] for run, k in chosen.runs.items()}
        options = {tee: self.posed.tees[tee][tees[tee][k]] for tee, k in chosen.tees.items()}
        cents = sum(way.cents for way in picked.values()) + sum(option.cents for option in options.values())
        joints: Counter[tuple[str, str]] = Counter()
        for way in picked.values():
            joints.update(way.joints)
        cents += self.search.shop.joints.cents(joints)
        pieces = {run: self._pieces(run, way, options) for run, way in picked.items()}
        cuts = []
        for key in sorted({key for found in pieces.values() for key in found}):
            item = next(found[key][0] for found in pieces.values() if key in found)
            lengths = tuple(
                sorted((n for found in pieces.values() if key in found for n in found[key][1]), reverse=True)
            )
            pipe = self.search.shop.pipes.cents(item, lengths)
            self.taken.append((item, sum(units + KERF for units in lengths)))
            cents += pipe
            users = {run: found[key][1] for run, found in pieces.items() if key in found}
            cuts.append(self._cut(key, pipe, self._needed(item, pipe, users), ways, chosen, tees))
        work = sum(self.search.shop.effort.cents(arc) for way in picked.values() for arc in way.arcs)
        allowed = self.budget is None or cents - work <= self.budget
        return Priced(cents, allowed, tuple(cuts))

    def _needed(self, item: CatalogItem, cents: int, users: Mapping[str, Pieces]) -> dict[str, Pieces]:
        """Return of the pieces that runs take of a pipe some that cost as much by themselves."""
        kept = sorted(((units, run) for run, own in users.items() for units in own), reverse=True)

        def enough(some: Sequence[tuple[int, str]]) -> bool:
            return self.search.shop.pipes.cents(item, tuple(units for units, _ in some)) >= cents

        kept = kept[: bisect_left(range(len(kept)), True, key=lambda count: enough(kept[:count]))]
        for one in reversed(kept[:-1]):
            left = [other for other in kept if other is not one]
            kept = left if enough(left) else kept
        found: dict[str, list[int]] = {}
        for units, run in kept:
            found.setdefault(run, []).append(units)
        return {run: tuple(own) for run, own in found.items()}

    def _pieces(self, run: str, way: Way, options: Mapping[str, TeeOption]) -> Mapping[str, tuple[CatalogItem, Pieces]]:
        one = self.search.prices[run].run
        ends = [options.get(one.start.point), options.get(one.end.point)]
        found = [self.search.prices[run].options_at(state, i == 0) for i, state in enumerate((way.start, way.end))]
        first, last = (
            next((i for i, option in enumerate(each) if option is end), 0)
            for each, end in zip(found, ends, strict=True)
        )
        return way.pieces[first, last]

    def _cut(
        self,
        key: str,
        cents: int,
        users: Mapping[str, Pieces],
        ways: Mapping[str, Sequence[Way]],
        chosen: Chosen,
        tees: Mapping[str, Sequence[int]],
    ) -> PipeCut:
        """Return that a pipe costs as much wherever every run takes pieces of it that are no fewer and no shorter."""
        alike = {}
        bound_to: dict[str, tuple[int, ...]] = {}
        for run, lengths in users.items():
            alike[run] = tuple(
                k
                for k, way in enumerate(ways[run])
                if k == chosen.runs[run] or all(_covered(one, key, lengths) for one in way.pieces.values())
            )
            own = ways[run][chosen.runs[run]]
            if not all(_covered(one, key, lengths) for one in own.pieces.values()):
                one = self.search.prices[run].run
                bound_to.update({p: (chosen.tees[p],) for p in (one.start.point, one.end.point) if p in chosen.tees})
        return PipeCut(key, cents, alike, bound_to)

    def _take(self, answer: ListAnswer, ways: Mapping[str, Sequence[Way]], tees: Mapping[str, Sequence[int]]) -> None:
        if answer.chosen is not None and answer.cents is not None and answer.cents < self.below:
            self._keep(answer.chosen, answer.cents, ways, tees, answer.solver)

    def _keep(
        self,
        chosen: Chosen,
        cents: int,
        ways: Mapping[str, Sequence[Way]],
        tees: Mapping[str, Sequence[int]],
        solver: str = "tables",
    ) -> None:
        numbers = self.posed.states
        picked = {run: ways[run][k] for run, k in chosen.runs.items()}
        alternatives = {
            run: (Alternative(way.cents, way.loss_m, way.packs, way.arcs, way.used),) for run, way in picked.items()
        }
        runs = {
            run: (RunChoice(numbers[way.start], numbers[way.end], way.cents, loss_units(way.loss_m), 0, way.used),)
            for run, way in picked.items()
        }
        indices = {tee: tees[tee][k] for tee, k in chosen.tees.items()}
        fittings = {tee: (self._fitting(tee, k, range(len(self.problem.limits))),) for tee, k in indices.items()}
        problem = replace(self.problem, runs=runs, tees=fittings, packs=())
        options = {tee: [self.posed.tees[tee][k]] for tee, k in indices.items()}
        posed = PosedProblem(problem, alternatives, options, numbers)
        none = dict.fromkeys(runs, 0), dict.fromkeys(fittings, 0)
        self.best = Found(posed, Selection(Outcome.FEASIBLE, *none, cents, self.bound, solver))
        self.below = cents


def _with_kerfs(pieces: Mapping[str, tuple[CatalogItem, int, int]]) -> dict[str, int]:
    return {key: length + KERF * count for key, (_, count, length) in pieces.items() if count}


def _covered(pieces: Mapping[str, tuple[CatalogItem, Pieces]], key: str, lengths: Pieces) -> bool:
    return covers(pieces[key][1] if key in pieces else (), lengths)
