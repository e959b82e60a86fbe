"""Plans for a certainty with the dial up to one speed: efficient ones, lists of the same head, bounds."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from optimizer.model.network import Network
from optimizer.model.plan import planned_network
from optimizer.program.merge import EfficientSelection, MergedTables, all_carried, greatest_head
from optimizer.program.problem import Outcome, Selection
from optimizer.search.assemble import unlisted_plan
from optimizer.search.certain_proof import Proof, Stake
from optimizer.search.drawn_losses import DrawnLosses
from optimizer.search.duty import Duty
from optimizer.search.list_proof import Found, ListSearch
from optimizer.search.plan_sample import SAMPLE, PlanSample, WeighedPlan
from optimizer.search.posing import PosedProblem, pose
from optimizer.takeoff.list_price import counted

_ERRS = 3  # draws by which the sample may tell too little of a plan
_AGAIN = 2  # times that plans are sought by such draws


class AtSpeed:
    """The search with the pump's dial up to one speed; `efficient` has the plans of the tables within its head."""

    def __init__(self, sample: PlanSample, lists: ListSearch, duty: Duty) -> None:
        self.sample, self.lists, self.duty = sample, lists, duty
        self.posed = pose(lists.options, sample.known, duty.speed, least=lists.prices)
        problem = self.posed.problem
        possible = all(problem.runs.values()) and all(problem.tees.values())
        self.tables = MergedTables(problem, greatest_head(problem))
        self.efficient = self._efficient(self.posed, self.tables) if possible else []
        self._drawn: DrawnLosses | None = None  # of the sample, as far as it was asked for

    @property
    def floor_cents(self) -> int:
        """Return what no plan at this speed costs less than, as the tables tell it [cents]."""
        if not all_carried(self.posed.problem):
            return 0
        return self.lists.bound_cents(self.efficient[0].cents) + self.duty.energy_cents

    # plans

    def begin(self) -> None:
        """Look for the first efficient plan that works often enough."""
        self._first_that_works(self.efficient, self.posed)

    def _efficient(self, posed: PosedProblem, tables: MergedTables) -> list[EfficientSelection]:
        head = greatest_head(posed.problem)
        return [one for one in tables.selections() if one.need <= head or posed is not self.posed]

    def walk(self) -> None:
        """Go through the efficient plans by the published losses, then by those of draws that are hard on the best."""
        self._along(self.posed, self.tables)
        for _ in range(_AGAIN):
            before = self.sample.near()
            if self.sample.question.clock.over:
                return
            posed = self._proof().posed_at_the_edge(before.slack_m[self.sample.at])
            if not all(posed.problem.runs.values()) or not all(posed.problem.tees.values()):
                return
            self._along(posed, MergedTables(posed.problem))
            if self.sample.best is None:
                self.look()
            if self.sample.near() is before:
                return

    def look(self) -> None:
        """Look for any list that works often enough, where nothing looked at does."""
        self._proof().look(self.sample.near().slack_m[self.sample.at])

    def _along(self, posed: PosedProblem, tables: MergedTables) -> None:
        """Go through the efficient plans of a problem, then through better lists of as much head."""
        found = self._efficient(posed, tables)
        first = self._first_that_works(found, posed)
        if first is None:
            return
        for one in found[first + 1 :]:
            if self.lists.bound_cents(one.cents) + self.duty.energy_cents >= self._most():
                break
            self._works(one, posed)
        for one in reversed(found[max(0, first - 6) : first]):
            self._works(one, posed)
        self._same_head(posed, tables, greatest_head(posed.problem) - found[first].need)

    def _first_that_works(self, found: Sequence[EfficientSelection], posed: PosedProblem) -> int | None:
        """Return the first of the plans by rising head to spare that works often enough, by halving."""
        low, high = 0, len(found) - 1
        if high < 0 or not self._is_enough(found[high], posed):
            return None
        while low < high:
            middle = (low + high) // 2
            low, high = (low, middle) if self._is_enough(found[middle], posed) else (middle + 1, high)
        self._works(found[high], posed)
        return high

    def _is_enough(self, one: EfficientSelection, posed: PosedProblem) -> bool:
        """Return whether a plan works often enough on the sample, whatever checks say of it."""
        return self.sample.count(self.plan(one, posed)) >= self.sample.need

    def _works(self, one: EfficientSelection, posed: PosedProblem) -> bool:
        return self.sample.weigh(self.plan(one, posed))

    def plan(self, one: EfficientSelection, posed: PosedProblem) -> WeighedPlan:
        """Return what an efficient selection is as a plan."""
        told = Selection(Outcome.FEASIBLE, one.run_choice, one.tee_choice, one.cents, 0, "tables")
        return self._plan(told, posed, self.lists.bound_cents(one.cents) + self.duty.energy_cents)

    def _same_head(self, posed: PosedProblem, tables: MergedTables, spare: int) -> None:
        """Look for the best list that leaves as much head as the first efficient plan that works."""
        paths = tuple(
            replace(path, head=path.head - spare) if path.is_limited and path.moves else path
            for path in posed.problem.paths
        )
        problem = replace(posed.problem, paths=paths)
        there = replace(posed, problem=problem)
        found = self.lists.solve(there, self._most() - self.duty.energy_cents, tables.at(problem), soon=True)
        if found is not None and found.selection.cents is not None:
            self.sample.weigh(self._plan(found.selection, found.posed))

    def _plan(self, selection: Selection, posed: PosedProblem, least: int = 0) -> WeighedPlan:
        """Return a selection as a plan that costs no less than this [cents]; what was looked at before is known."""
        runs = (
            (name, *(id(part) for arc in posed.alternatives[name][k].arcs for part in arc.parts))
            for name, k in sorted(selection.run_choice.items())
        )
        fittings = {point: posed.tees[point][k].tee for point, k in sorted(selection.tee_choice.items())}
        tees = ((point, id(tee.item), tee.existing) for point, tee in fittings.items())
        key = (self.duty.speed, *runs, *tees)
        sample = self.sample
        if key not in sample.looked:
            plan = unlisted_plan(self.lists.options, posed, replace(selection, bound_cents=0), self.duty)
            there = _at(planned_network(sample.system.network, plan), self.duty)
            along = [posed.alternatives[name][k].arcs for name, k in selection.run_choice.items()]
            made = counted(joint for arcs in along for arc in arcs for joint in arc.joints)
            sample.looked[key] = WeighedPlan(sample.question, plan, there, sample.many, sample.known, made, least)
        return sample.looked[key]

    def _most(self) -> float:
        return math.inf if self.sample.given is None else self.sample.given.cents

    # bounds

    def bound(self, ends: Callable[[], bool]) -> int:
        """Return what no plan that works often enough costs less than, electricity counted [cents]; see `Proof`."""
        best = self.sample.best
        assert best is not None
        below = best.cents - self.duty.energy_cents
        if below <= 0:
            return best.cents
        proof = replace(self._proof(), ends=ends)
        return min(best.cents, proof.bound(below, best.slack_m[self.sample.at]) + self.duty.energy_cents)

    def rules_out(self) -> bool:
        """Return whether it is proved that no plan works so often, nor in as many draws less as a sample may err."""
        sample = self.sample

        def is_near(found: Found) -> bool:
            return sample.count(self._plan(found.selection, found.posed)) >= sample.need - _ERRS

        return replace(self._proof(_ERRS), looked=is_near).rules_out(sample.near().slack_m[sample.at])

    def _proof(self, more_may_fail: int = 0) -> Proof:
        sample = self.sample
        may_fail = SAMPLE - sample.need + more_may_fail
        draws, graphs = sample.cases.draws, self.lists.options.graphs
        if self._drawn is None:
            self._drawn = DrawnLosses.of(sample.system, sample.known, draws, graphs)
        self._drawn = self._drawn.in_draws(draws)
        stake = Stake(sample.known, may_fail, self.duty.speed, sample.near().made)
        return Proof(stake, self.lists, self._drawn, self._looked)

    def _looked(self, found: Found) -> bool:
        """Return whether a plan that would be cheaper works often enough."""
        return self.sample.weigh(self._plan(found.selection, found.posed))


def at_duty(one: WeighedPlan, duty: Duty) -> WeighedPlan:
    """Return a plan with its dial set to a duty, and going no further."""
    plan = replace(one.unlisted, pump_speeds={**one.unlisted.pump_speeds, duty.pump.name: duty.speed})
    return replace(one, unlisted=plan, network=_at(one.network, duty))


def _at(network: Network, duty: Duty) -> Network:
    """Return a planned plumbing with its dial going no further than a duty."""
    pump = network.pumps.get(duty.pump.name)
    if pump is None:
        return network
    return replace(network, pumps={**network.pumps, pump.name: replace(pump, speed=duty.speed, speeds=(duty.speed,))})
