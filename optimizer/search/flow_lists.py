"""The plan whose parts list costs least where the flows are not known, with its proof.

A plan that is proved by what it uses, its pipe by the length and one pack of each kind, may have a dearer list than
another. Here every step has the lower price that it has on a list (`list_costs`), all ways of every run that could be
in a cheaper list are told (`list_ways`), by what they lose at both ends of the run's range of flow, and the search over
flows goes through what these leave: each combination that stands on the network has its own list priced exactly.
"""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import TypedDict, Unpack

import numpy as np

from optimizer.choices.alternatives import AlternativeTable
from optimizer.choices.both_ends import RangedAlternative, Weighing
from optimizer.choices.effort import Effort
from optimizer.choices.graph import Arc, ChoiceGraph
from optimizer.choices.loss_basis import ArcRows
from optimizer.choices.side_resources import SideResource, Sides
from optimizer.choices.tees import TeeOption
from optimizer.clock import TimeIsUp, limited, unlimited
from optimizer.model.catalog import PIPES, Catalog, CatalogItem
from optimizer.model.network import Part, Run
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.program.list_program import Chosen
from optimizer.program.merge import MergedTables, greatest_head
from optimizer.program.problem import SizingProblem
from optimizer.program.through import Rest, is_tree, rests_by_packs
from optimizer.search.assemble import plan_of_choice
from optimizer.search.box_search import search_of
from optimizer.search.flow_bound import bound_problem, busiest, narrowed, reduced
from optimizer.search.flow_case import Material, case_of, material_of
from optimizer.search.flow_posing import Choice, FlowCase, Way
from optimizer.search.flow_search import preferred_speeds
from optimizer.search.flow_tightening import Box
from optimizer.search.larger_packs import joints_of, least_list_cents
from optimizer.search.list_costs import RunPrices
from optimizer.search.list_lower import first_lengths
from optimizer.search.list_pick import Pick, unbeaten_ways
from optimizer.search.list_proof import ListSearch
from optimizer.search.list_tapes import Tapes
from optimizer.search.list_ways import TooManyWaysError, WayFinder
from optimizer.search.list_ways import Way as ListWay
from optimizer.search.options import Options
from optimizer.search.posing import LEAST_PER_CENT, PosedProblem
from optimizer.search.run_curves import CurveTable
from optimizer.search.unknown_flows import UnknownSearch, find_unknown
from optimizer.takeoff.list_price import KERF, PipeShop, units_of
from optimizer.verify.allowance import Allowance

_MOST_LABELS = 8_000  # of one run: with more, a proof is not begun
_MOST_IN_LINES = 40_000  # as there, where no water is shared: each line's own flow then tells most ways apart
_SHARES = (1 / 8, 1 / 4, 3 / 8, 1 / 2, 5 / 8, 3 / 4, 7 / 8)  # of the way from what no list costs less than to the known
_FEW_SHARE = 0.4  # of the time, for a cheaper list of few ways
_MOST_COMBINED = 1e7  # combinations of the ways that are left: with more, a proof is not begun
_GRAIN_M = 1e-7  # of head: so finely losses are told when ways are compared
_MOST_LEVELS = 8  # of flow, up to which parts may be used: with more, ways are not compared


class ListTerms(TypedDict, total=False):
    """How long a search for a cheaper list may take, by which solver, and what drains and sumps take."""

    solver: str | None
    time_limit_s: float
    allowances: tuple[Allowance, ...]


@dataclass
class CheapestList:
    """Looks for a cheaper list than that of a plan that is proved by what it uses.

    `options` and `free` are all that may be chosen and the ranges of flow that hold whatever is.
    `below_cents` is what a list, with work and electricity, must cost less than to matter; `allowances` as of
    `find_unknown`. `taken` is the new pipe of the plan that is known, saw cuts counted [units], `made` its joints.
    """

    system: System
    catalog: Catalog
    options: Options
    free: Box
    below_cents: int
    solver: str | None = None
    time_limit_s: float = 10.0
    allowances: tuple[Allowance, ...] = ()
    taken: Sequence[tuple[CatalogItem, int]] = ()
    made: Mapping[tuple[str, str], int] = field(default_factory=dict)
    material: Material = field(init=False)
    lists: ListSearch = field(init=False)
    sources: dict[str, list[RunPrices]] = field(init=False, default_factory=dict)
    least_cents: int = field(init=False, default=0)  # no list costs less
    list_ways: dict[int, ListWay] = field(init=False, default_factory=dict)  # by the id of the alternative made of it

    def find(self) -> tuple[UnknownSearch | None, bool]:
        """Return a plan with a cheaper list, or None; and whether it is proved that none is cheaper.

        Without proof the plan that is found may still be the better one.
        """
        until = time.monotonic() + self.time_limit_s
        with limited(self.time_limit_s):
            try:
                self._price()
                rough = self._rough(self.free)
                if rough.sides.resources:
                    return None, False
                try:
                    return self._below(rough, until)
                except TooManyWaysError:
                    return self._in_steps(rough, until)
            except (TimeIsUp, TooManyWaysError):
                return None, False

    def _in_steps(self, rough: FlowCase, until: float) -> tuple[UnknownSearch | None, bool]:
        """Look for much cheaper lists, which fewer ways could be in, then for less and less cheaper ones.

        Where too many ways could be in those, only ways that are efficient at the lower prices are gone through.
        """
        most, costs = self.below_cents, reduced(rough, self.free)
        least = 0 if costs is None else math.floor((costs.bound - self.lists.credit) / LEAST_PER_CENT)
        for share in _SHARES:
            self.below_cents = least + math.ceil(share * (most - least))
            try:
                found, proved = self._below(rough, until)
            except TooManyWaysError:
                break
            if found is not None or not proved:
                return found, proved
            self.least_cents = self.below_cents
        self.below_cents = most
        until = min(until, time.monotonic() + _FEW_SHARE * self.time_limit_s)
        return self._below(rough, until, all_ways=False)

    def _below(self, rough: FlowCase, until: float, all_ways: bool = True) -> tuple[UnknownSearch | None, bool]:
        """Return the plan with the cheapest list below the limit if there is one, and whether that is proved.

        Not of all ways only those count that are efficient at the lower prices.

        Raises
        ------
        TooManyWaysError
            When there is more than a search is worth.
        """
        case = self._case(rough, until, all_ways)
        return (None, all_ways) if case is None else self._searched(case, until, all_ways)

    def _case(self, rough: FlowCase, until: float, all_ways: bool) -> FlowCase | None:
        """Return all that could be in a cheaper list; None where nothing could."""
        free, mode = self.free, busiest(rough, self.free)
        if not all(rough.ways.values()) or not all(rough.tees.values()):
            return None
        problem = bound_problem(rough, free, mode)
        rests = rests_by_packs(problem, MergedTables(problem, greatest_head(problem)), math.ceil(self.limit))
        ways = {}
        for name in rough.ways:
            lows = [free[name, i][0] for i in range(len(rough.modes))]
            highs = [free[name, i][1] for i in range(len(rough.modes))]
            weighing = Weighing(self.lists.options.packs, Effort(0), min(lows), max(highs))
            surely_m3_s = free[name, mode][0]
            ways[name] = tuple(self._ways(rough, name, weighing, surely_m3_s, rests[name], until, all_ways))
            if not ways[name]:
                return None
        return self._few(_with_ways(rough, ways), free)

    def _price(self) -> None:
        """Give every step its lower price."""
        material = material_of(self.system, self.catalog, self.options, allowances=self.allowances)
        opened = first_lengths(PipeShop.of(self.system, material.options.catalog), self.taken)
        self.lists = ListSearch(material.options, self.time_limit_s, self.solver, opened=opened, made=self.made)
        network, tees, shop = self.system.network, material.options.tees, self.lists.shop
        self.sources = {
            name: [self.lists.prices[name], *(RunPrices(one.graph, network, tees, shop) for one in found[1:])]
            for name, found in material.sources.items()
        }
        packs = tuple(replace(pack, cents=LEAST_PER_CENT * pack.cents) for pack in self.lists.options.packs)
        self.lists.options = replace(self.lists.options, packs=packs)
        least = {name: [one.least for one in found] for name, found in self.sources.items()}
        self.material = replace(material, options=self.lists.options, least=least)

    def _rough(self, free: Box) -> FlowCase:
        """Return the ways that are efficient at the lower prices: they tell what the rest of a plan costs at least."""
        case = case_of(self.material, free)
        return replace(
            case,
            tees={point: tuple(replace(o, unit=LEAST_PER_CENT) for o in found) for point, found in case.tees.items()},
            energy_cents={key: LEAST_PER_CENT * cents for key, cents in case.energy_cents.items()},
            _tee_memo={},
        )

    @property
    def limit(self) -> float:
        """Return what the lower prices of a combination must sum up to less than [thousandths of a cent]."""
        return self._limit_of(self.below_cents)

    def _limit_of(self, cents: int) -> float:
        return LEAST_PER_CENT * (cents - 1) + self.lists.credit + 1

    # ways

    def _ways(
        self,
        rough: FlowCase,
        name: str,
        weighing: Weighing,
        surely_m3_s: float,
        rests: Mapping[int, Rest],
        until: float,
        all_ways: bool,
    ) -> Iterator[Way]:
        """Yield the ways of a run that could be in a cheaper list, from every graph of it; or its efficient ones alone.

        `surely_m3_s` is the flow that a loss counts at in `rests`.
        """
        for source, rows, prices in zip(
            self.material.sources[name], self.material.rows[name], self.sources[name], strict=True
        ):
            ranged = _RangedRun(source.graph, rows, weighing, prices, surely_m3_s)
            most = _MOST_LABELS if self.system.network.tees else _MOST_IN_LINES
            finder = WayFinder(Tapes(prices), ranged.table, rests, self.limit, until, most)
            found = finder.find() if all_ways and not source.is_whole else []
            kept = unbeaten_ways(found, self.lists.shop)
            if not all_ways or (name in self.material.lossy and not source.valved):
                kept += self._untold([way for way in rough.ways[name] if rows.has(way.alternative.arcs)], finder, kept)
            for way in kept:
                yield self._as_way(way, source.run_of(way.arcs), ranged)

    def _untold(self, ways: Sequence[Way], finder: WayFinder, known: Sequence[ListWay]) -> Iterator[ListWay]:
        """Yield those ways of a graph that could be in a cheaper list and are not among the others."""
        told = {tuple(map(id, way.arcs)) for way in known}
        for way in ways:
            one = way.alternative
            if tuple(map(id, one.arcs)) not in told:
                found = finder.one(one.arcs, one.start, one.end)
                if found.least < self.limit:
                    yield found

    def _as_way(self, way: ListWay, run: Run, ranged: _RangedRun) -> Way:
        row = ranged.rows.row(way.arcs)
        most = min((ranged.most(arc) for arc in way.arcs), default=math.inf)
        alternative = RangedAlternative(way.least, way.packs, way.arcs, row, most, way.start, way.end)
        self.list_ways[id(alternative)] = way
        return Way(alternative, run)

    def _few(self, case: FlowCase, free: Box) -> FlowCase | None:
        """Return the case with what can be in a cheaper list alone."""
        costs = reduced(case, free)
        if costs is None or costs.bound >= self.limit:
            return None
        case = narrowed(case, *costs.useful(self.limit))
        if not all(case.ways.values()) or not all(case.tees.values()):
            return None
        if math.prod(len(found) for found in case.ways.values()) > _MOST_COMBINED:
            raise TooManyWaysError
        return case

    # the search

    def _searched(self, case: FlowCase, until: float, all_ways: bool) -> tuple[UnknownSearch | None, bool]:
        prices: dict[Choice, int] = {}
        pick = self._pick(case)

        def price(choice: Choice) -> int:
            if choice not in prices:
                prices[choice] = self._list_cents(case, pick, choice)
            return math.floor(self._limit_of(prices[choice]))

        search = search_of(
            case,
            solver=self.solver,
            time_limit_s=max(0.0, until - time.monotonic()),
            cutoff_cents=math.ceil(self.limit),
            price=price,
        )
        state = search.run()
        proved = all_ways and state.complete and not state.unproved
        if state.by_hand:
            raise KeyboardInterrupt
        best = state.best
        if best is None or prices[best] >= self.below_cents:
            return None, proved
        cents = prices[best]
        least = self.lists.bound_cents(state.bound_cents) if all_ways else self.least_cents
        bound = cents if proved else max(0, min(cents - 1, least))
        with unlimited():
            choice = preferred_speeds(case, best)
        plan = plan_of_choice(
            self.system, self.material.options, case, choice, (cents, bound), self._energy(case, choice), by_list=True
        )
        return UnknownSearch(plan, case, choice, state.rounds, bound, cents=plan.material_cents), proved

    def _pick(self, case: FlowCase) -> Pick:
        ways = {name: [self.list_ways[id(way.alternative)] for way in found] for name, found in case.ways.items()}
        options = self.material.options
        tees = {point: [_place(options.tees[point], one) for one in found] for point, found in case.tees.items()}
        posed = PosedProblem(SizingProblem({}, {}, ()), {}, options.tees)
        first = {name: found[0] for name, found in self.sources.items()}
        return Pick(self.lists.shop, first, options.catalog, posed, ways, tees, None, [], {})

    def _list_cents(self, case: FlowCase, pick: Pick, choice: Choice) -> int:
        """Return what the list of a combination costs, with work and electricity [cents]."""
        runs, tees = dict(zip(case.ways, choice.ways, strict=True)), dict(zip(case.tees, choice.tees, strict=True))
        return pick.cents(Chosen(runs, tees)) + self._energy(case, choice)

    @staticmethod
    def _energy(case: FlowCase, choice: Choice) -> int:
        speeds = [mode.speeds[k] for mode, k in zip(case.modes, choice.speeds, strict=True)]
        return sum(case.energy_cents.get(pump, 0) for each in speeds for pump in each.items()) // LEAST_PER_CENT


def _with_ways(case: FlowCase, ways: Mapping[str, tuple[Way, ...]]) -> FlowCase:
    tables = {
        name: CurveTable(np.stack([way.alternative.row for way in found]), case.tables[name].basis)
        for name, found in ways.items()
    }
    return replace(case, ways=ways, tables=tables)


def _place(options: Sequence[TeeOption], one: TeeOption) -> int:
    return next(i for i, option in enumerate(options) if option.tee is one.tee)


def by_list(
    system: System, catalog: Catalog, found: UnknownSearch, below_cents: int | None = None, **terms: Unpack[ListTerms]
) -> UnknownSearch:
    """Return the plan with the cheapest list, where that can be told; else the one found, proved by what it uses.

    It is told where water surely goes through trees and there are not too many ways. Only lists below `below_cents` are
    of interest; `terms` are those of `CheapestList`.
    """
    plan, case, free = found.plan, found.case, found.free
    total = plan.total_cents
    if total is None or case is None or found.options is None or free is None:
        return found
    if not is_tree(bound_problem(case, free, busiest(case, free))):
        return found
    below = total if below_cents is None else min(total, below_cents)
    taken, made = tuple(_pipe_of(plan)), joints_of(found)
    other, proved = CheapestList(system, catalog, found.options, free, below, taken=taken, made=made, **terms).find()
    used = least = found.bound_cents or 0
    if not proved and below_cents is None:
        least = max(used, _least_by_packs(system, catalog, found, terms))
    if other is not None:
        if (other.plan.total_cents or 0) >= total:
            return found
        bound = max(other.bound_cents or 0, min(least, other.cents or 0))
        status = Status.OPTIMAL if bound == other.cents else other.plan.status
        told = replace(other.plan, status=status, bound_cents=bound, notes=plan.notes, left_out=plan.left_out)
        return replace(other, plan=told, bound_cents=bound)
    if not proved and least <= used:
        return found
    bound = below if proved else min(below, least)
    status = Status.OPTIMAL if bound == total else Status.FEASIBLE
    told = replace(plan, material_cents=total, bound_cents=bound, status=status)
    return replace(found, plan=told, bound_cents=bound, cents=total)


def _least_by_packs(system: System, catalog: Catalog, found: UnknownSearch, terms: ListTerms) -> int:
    """Return what no list costs less than by the packs that it buys [cents]."""
    find = partial(find_unknown, system, catalog, solver=terms.get("solver"), allowances=terms.get("allowances", ()))
    return least_list_cents(found, find, system.rules.labour_cents_per_hour, terms.get("time_limit_s", 0.0))


@dataclass
class _RangedRun:
    """A run's graph weighed over its range of flow: what a step loses at either end, and up to which flow it may go.

    For the rest of a plan a loss counts at the flow that the run surely carries; ways are compared by their losses at
    both ends of the range, and by the flows that they may not exceed, as side resources that have no limit.
    """

    graph: ChoiceGraph
    rows: ArcRows
    weighing: Weighing
    prices: RunPrices
    surely_m3_s: float

    @cached_property
    def table(self) -> AlternativeTable:
        """Return the table of the ways on from every node.

        Raises
        ------
        TooManyWaysError
            When a step gives head back, or too many flows limit the steps: then ways can not be compared.
        """
        surely = self.rows.loss_of(self.surely_m3_s) if self.surely_m3_s > 0.0 else None
        least_flow = self.weighing.least_size_m3_s

        def loss_m(arc: Arc) -> float:
            if self.most(arc) < least_flow:
                return math.inf
            return 0.0 if surely is None else surely(arc)

        table = AlternativeTable(
            self.graph,
            self.weighing.packs,
            _none,
            _none,
            _none,
            effort=self.weighing.effort,
            sides=Sides((*self._losses(), *self._levels())),
            loss_of_arc=loss_m,
            least=self.prices.least,
        )
        table.table()
        return table

    def most(self, arc: Arc) -> float:
        """Return the most flow that a step may carry, endless where the run never carries as much [m³/s]."""
        most = self.rows.most_of(arc)
        return math.inf if most >= self.weighing.largest_m3_s else most

    def _losses(self) -> Iterator[SideResource]:
        arcs = [arc for each in self.graph.arcs for arc in each]
        for flow in dict.fromkeys(self.weighing.flows_m3_s):
            loss = self.rows.loss_of(flow)
            sign = math.copysign(1.0, flow)
            if any(sign * loss(arc) < 0.0 for arc in arcs):
                raise TooManyWaysError
            grains = {id(arc): round(sign * loss(arc) / _GRAIN_M) for arc in arcs}
            yield SideResource("head", None, partial(_told, grains), has_price=True)

    def _levels(self) -> Iterator[SideResource]:
        """Yield for every flow that limits some step how many steps may not carry more."""
        least_flow = self.weighing.least_size_m3_s
        levels = {self.most(arc) for arcs in self.graph.arcs for arc in arcs}
        found = sorted(level for level in levels if least_flow <= level < math.inf)
        if len(found) > _MOST_LEVELS:
            raise TooManyWaysError
        for level in found:
            slow = {id(arc): int(self.most(arc) <= level) for arcs in self.graph.arcs for arc in arcs}
            yield SideResource("flow", None, partial(_told, slow), has_price=True)


def _told(used: Mapping[int, int], arc: Arc) -> int:
    return used[id(arc)]


def _none(_: Part) -> float:
    return 0.0


def _pipe_of(plan: Plan) -> Iterator[tuple[CatalogItem, int]]:
    """Yield the new pipe of a plan, item by item, saw cuts counted [units]."""
    units: Counter[str] = Counter()
    items = {}
    for run in plan.runs.values():
        for part in run.parts:
            if part.kind in PIPES and not part.existing and part.item is not None:
                items[part.item.item_id] = part.item
                units[part.item.item_id] += units_of(part.length_m) + KERF
    for key, item in items.items():
        yield item, units[key]
