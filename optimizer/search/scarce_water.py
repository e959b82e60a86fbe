"""Runs that may hold only so much water: water gets a price, so that the tables of lower prices know how scarce it is.

Whatever the price, a plan that holds no more than the limit costs at least what it comes to with its water paid for,
less what all the water of the limit is worth. The price at which that is most is where the cheapest plan goes from too
much water to little enough: it is found between the two by the line through them (Handler and Zang, Networks 10, 1980,
from memory). What the program then picks is held to the limit itself.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

from optimizer.choices.alternatives import Alternative
from optimizer.choices.demands import KnownFlows
from optimizer.choices.graph import Arc
from optimizer.program.merge import EfficientSelection, MergedTables, greatest_head
from optimizer.program.problem import Outcome, RunChoice, Selection
from optimizer.search.list_costs import RunPrices
from optimizer.search.list_proof import ListSearch
from optimizer.search.posing import LEAST_PER_CENT, PosedProblem, pose
from optimizer.verify.drain_back import wet_runs
from optimizer.verify.drains import part_volume_m3

_MOST_STEPS = 8  # of the search for the price; each gives a bound
_DEAR = 1.02  # a price a little above the one sought, at which what holds little enough is the cheapest
_UL_PER_M3 = 1e9


@dataclass(frozen=True)
class _Point:
    """The cheapest plan of the tables at some price of water, at the greatest head: its lower price without the water
    [thousandths of a cent], the water that its runs hold [µL], and what it came to with the water paid for.
    """

    cents: float
    held_ul: float
    total: float  # each step's water rounded down to what it costs: no more than `at` its price

    def at(self, rate: float) -> float:
        """Return what it comes to at a price of water [thousandths of a cent for a µL]."""
        return self.cents + rate * self.held_ul


@dataclass
class ScarceWater:
    """Finds the price of water at which the tables tell most of plans that hold little enough.

    `lists` has the lower prices without it, `most_m3` is what all runs together may hold that run off when pumps stop.
    """

    lists: ListSearch
    flows: KnownFlows
    speed: float
    most_m3: float
    _seen: list[PosedProblem] = field(default_factory=list)
    _losses: dict[str, dict[int, float]] = field(init=False)  # of steps, the same at every price
    _held: dict[int, float] = field(default_factory=dict)  # by step [µL]
    _best: tuple[float, PosedProblem, EfficientSelection] | None = None  # the cheapest that holds little enough
    _bound: float = 0.0  # what no plan costs less than [thousandths of a cent]

    def __post_init__(self) -> None:
        self._losses = {name: {} for name in self.lists.options.graphs}

    def is_enough(self) -> bool:
        """Return whether the head leaves any plan that holds so little."""
        least = self._least
        return least is not None and least.held_ul <= self.most_ul

    @property
    def most_ul(self) -> float:
        return self.most_m3 * _UL_PER_M3

    @cached_property
    def _wet(self) -> frozenset[str]:
        return frozenset(run.name for run in wet_runs(self.lists.options.system.network))

    def _held_ul(self, run: str, arc: Arc) -> float:
        return self._of_step(arc) if run in self._wet else 0.0

    def _of_step(self, arc: Arc) -> float:
        if id(arc) not in self._held:
            self._held[id(arc)] = held_ul(arc)
        return self._held[id(arc)]

    @cached_property
    def dry(self) -> PosedProblem:
        """Return the posed problem where nothing but water costs anything."""
        posed = self._posed(self._water_alone(), free_packs=True)
        tees = {tee: tuple(replace(one, cents=0) for one in found) for tee, found in posed.problem.tees.items()}
        return replace(posed, problem=replace(posed.problem, tees=tees))

    @cached_property
    def _least(self) -> _Point | None:
        return self._cheapest(self.dry)

    def priced(self) -> tuple[ListSearch, PosedProblem]:
        """Return the search of lists and the posed problem with the price of water in them, where it `is_enough`.

        The price decides how good the bound is, not what there is.
        """
        assert self._least is not None
        rate = self._rate(self._least)
        lists = self._at(rate)
        lists.floor_cents = self.lists.bound_cents(self._bound)
        return lists, self._with_all_seen(self._posed(lists.prices), lists.prices)

    def so_far(self) -> tuple[PosedProblem, Selection] | None:
        """Return the cheapest plan seen that holds little enough: the time may come before more.

        It costs what its parts do by the lower prices; a list may come to more. None where more than water is limited.
        """
        if self._best is None:
            return None
        least, posed, best = self._best
        cents, bound = (self.lists.bound_cents(each) for each in (least, self._bound))
        chosen = Selection(Outcome.FEASIBLE, best.run_choice, best.tee_choice, cents, bound, "merged tables")
        return posed, chosen

    def _with_all_seen(self, posed: PosedProblem, prices: Mapping[str, RunPrices]) -> PosedProblem:
        """Return the posed problem with what the tables of every price had besides: a better plan may be among it."""
        runs, alternatives = dict(posed.problem.runs), dict(posed.alternatives)
        for name, own in prices.items():
            known = {_key(each, choice) for each, choice in zip(alternatives[name], runs[name], strict=True)}
            for other in self._seen:
                states = {number: posed.states.get(state) for state, number in other.states.items()}
                for each, choice in zip(other.alternatives[name], other.problem.runs[name], strict=True):
                    start, end = states[choice.start], states[choice.end]
                    if start is None or end is None:
                        continue
                    cents = _cents(own, each.arcs)
                    more = replace(choice, start=start, end=end, cents=cents)
                    if _key(each, more) not in known:
                        known.add(_key(each, more))
                        runs[name] += (more,)
                        alternatives[name] += (replace(each, cents=cents),)
        return replace(posed, problem=replace(posed.problem, runs=runs), alternatives=alternatives)

    def _rate(self, dry: _Point) -> float:
        """Return the price of water [thousandths of a cent per µL]; note what no plan costs less than by it."""
        most_ul = self.most_ul
        wet = self._cheapest(self._posed(self.lists.prices))
        assert wet is not None
        self._bound = wet.total
        if wet.held_ul <= most_ul:
            self._between(wet, dry)
            return 0.0
        rate = 0.0
        for _ in range(_MOST_STEPS):
            rate = (dry.cents - wet.cents) / (wet.held_ul - dry.held_ul)
            found = self._cheapest(self._posed(self._at(rate).prices))
            assert found is not None
            self._bound = max(self._bound, found.total - rate * most_ul)
            if found.at(rate) >= wet.at(rate) - 1.0:
                break
            if found.held_ul <= most_ul:
                dry = found
            else:
                wet = found
        return _DEAR * rate

    def _between(self, wet: _Point, dry: _Point) -> None:
        """Look at a price of water though the tables need none: lists with whole lengths may."""
        if wet.held_ul > dry.held_ul:
            self._posed(self._at((dry.cents - wet.cents) / (wet.held_ul - dry.held_ul)).prices)

    def _at(self, rate: float) -> ListSearch:
        """Return the search of lists with this price of water in its lower prices."""
        lists = copy.copy(self.lists)
        lists.prices = {
            name: _with_water(prices, rate, self._of_step) if name in self._wet else prices
            for name, prices in self.lists.prices.items()
        }
        lists.credit = self.lists.credit + rate * self.most_ul
        return lists

    def _water_alone(self) -> dict[str, RunPrices]:
        """Return prices by which nothing but water costs anything: one for every µL."""
        found = {}
        for name, prices in self.lists.prices.items():
            bare = copy.copy(prices)
            bare.least = {id(arc): math.floor(self._held_ul(name, arc)) for arc in _arcs(prices)}
            found[name] = bare
        return found

    def _posed(self, prices: Mapping[str, RunPrices], free_packs: bool = False) -> PosedProblem:
        options = self.lists.options
        if free_packs:
            options = replace(options, packs=tuple(replace(pack, cents=0) for pack in options.packs))
        posed = pose(options, self.flows, self.speed, most_volume_m3=self.most_m3, least=prices, losses=self._losses)
        self._seen.append(posed)
        return posed

    def _cheapest(self, posed: PosedProblem) -> _Point | None:
        """Return the cheapest plan of the tables, however much it holds; None where there is none."""
        problem = replace(posed.problem, limits=())
        if not all(problem.runs.values()) or not all(problem.tees.values()):
            return None
        head = greatest_head(problem)
        tables = MergedTables(problem, head)
        best = next((found for found in tables.selections() if found.need <= head), None)
        if best is None:
            return None
        point = self._point(best, posed)
        alone = len(posed.problem.limits) == 1
        if alone and point.held_ul <= self.most_ul and (self._best is None or point.cents < self._best[0]):
            self._best = point.cents, posed, best
        return point

    def _point(self, best: EfficientSelection, posed: PosedProblem) -> _Point:
        """Return a selection of the tables at their lower prices, whatever it was the cheapest by."""
        unit = LEAST_PER_CENT
        held, cents, packs = 0.0, 0.0, 0
        for run, k in best.run_choice.items():
            found = posed.alternatives[run][k]
            held += sum(self._held_ul(run, arc) for arc in found.arcs)
            cents += _cents(self.lists.prices[run], found.arcs)
            packs |= found.packs
        for tee, k in best.tee_choice.items():
            cents += unit * posed.tees[tee][k].cents
        cents += sum(unit * pack.cents for i, pack in enumerate(self.lists.options.packs) if packs >> i & 1)
        return _Point(cents, held, float(best.cents))


def held_ul(arc: Arc) -> float:
    """Return the water that the parts of a step hold [µL]."""
    return sum(map(part_volume_m3, arc.parts)) * _UL_PER_M3


def _with_water(prices: RunPrices, rate: float, held_ul: Callable[[Arc], float]) -> RunPrices:
    """Return the lower prices of a run's steps with so much more for every µL that they hold."""
    if rate == 0.0:
        return prices
    found = copy.copy(prices)
    found.least, found.fixed = {}, {}
    for arc in _arcs(prices):
        more = math.floor(rate * held_ul(arc))
        found.least[id(arc)] = prices.least[id(arc)] + more
        found.fixed[id(arc)] = prices.fixed[id(arc)] + more
    return found


def _arcs(prices: RunPrices) -> list[Arc]:
    return [arc for arcs in prices.graph.arcs for arc in arcs]


def _key(way: Alternative, choice: RunChoice) -> tuple[object, ...]:
    return choice.start, choice.end, tuple(map(id, way.arcs))


def _cents(prices: RunPrices, arcs: tuple[Arc, ...]) -> int:
    """Return the lower price of a way without its water [thousandths of a cent]."""
    return sum(prices.least[id(arc)] for arc in arcs)
