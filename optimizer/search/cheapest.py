"""The cheapest plan for the targets, with its proof, or what blocks it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from optimizer.choices.demands import KnownFlows, known_flows
from optimizer.choices.for_sale import pumps_for_sale
from optimizer.clock import TimeIsUp, left_s, unlimited
from optimizer.model.catalog import Catalog
from optimizer.model.note import note
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.program.merge import EfficientSelection, MergedTables, all_carried, greatest_head
from optimizer.program.problem import Outcome, Selection, SizingProblem, excess_of
from optimizer.search.assemble import plan_of
from optimizer.search.collection import collection_held
from optimizer.search.duty import Duty, other_pumps, own_duties, taken_first
from optimizer.search.flow_search import Progress
from optimizer.search.list_proof import Found, ListSearch
from optimizer.search.options import Options, as_it_stands, options_of
from optimizer.search.posing import PosedProblem, at_speed, pose
from optimizer.search.reach import blocked
from optimizer.search.scarce_water import ScarceWater
from optimizer.search.watch import Telling
from optimizer.verify.drain_back import wet_runs, wet_volume_m3

NONE_IN_TIME = note("no plan in time")
_SAME_COST = 8  # plans with more head to spare whose lists are priced, to see whether they cost the same
_BEYOND = 24  # ... to see which one is the next by cost
_CLEARLY = 0.05  # of the head: about 3 % of the flow, as loss goes with its square


@dataclass(frozen=True)
class Search:
    """A finished search: the plan, and the numbers it came from for whoever wants to look further.

    `options.system` has the pump of the plan in place, which may be another one than the owner's.
    """

    plan: Plan
    flows: KnownFlows
    options: Options
    posed: PosedProblem
    selection: Selection
    duty: Duty
    roomier: Plan | None = None  # costs the same and has more head to spare, where there is one


@dataclass(frozen=True)
class SolverCall:
    """How the solver is called: which one (None: the first that answers), for how long at most [s], who is told."""

    solver: str | None = None
    time_limit_s: float = 60.0
    with_reasons: bool = True
    most_volume_m3: float | None = None  # of the water in all runs of the plan that run off (`wet_runs`)
    telling: Telling = field(default_factory=Telling)


@collection_held()
def find_plan(
    system: System,
    catalog: Catalog,
    *,
    solver: str | None = None,
    time_limit_s: float = 60.0,
    with_reasons: bool = True,
    most_volume_m3: float | None = None,
    progress: Progress | None = None,
) -> Search:
    """Return the cheapest plan that gives every demand its least flow.

    What is made least is what the parts list costs, and labour, a minimum order and electricity where the owner gave
    them a price. The
    pump stays at its present speed unless another setting that the owner can dial makes a cheaper plan; of those as
    cheap the lowest that the plan found serves at is taken. Where the rules allow it, every pump of the catalogs is
    tried whose price alone is not too much.

    Parameters
    ----------
    system, catalog
        What stands, what is wanted, what may be bought.
    solver
        One of `program.solve.SOLVERS`, None for the first that answers.
    time_limit_s
        Wall time for each call of the solver [s]; `clock.limited` bounds the whole.
    with_reasons
        When there is no plan, look for what blocks it.
    most_volume_m3
        The most water that all runs may hold together that run off when pumps stop [m³]; None: any.
    progress
        Is called with the stage, the best cost so far and the proved bound [cents, None where there is none]. A
        TimeIsUp that it raises ends the search with the best so far.

    Raises
    ------
    PlanError
        When the flows are not known beforehand (see `known_flows`).
    SolverError
        When no solver answers.
    """
    flows = known_flows(system)
    room_m3 = None if most_volume_m3 is None else most_volume_m3 - _standing_m3(system, flows)
    telling = Telling(progress)
    call = SolverCall(solver, time_limit_s, with_reasons, room_m3, telling)
    weigh_water = most_volume_m3 is not None
    own = own_duties(system, flows)
    standing = _standing(system, catalog, flows, own, call)
    if standing is not None:
        return standing
    telling.say("listing the ways")
    options = options_of(system, catalog, flows.flows_m3_s, weigh_water, flows.flows_m3_s)
    if system.rules.other_pumps:
        telling.outside_cents = min((item.price_cents for item in pumps_for_sale(system, catalog)), default=math.inf)
    best = best_over(options, flows, own, call, math.inf)
    if system.rules.other_pumps:
        for variant, settings in other_pumps(system, catalog, flows):
            least = math.inf if not best.plan.found else _total(best.selection, best.duty)
            if min(duty.cents for duty in settings) >= least:
                continue
            telling.outside_cents = min(duty.cents for duty in settings)
            try:
                telling.say("with another pump", least)
                options_there = options_of(variant, catalog, flows.flows_m3_s, weigh_water, flows.flows_m3_s)
                found = best_over(options_there, flows, settings, call, least)
            except TimeIsUp:
                if best.plan.found:
                    return _open_from(best, min(duty.pump_cents for duty in settings))  # all that follow cost more
                raise
            if found.plan.found and _total(found.selection, found.duty) < least:
                best = found
    return best


def _open_from(found: Search, cents: int) -> Search:
    """Return a search where the time came before other pumps were looked at, of which none costs less than this."""
    bound = min(found.plan.bound_cents or 0, cents)
    plan = replace(found.plan, status=Status.FEASIBLE, bound_cents=bound)
    return replace(found, plan=plan, selection=replace(found.selection, outcome=Outcome.FEASIBLE, bound_cents=bound))


def _standing(
    system: System, catalog: Catalog, flows: KnownFlows, settings: list[Duty], call: SolverCall
) -> Search | None:
    """Return the plumbing as it stands where it serves at the least electricity there is: nothing can cost less."""
    options = as_it_stands(system, catalog, flows.flows_m3_s)
    if options is None:
        return None
    least = min(duty.energy_cents for duty in settings)
    found = best_over(options, flows, settings, replace(call, with_reasons=False, telling=Telling()), least + 1)
    proved = found.plan.status is Status.OPTIMAL and _total(found.selection, found.duty) == least
    return found if proved else None


def _standing_m3(system: System, flows: KnownFlows) -> float:
    """Return the water that stands in runs which stay as they are [m³], of those that run off when pumps stop."""
    return sum(wet_volume_m3(run) for run in wet_runs(system.network) if run.name not in flows.flows_m3_s)


def _total(selection: Selection, duty: Duty) -> float:
    """Return what is made least [cents]: a selection counts a new pump already."""
    return math.inf if selection.cents is None else selection.cents + duty.energy_cents


def best_over(options: Options, flows: KnownFlows, settings: list[Duty], call: SolverCall, least: float) -> Search:
    """Return the best plan over the speeds of a pump, most head first; only below `least` [cents].

    Of speeds that cost the same electricity the fastest has every plan of the others.
    """
    call.telling.say("pricing them")
    lists = ListSearch(options, call.time_limit_s, call.solver)
    fastest = settings[0].speed
    if call.most_volume_m3 is None:
        posed = pose(lists.options, flows, fastest, least=lists.prices)
    else:
        scarce = ScarceWater(lists, flows, fastest, call.most_volume_m3)
        if not scarce.is_enough():
            return _ended(options, scarce.dry, flows, call, _no_selection(Outcome.INFEASIBLE), settings[0], least)
        try:
            lists, posed = scarce.priced()
        except TimeIsUp:
            return _so_far(options, scarce, flows, call, settings, least)
    if not all(posed.problem.runs.values()) or not all(posed.problem.tees.values()):
        return _ended(options, posed, flows, call, _no_selection(Outcome.INFEASIBLE), settings[0], least)
    call.telling.say("combining the runs")
    tables = MergedTables(posed.problem, greatest_head(posed.problem))
    over = _Speeds(lists, posed, flows, settings, tables, call.telling)
    best = over.best(least)
    if best is None:
        outcome = Outcome.NO_PLAN_FOUND if over.unsure else Outcome.INFEASIBLE
        return _ended(options, posed, flows, call, _no_selection(outcome), settings[0], least)
    try:
        found, duty = over.preferred(*best)
        roomier = over.roomier(found, duty) if call.most_volume_m3 is None else None
        beyond = over.beyond(found, duty) if call.with_reasons and call.most_volume_m3 is None else ()
    except TimeIsUp:
        (found, duty), roomier, beyond = over.as_found(*best), None, ()
    ended = _ended(options, found.posed, flows, call, found.selection, duty, least)
    ended = replace(ended, plan=replace(ended.plan, beyond=beyond))
    if roomier is None:
        return ended
    return replace(ended, roomier=plan_of(options, roomier.posed, roomier.selection, duty, by_list=True))


def _so_far(
    options: Options, scarce: ScarceWater, flows: KnownFlows, call: SolverCall, settings: list[Duty], least: float
) -> Search:
    """Return the best plan seen that holds little enough, where the time came before any search of lists."""
    found, duty = scarce.so_far(), settings[0]
    if found is None:
        raise TimeIsUp
    posed, chosen = found
    saved = duty.energy_cents - min(other.energy_cents for other in settings)  # another speed may draw so much less
    chosen = replace(chosen, bound_cents=max(0, (chosen.bound_cents or 0) - saved))
    ended = _ended(options, posed, flows, call, chosen, duty, least)
    return replace(ended, selection=replace(chosen, cents=_listed_cents(ended.plan)))


@dataclass
class _Speeds:
    """The cheapest list over the speeds of one pump. `unsure` is what a list might still cost where time ran out."""

    lists: ListSearch
    posed: PosedProblem
    flows: KnownFlows
    settings: list[Duty]
    tables: MergedTables
    telling: Telling = field(default_factory=Telling)
    unsure: list[float] = field(default_factory=list)

    def best(self, below: float) -> tuple[Found, Duty] | None:
        """Return the cheapest list with its duty, electricity counted, of those below a limit [cents]."""
        one_each = {duty.energy_cents: duty for duty in reversed(self.settings)}  # the fastest of each
        bounds = [(self._bound(duty), duty.energy_cents) for duty in one_each.values()]
        best: tuple[Found, Duty] | None = None
        waiting = sorted(bounds)
        for place, (bound, energy) in enumerate(waiting):
            duty = one_each[energy]
            most = below if best is None else min(below, _total(best[0].selection, best[1]))
            if bound >= most:
                continue
            if best is not None and left_s() <= 0.0:
                self.unsure.append(bound)
                continue
            others = min([*self.unsure, *(later for later, _ in waiting[place + 1 :])], default=math.inf)
            found = self._at(duty, most - energy, others)
            if found is None:
                continue
            if found.selection.outcome is not Outcome.OPTIMAL:
                self.unsure.append((found.selection.bound_cents or 0) + energy)
            if found.selection.cents is not None:
                best = (found, duty)
        return best

    def preferred(self, found: Found, duty: Duty) -> tuple[Found, Duty]:
        """Return the best list at the speed that is taken of those that cost the same: today's, else the slowest."""
        total = _total(found.selection, duty)
        bound = min([total, *self.unsure])
        same = [other for other in self.settings if other.energy_cents == duty.energy_cents]
        now = next((other for other in same if other.is_todays), None)
        if now is not None and self._excess(found, now) > 0 and self._bound(now) <= total:
            there = self._at(now, total - now.energy_cents + 1, total)
            if there is not None and there.selection.cents is not None:
                found = replace(found, posed=there.posed, selection=there.selection)
        serve = [other for other in same if self._excess(found, other) <= 0] or [duty]
        chosen = serve[0]
        for other in serve:
            if _preferred(other, chosen):
                chosen = other
        return self._told(found, chosen, bound), chosen

    def as_found(self, found: Found, duty: Duty) -> tuple[Found, Duty]:
        """Return the best list at the speed that it was found at, where no time is left to look at others."""
        return self._told(found, duty, min([_total(found.selection, duty), *self.unsure])), duty

    @staticmethod
    def _told(found: Found, duty: Duty, bound: float) -> Found:
        total = _total(found.selection, duty)
        outcome = Outcome.OPTIMAL if bound >= total else Outcome.FEASIBLE
        told = replace(found.selection, outcome=outcome, bound_cents=math.ceil(min(bound, total)) - duty.energy_cents)
        return replace(found, selection=told)

    def roomier(self, found: Found, duty: Duty) -> Found | None:
        """Return of the efficient plans whose lists cost the same the one with most head to spare, if any."""
        problem, cents = self._problem(duty), found.selection.cents
        if cents is None or not all_carried(problem):
            return None
        need = greatest_head(problem) + self._excess(found, duty)
        other = [
            one
            for one in self.tables.at(problem).selections()
            if one.need < need and self.lists.bound_cents(one.cents) <= cents
        ]
        for one in sorted(other, key=lambda each: each.need)[:_SAME_COST]:
            if _listed_cents(self._plan(one, duty)) == cents:
                chosen = replace(found.selection, run_choice=one.run_choice, tee_choice=one.tee_choice)
                return replace(found, posed=replace(self.posed, problem=problem), selection=chosen)
        return None

    def beyond(self, found: Found, duty: Duty) -> tuple[Plan, ...]:
        """Return efficient plans that cost more and leave clearly more head to spare, by what their lists come to.

        Those that the tables have at hand and whose parts cost the least; none is checked by the network.
        """
        problem, cents = self._problem(duty), found.selection.cents
        if cents is None or not all_carried(problem):
            return ()
        head = greatest_head(problem)
        need = head + self._excess(found, duty) - _CLEARLY * head
        more = [one for one in self.tables.at(problem).selections() if one.need <= need]
        plans = [self._plan(one, duty) for one in sorted(more, key=lambda each: each.cents)[:_BEYOND]]
        return tuple(sorted((one for one in plans if _listed_cents(one) > cents), key=_listed_cents))

    def _plan(self, one: EfficientSelection, duty: Duty) -> Plan:
        chosen = Selection(Outcome.FEASIBLE, one.run_choice, one.tee_choice, one.cents, 0, "merged tables")
        return plan_of(self.lists.options, replace(self.posed, problem=self._problem(duty)), chosen, duty)

    def _problem(self, duty: Duty) -> SizingProblem:
        return at_speed(self.posed, self.lists.options.system.network, self.flows, duty.speed)

    def _bound(self, duty: Duty) -> float:
        """Return what no list at a speed costs less than, electricity counted."""
        problem = self._problem(duty)
        least = self.lists.first(self.tables.at(problem), problem)
        if math.isinf(least):
            return math.inf if all_carried(problem) else float(duty.energy_cents)
        order = self.lists.bound_cents(least) if all_carried(problem) else 0
        return self.lists.options.system.rules.charged_cents(order) + duty.energy_cents

    def _at(self, duty: Duty, below: float, others_cents: float) -> Found | None:
        """Return the cheapest list at a speed below a limit [cents]; no plan at the others costs less than `others`."""
        problem, rules = self._problem(duty), self.lists.options.system.rules

        def told(stage: str, best: float, bound: float) -> None:
            total = best if math.isinf(best) else rules.charged_cents(int(best)) + duty.energy_cents
            self.telling.say(stage, total, min(rules.charged_cents(int(bound)) + duty.energy_cents, others_cents))

        posed = replace(self.posed, problem=problem)
        found = self.lists.solve(posed, rules.order_below(below), self.tables.at(problem), told=told)
        if found is None:
            return None
        cents, bound = found.selection.cents, found.selection.bound_cents
        charged = replace(
            found.selection,
            cents=None if cents is None else rules.charged_cents(cents),
            bound_cents=None if bound is None else rules.charged_cents(bound),
        )
        return replace(found, selection=charged)

    def _excess(self, found: Found, duty: Duty) -> int:
        problem = replace(found.posed.problem, paths=self._problem(duty).paths)
        return excess_of(problem, found.selection.run_choice, found.selection.tee_choice)


def _listed_cents(plan: Plan) -> int:
    """Return what a plan comes to without electricity: its list, work and a minimum order [cents]."""
    return (plan.cost_cents or 0) + plan.effort_cents + plan.topped_up_cents


def _no_selection(outcome: Outcome) -> Selection:
    return Selection(outcome, {}, {}, None, None, "")


def _ended(
    options: Options,
    posed: PosedProblem,
    flows: KnownFlows,
    call: SolverCall,
    chosen: Selection,
    duty: Duty,
    least: float,
) -> Search:
    """Return the search with its plan, or with the reasons why there is none where they are wanted."""
    if chosen.cents is not None:
        with unlimited():
            plan = plan_of(options, posed, chosen, duty, by_list=True)
    elif math.isinf(least) and call.with_reasons:
        plan = _no_plan(options, flows, chosen, duty.speed)
    else:
        plan = _nothing(options, chosen)
    return Search(plan, flows, options, posed, chosen, duty)


def _nothing(options: Options, selection: Selection) -> Plan:
    status = Status.INFEASIBLE if selection.outcome is Outcome.INFEASIBLE else Status.NO_PLAN_FOUND
    return Plan(status, None, None, options.catalog.currency, {}, {}, {})


def _preferred(duty: Duty, best: Duty) -> bool:
    """Return whether a duty is taken over one of equal cost: today's speed first, then the slowest."""
    return taken_first(duty) < taken_first(best)


def _no_plan(options: Options, flows: KnownFlows, selection: Selection, speed: float) -> Plan:
    found = selection.outcome is Outcome.INFEASIBLE
    if found:  # at less flow more may stand
        options = options_of(options.system, options.catalog, flows.flows_m3_s)
    reasons = (*blocked(options, flows, speed), *options.uncoupled) if found else (NONE_IN_TIME,)
    return Plan(
        status=Status.INFEASIBLE if found else Status.NO_PLAN_FOUND,
        cost_cents=None,
        bound_cents=None,
        currency=options.catalog.currency,
        runs={},
        tees={},
        pump_speeds={flows.pump: speed} if flows.pump else {},
        reasons=reasons,
    )
