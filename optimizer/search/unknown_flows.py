"""The cheapest plan where the flows are not known beforehand: windows, loops, splits, settings, runs without a valve.

First the ways that lose least for their money: they give a plan soon, and with every run's loss free to rise a bound
on all plans whatsoever. Where the two differ, the ways that lose more and the valves that can be cut in join, as far as
they can be in a plan cheaper than the best; then relaxation and network solution go on to the proof.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypedDict

from optimizer.choices.effort import Effort
from optimizer.choices.valve_slots import cheapest_valve_cents
from optimizer.clock import TimeIsUp, limited, unlimited
from optimizer.errors import PlanError
from optimizer.model.catalog import Catalog
from optimizer.model.note import Note, money_note, note
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.program.reduced import ReducedCosts
from optimizer.program.relaxation import FLOW_SOLVERS
from optimizer.search.assemble import plan_of_choice
from optimizer.search.box_search import search_of
from optimizer.search.box_tree import shape_of
from optimizer.search.flow_bound import QuickBound, least_energy_cents, narrowed, reduced, translated
from optimizer.search.flow_case import (
    Limit,
    Material,
    Prepared,
    case_of,
    material_of,
    prepare,
    with_valves_at_outlets,
)
from optimizer.search.flow_first import FirstPlans
from optimizer.search.flow_posing import Choice, FlowCase, cents_of
from optimizer.search.flow_search import STOPPED, TIME_CAME, Progress, SearchState, preferred_speeds
from optimizer.search.flow_tightening import Box, free_box
from optimizer.search.options import Options, as_it_stands
from optimizer.search.reach import too_little_head, within_rules
from optimizer.verify.allowance import Allowance

_FIRST_WAYS = 120  # how many ways the quick search sees
_QUICK_SHARE = 0.1  # of the time limit, for that search
_FIRST_SHARE = 0.3  # of the time left, for first plans
_PROOF_WAYS = 300  # how many ways of least loss the first search for the proof sees, the others beside
_TREE_WAYS = 1200  # as there, where tables over flow and head are quick with many
SO_FAR, NONE_AT_ALL = "best so far", "none at all cheaper"
_MORE_WAYS = 2  # so many times as many in each further search
_MORE_IN_TREES = 4  # as there, where tables over flow and head are quick with many
_DEAR = 1.35  # times what no plan costs less than: a better first plan is looked for, and a tree not searched at once
TIME_LIMIT_S = 60.0  # where none is named
NO_ELECTRICITY = note("electricity not counted")


class Terms(TypedDict, total=False):
    """The keywords of `find_unknown`, which `find_any` hands on; the defaults are its own."""

    solver: str | None
    time_limit_s: float
    progress: Progress | None
    cutoff_cents: int | None
    any_plan: bool
    allowances: tuple[Allowance, ...]
    floor_cents: int


@dataclass(frozen=True)
class UnknownSearch:
    """A finished search: the plan, and for whoever wants to look further the case and the combination chosen."""

    plan: Plan
    case: FlowCase | None = None
    choice: Choice | None = None
    rounds: int = 0
    bound_cents: int | None = None  # no plan costs less; None: there is none at all
    by_hand: bool = False  # Ctrl-C ended it
    cents: int | None = None  # what was made least
    options: Options | None = None  # all that may be chosen
    free: Box | None = None  # the ranges of flow that hold whatever is chosen


def find_unknown(
    system: System,
    catalog: Catalog,
    *,
    solver: str | None = None,
    time_limit_s: float = TIME_LIMIT_S,
    progress: Progress | None = None,
    cutoff_cents: int | None = None,
    any_plan: bool = False,
    allowances: tuple[Allowance, ...] = (),
    floor_cents: int = 0,
    options: Options | None = None,
    effort: Effort | None = None,
) -> UnknownSearch:
    """Return the cheapest plan that meets every target in every setting, its valves set, or how the search ended.

    Ctrl-C ends the search with the best plan so far and its bound; so does the time limit. Plans that flood are refused
    by the engine, which comes back here for the next one, with `allowances`.

    Parameters
    ----------
    system, catalog
        What stands, what is wanted, what may be bought.
    solver
        One of `program.relaxation.FLOW_SOLVERS`; None for the first that answers.
    time_limit_s
        Wall time for the whole search [s].
    progress
        Called with the stage, the best cost so far and the proved bound [cents, None where there is none].
        A KeyboardInterrupt that it raises ends the search like Ctrl-C.
    cutoff_cents
        Only plans that cost less are of interest [cents]; without one the status is INFEASIBLE and says so.
    any_plan
        The first plan will do: how little it costs does not matter.
    allowances
        What drains, rims and sumps take in every setting: only plans that keep to it are of interest. Empty: all plans.
    floor_cents
        What no plan costs less than, where that is known already.
    options, effort
        What may be chosen, where that was worked out before; what work counts for, where not as the rules say.

    Raises
    ------
    PlanError
        When no target asks for any flow, or names a run that there is not.
    SolverError
        When no solver answers.
    """
    if solver is not None and solver not in FLOW_SOLVERS:
        usable = " or ".join(name.lower() for name in FLOW_SOLVERS)
        raise PlanError(
            f"the solver {solver.lower()} works in whole numbers alone, and here the flows are not known beforehand; "
            f"take {usable}, or leave the choice open"
        )
    finder = _Finder(system, catalog, solver, time.monotonic() + time_limit_s, progress)
    finder.cutoff_cents, finder.any_plan = cutoff_cents, any_plan
    finder.allowances, finder.floor = allowances, floor_cents
    finder.options, finder.effort = options, effort
    with limited(time_limit_s):
        return finder.find()


class _Finder:
    def __init__(
        self, system: System, catalog: Catalog, solver: str | None, until: float, progress: Progress | None
    ) -> None:
        self.system, self.catalog, self.solver = system, catalog, solver
        self.until, self.progress = until, progress
        self.best: tuple[FlowCase, Choice] | None = None
        self.best_cents: int | None = None
        self.cutoff_cents: int | None = None
        self.any_plan = False
        self.by_hand = False
        self.floor = 0  # no plan whatsoever costs less
        self.allowances: tuple[Allowance, ...] = ()
        self.rounds = 0
        self.stopped: Note | None = None
        self.unproved = 0
        self.left_out: tuple[Note, ...] = ()
        self.is_water_scarce = False
        self.thinned: dict[str, None] = {}  # runs of which ways of more loss are left out
        self.falls_short = False  # the plumbing as it stands was tried
        self.free: Box | None = None
        self.options: Options | None = None
        self.effort: Effort | None = None

    def _material(self, options: Options | None, *, lossy: bool = True, slots: bool = True) -> Material:
        return material_of(
            self.system,
            self.catalog,
            options,
            lossy=lossy,
            slots=slots,
            allowances=self.allowances,
            effort=self.effort,
        )

    def find(self) -> UnknownSearch:
        basic: Prepared | None = None
        bound, notes = 0, list[Note]()
        try:
            if (standing := self._standing()) is not None:
                return standing
            if self.allowances:
                basic = self._first_safe()
                if self._enough:
                    return self._ended(basic, self.floor, ())
            whole = prepare(self._material(self.options, lossy=False, slots=False))
            if whole is None:
                return self._none((note("targets contradict"),))
            basic = whole
            bare = [name for name, ways in basic.case.ways.items() if not ways]
            if bare:
                return self._none((note("no way to plumb run", run=bare[0]),))
            free = self.free = free_box(basic.case)
            self._say("bound")
            quick = None if free is None else QuickBound(basic.case, free)
            costs = None if quick is None else quick.costs()
            if free is None or quick is None or costs is None:
                return self._none((too_little_head(basic.case),))
            self.floor = max(self.floor, _whole(costs.bound) + least_energy_cents(basic.case))
            self._first(basic.case)
            if self.best is None and shape_of(basic.case) is None:
                self._search(self._useful(basic.case, costs, costs.cheapest(_FIRST_WAYS)), _QUICK_SHARE)
            bound, notes = self._prove(basic, free, quick, costs)
        except KeyboardInterrupt:
            bound, self.stopped, self.by_hand = self.floor, STOPPED, True
        except TimeIsUp:
            bound, self.stopped = self.floor, TIME_CAME
        with unlimited():
            return self._ended(basic, max(bound, self.floor), notes)

    def _standing(self) -> UnknownSearch | None:
        """Return the plumbing as it stands where it serves at the least electricity there is: nothing can cost less."""
        options = as_it_stands(self.system, self.catalog, self.system.network.runs)
        if options is None:
            return None
        basic = prepare(self._material(options, lossy=False, slots=False))
        if basic is None:
            return None
        least = least_energy_cents(basic.case)
        if self.cutoff_cents is not None and self.cutoff_cents <= least:
            return None
        self._first(basic.case)
        if self.best is None or self.best_cents != least:
            self.falls_short, self.best, self.best_cents = True, None, None
            return None
        return self._ended(basic, least, ())

    def _first_safe(self) -> Prepared | None:
        """Try what suggests itself where drains and sumps have to take it, before ways that hold less are looked for.

        To list those takes long; with a valve in every outlet less water may do as well.
        """
        basic = prepare(
            material_of(
                self.system, self.catalog, lossy=False, slots=False, allowances=self.allowances, saves_water=False
            )
        )
        if basic is None or not all(basic.case.ways.values()):
            return basic
        self._first(basic.case)
        if self.best is None:
            with_slots = material_of(
                self.system, self.catalog, basic.options, allowances=self.allowances, saves_water=False
            )
            self._first(with_valves_at_outlets(with_slots, basic.case))
        return basic

    @property
    def known_cents(self) -> int | None:
        """Return what a plan must cost less than to be of interest."""
        return min((cents for cents in (self.best_cents, self.cutoff_cents) if cents is not None), default=None)

    @property
    def _enough(self) -> bool:
        return self.any_plan and self.best is not None

    @property
    def _is_dear(self) -> bool:
        """Return whether there may be much cheaper plans than what is known."""
        return self.known_cents is None or self.known_cents > _DEAR * self.floor

    def _say(self, stage: str) -> None:
        if self.progress is not None:
            self.progress(stage, self.best_cents, self.floor)

    def _first(self, case: FlowCase) -> None:
        """Try what suggests itself in a case, before any proof."""
        self._say("first plans")
        left = max(0.0, self.until - time.monotonic())
        shape = shape_of(case)
        walks = shape is None or (bool(shape.cuts) and not self.any_plan)  # in trees tables find cheaper ones sooner
        first = FirstPlans(case, time.monotonic() + _FIRST_SHARE * left, self.known_cents, walks, self.falls_short)
        try:
            first.search()
        finally:  # what was found counts though the time came before the next
            if first.best is not None:
                self.best, self.best_cents = (case, first.best), first.best_cents

    def _useful(self, case: FlowCase, costs: ReducedCosts, most_cents: float) -> FlowCase:
        runs, tees = costs.useful(most_cents)
        return narrowed(case, runs, tees)

    def _search(self, case: FlowCase, share: float = 1.0, below: float = math.inf) -> SearchState:
        """Search a case below a cost, from the best plan so far as far as its ways are in it; keep what is better."""
        left = max(0.0, self.until - time.monotonic())
        start = None if self.best is None else translated(self.best[1], self.best[0], case)
        if not all(case.ways.values()) or not all(case.tees.values()):
            return SearchState(complete=True, bound_cents=self.known_cents or 0)
        limits = [cents for cents in (self.known_cents, below) if cents is not None and math.isfinite(cents)]
        search = search_of(
            case,
            solver=self.solver,
            time_limit_s=share * left,
            progress=self.progress,
            start=start,
            cutoff_cents=math.floor(min(limits)) if limits else None,
            any_plan=self.any_plan,
        )
        state = search.run()
        self.rounds += state.rounds
        self.unproved += state.unproved
        if state.best is not None and (self.best_cents is None or (state.best_cents or 0) < self.best_cents):
            self.best, self.best_cents = (case, state.best), state.best_cents
        if state.by_hand:
            self.stopped, self.by_hand = state.stopped, True
        return state

    def _prove(self, basic: Prepared, free: Box, quick: QuickBound, costs: ReducedCosts) -> tuple[int, list[Note]]:
        """Go on with all ways that a plan cheaper than the best can have; return the bound and what to say of it.

        Without a plan yet: all ways of plans up to a cost, then up to a higher one, until a plan is among them.
        """
        known = self.known_cents
        if self.stopped or self._enough or (known is not None and known <= self.floor):
            return self.floor, []
        slots = known is None or known > self.floor + cheapest_valve_cents(self.catalog)
        material = self._material(basic.options, slots=slots)
        tree = shape_of(basic.case) is not None
        valved = slots  # a valve in every outlet is still to be tried
        if valved and (self.best_cents is None or (self._is_dear and not tree)):
            self._first(with_valves_at_outlets(material, replace(basic.case, ranges=free)))
            valved = False
            if self._enough:
                return self.floor, []
        energy = least_energy_cents(basic.case)
        count, proved = _TREE_WAYS if tree else _PROOF_WAYS, self.floor
        while True:
            known = self.known_cents
            all_at_once = self.any_plan or (tree and not self._is_dear)
            below = math.inf if known is None else known - 1 - energy
            few = costs.cheapest(count) if quick.is_tree and count < costs.count and not all_at_once else math.inf
            most = min(few, below)
            limit = Limit(most, quick.rests(most), quick.low_m3_s) if quick.is_tree else None
            state = self._look(case_of(material, free, limit), most)
            if self._enough or math.isinf(most) or not state.complete:
                break
            if self.best_cents is not None and most + energy >= self.best_cents - 1:
                break
            if self.cutoff_cents is not None and most + energy >= self.cutoff_cents - 1:
                break
            proved = max(proved, math.floor(most + 0.5) + 1 + energy) if state.unproved == 0 else proved
            if valved and self._is_dear:  # the tables of a few ways find cheaper plans sooner
                self._first(with_valves_at_outlets(material, replace(basic.case, ranges=free)))
                valved = False
            count *= _MORE_IN_TREES if tree else _MORE_WAYS
        if self._enough:
            return self.floor, []
        self.stopped = self.stopped or (None if state.complete else state.stopped)
        return max(proved, state.bound_cents), self._notes(state, slots)

    def _look(self, case: FlowCase, most_cents: float) -> SearchState:
        """Search all ways of a case that a plan of at most a cost [cents, without electricity] can have."""
        self.is_water_scarce = self.is_water_scarce or case.is_water_scarce
        self.thinned |= dict.fromkeys(case.thinned)
        nothing = SearchState(complete=True, bound_cents=self.known_cents or 0)
        if not all(case.ways.values()):
            return nothing
        self._say("bound")
        costs = reduced(case, case.ranges, most_cents)
        if costs is None:
            return nothing
        return self._search(self._useful(case, costs, most_cents), below=most_cents + least_energy_cents(case) + 1.0)

    def _notes(self, state: SearchState, slots: bool) -> list[Note]:
        """Say what the proof leaves out; nothing where the bound on all plans whatsoever is as high."""
        notes = []
        if state.unproved:
            notes.append(note("valves not set", combinations=state.unproved))
        left = []
        if self.thinned:
            left.append(note("ways of more loss", runs=tuple(self.thinned)))
        if self.is_water_scarce:
            left.append(note("ways of less water"))
        if left and (self.best_cents is None or self.floor < self.best_cents):
            if self.floor > 0:
                left.append(note(NONE_AT_ALL, cost=money_note(self.floor, self.catalog.currency)))
            self.left_out = tuple(left)
        if slots:
            notes.append(note("valve tried in the longest pipe"))
        return notes

    def _none(self, reasons: tuple[Note, ...]) -> UnknownSearch:
        plan = Plan(
            Status.INFEASIBLE,
            None,
            None,
            self.catalog.currency,
            {},
            {},
            {},
            reasons=reasons,
            left_out=self.left_out,
        )
        return UnknownSearch(plan)

    def _ended(self, basic: Prepared | None, bound: int, notes: Sequence[Note]) -> UnknownSearch:
        if self.best is None or basic is None:
            if not self.stopped and self.unproved:
                self.stopped = note("no positions for every mode")
            if not self.stopped and self.cutoff_cents is not None:
                why = (note("none costs less", cost=money_note(self.cutoff_cents, self.catalog.currency)),)
                return replace(self._none((*why, *notes)), bound_cents=self.cutoff_cents)
            if not self.stopped:
                uncoupled = () if basic is None else basic.options.uncoupled
                none = note("no combination", within=within_rules(self.system))
                return self._none((none, *uncoupled, *notes))
            plan = Plan(
                Status.NO_PLAN_FOUND,
                None,
                bound,
                self.catalog.currency,
                {},
                {},
                {},
                reasons=(note("no plan before that", why=self.stopped),),
            )
            return UnknownSearch(plan, rounds=self.rounds, bound_cents=bound, by_hand=self.by_hand)
        case, choice = self.best
        choice = preferred_speeds(case, choice)
        plan = self._plan(basic, case, choice, bound)
        said = (note(SO_FAR, why=self.stopped),) if self.stopped else ()
        left = (NO_ELECTRICITY,) if leaves_electricity_out(self.system) else ()
        noted = replace(plan, notes=(*said, *notes, *plan.notes, *left), left_out=self.left_out)
        cents = cents_of(case, choice)
        found = UnknownSearch(noted, case, choice, self.rounds, min(bound, cents), self.by_hand, cents)
        return replace(found, options=basic.options, free=self.free)

    def _plan(self, basic: Prepared, case: FlowCase, choice: Choice, bound: int) -> Plan:
        cents, speeds = cents_of(case, choice), case.modes[0].speeds[choice.speeds[0]]
        energy = sum(case.energy_cents.get(pump, 0) for pump in speeds.items())
        return plan_of_choice(self.system, basic.options, case, choice, (cents, bound), energy, solver=self.solver)


def leaves_electricity_out(system: System) -> bool:
    """Return whether electricity has a price that no plan counts, as nothing says how long each setting lasts."""
    rules = system.rules
    return len(system.settings) > 1 and rules.electricity_cents_per_kwh * rules.horizon_h > 0.0


def _whole(cents: float) -> int:
    return math.ceil(cents - 0.5)
