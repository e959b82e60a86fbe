"""The ways of every run of a posed problem that a cheaper list could have, run by run, for `list_proof`."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from optimizer.program.merge import MergedTables
from optimizer.program.problem import LOSS_UNIT_M, RunChoice, SizingProblem
from optimizer.program.through import Rest, rests_by_start
from optimizer.search.each_draw import EachDraw
from optimizer.search.harmless import TeeLosses, harmless_loss
from optimizer.search.list_lower import LowerPrices
from optimizer.search.list_pick import unbeaten_ways
from optimizer.search.list_tapes import Tapes
from optimizer.search.list_ways import Way, WayFinder
from optimizer.search.posing import PosedProblem, loss_units


@dataclass
class ToldWays:
    """Tells the ways of runs at their lower prices; `drawn` where they count in every draw, `until` on the clock."""

    prices: LowerPrices
    posed: PosedProblem
    tables: MergedTables
    drawn: EachDraw | None
    until: float
    _finders: dict[str, WayFinder] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.problem = self.posed.problem
        self.budget = self.prices.options.system.rules.budget_cents
        self.states = {number: state for state, number in self.posed.states.items()}

    def _finder(self, run: str, below: float, rests: Mapping[int, Rest]) -> WayFinder:
        if run not in self.prices.tapes:
            self.prices.tapes[run] = Tapes(self.prices.prices[run])
        finder = WayFinder(self.prices.tapes[run], self.posed.tables[run], rests, below, self.until)
        if self.drawn is not None:
            finder.drawn = self.drawn.of_step_m
        return finder

    def all_below(
        self, below: float, first_cents: Mapping[str, int], say: Callable[[str], None]
    ) -> dict[str, list[Way]]:
        """Return all ways of every run that can be in a plan whose lower prices come to less than `below`.

        First of the runs that the cheapest plan of the tables changes, by `first_cents`, the dearest of them first:
        with each that is told exactly the rest of a plan costs more than the tables have it, and fewer ways of the
        others are worth telling.
        """
        most = math.ceil(below)
        found: dict[str, list[Way]] = {}
        problem, tables, rests = self.problem, self.tables, {}
        changed = sorted((run for run in self.problem.runs if first_cents.get(run)), key=lambda run: -first_cents[run])
        order = [*changed, *(run for run in self.problem.runs if run not in changed)]
        for i, run in enumerate(order):
            say(f"proving: {run}")
            if i <= len(changed):
                rests = rests_by_start(problem, tables, most, order[i : i + 1] if i < len(changed) else order[i:])
            found[run] = self._ways_of(run, below, rests[run])
            if not found[run]:
                break
            if i < len(changed):
                problem = self.posed_again(found)
                tables = tables.told_again(replace(problem, limits=()), run)
        return found

    def _ways_of(self, run: str, below: float, rests: Mapping[int, Mapping[int, Rest]]) -> list[Way]:
        """Return the ways of a run, given by start state and packs what the rest of a plan costs at the least."""
        stays = self._stays(run)
        found = [] if stays is None else [stays]
        for state in self.posed.tables[run].graph.starts:
            there = rests.get(self.posed.states.get(state, -1))
            if there is not None and (stays is None or state != stays.start):
                found += self._finder(run, below, there).find(state)
        return found

    def _stays(self, run: str) -> Way | None:
        """Return a run as it stands where nothing else with the same ends is of any use: it costs nothing.

        And what it loses is no more than the water has to spare there, whatever else is chosen.
        """
        if self.problem.limits or not self.prices.shop.joints.fewer_cost_no_more():
            return None
        for k, choice in enumerate(self.problem.runs[run] if len(self.posed.tables[run].graph.ends) == 1 else ()):
            way = self.one(run, k) if choice.cents == 0 else None
            if way is None or way.cents or way.joints or any(way.pieces.values()):
                continue
            most = harmless_loss(self.problem, run, choice.start, *self._heads_and_tees)
            lost = loss_units(way.loss_m) if self.drawn is None else way.lost_m / LOSS_UNIT_M
            if most is not None and np.all(lost <= most):
                return way
        return None

    @cached_property
    def _heads_and_tees(self) -> tuple[Mapping[str, Any], TeeLosses]:
        """Return the heads of all ways and what fittings lose, in every draw where that counts [loss units]."""
        if self.drawn is not None:
            every = {tee: range(len(found)) for tee, found in self.posed.tees.items()}
            return self.drawn.heads(), self.drawn.tees(self.posed, every)
        heads = {path.name: path.head for path in self.problem.paths}
        return heads, {tee: [choice.losses for choice in found] for tee, found in self.problem.tees.items()}

    def unbeaten(self, ways: Mapping[str, Sequence[Way]]) -> dict[str, list[Way]]:
        """Return the ways that no other makes needless; all where money for parts is limited apart from the cost."""
        if self.budget is not None and self.prices.shop.effort.cents_per_hour:
            return {run: list(found) for run, found in ways.items()}
        return {run: unbeaten_ways(found, self.prices.shop) for run, found in ways.items()}

    def one(self, run: str, k: int) -> Way:
        """Return an alternative of the tables as a way."""
        if run not in self._finders:
            self._finders[run] = self._finder(run, math.inf, {})
        choice, found = self.problem.runs[run][k], self.posed.alternatives[run][k]
        start, end = self.states[choice.start], self.states[choice.end]
        return self._finders[run].one(found.arcs, start, end)

    def posed_again(self, ways: Mapping[str, Sequence[Way]]) -> SizingProblem:
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
