"""The cheapest plan for the targets, with its proof, or what blocks it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from optimizer.choices.demands import KnownFlows, known_flows
from optimizer.model.catalog import Catalog
from optimizer.model.network import Network
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.program.merge import MergedTables, all_carried, greatest_head
from optimizer.program.problem import Outcome, Selection, SizingProblem
from optimizer.program.solve import solve_sizing
from optimizer.search.assemble import plan_of
from optimizer.search.duty import Duty, other_pumps, own_duties
from optimizer.search.posing import Options, PosedProblem, at_speed, options_of, pose
from optimizer.search.reach import blocked


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


@dataclass(frozen=True)
class SolverCall:
    """How the solver is called: which one (None: the first that answers) and for how long at most [s]."""

    solver: str | None = None
    time_limit_s: float = 60.0
    with_reasons: bool = True
    most_volume_m3: float | None = None  # of the water in all runs together

    def solve(
        self, problem: SizingProblem, most_cents: float = math.inf, tables: MergedTables | None = None
    ) -> Selection:
        most = None if math.isinf(most_cents) else math.floor(most_cents)
        limit_s = self.time_limit_s
        return solve_sizing(problem, solver=self.solver, time_limit_s=limit_s, most_cents=most, tables=tables)


def find_plan(
    system: System,
    catalog: Catalog,
    *,
    solver: str | None = None,
    time_limit_s: float = 60.0,
    with_reasons: bool = True,
    most_volume_m3: float | None = None,
) -> Search:
    """Return the cheapest plan that gives every demand its least flow.

    What is made least is material, and labour and electricity where the owner gave them a price. The pump stays at its
    present speed unless another setting that the owner can dial makes a cheaper plan; of those as cheap the lowest that
    serves is taken. Where the rules allow it, every pump of the catalogs is tried whose price alone is not too much.

    Parameters
    ----------
    system, catalog
        What stands, what is wanted, what may be bought.
    solver
        One of `program.solve.SOLVERS`, None for the first that answers.
    time_limit_s
        Wall time for each call of the solver [s].
    with_reasons
        When there is no plan, look for what blocks it.
    most_volume_m3
        The most water that all runs of the tree may hold together [m³]; None: any.

    Raises
    ------
    PlanError
        When the flows are not known beforehand (see `known_flows`).
    SolverError
        When no solver answers.
    """
    call = SolverCall(solver, time_limit_s, with_reasons, most_volume_m3)
    flows = known_flows(system)
    weigh_water = most_volume_m3 is not None
    options = options_of(system, catalog, flows.flows_m3_s, weigh_water)
    own = own_duties(system, flows)
    best = _best_of(options, flows, own, call, math.inf)
    if system.rules.other_pumps:
        for variant, settings in other_pumps(system, catalog, flows):
            least = math.inf if not best.plan.found else _total(best.selection, best.duty)
            if min(duty.cents for duty in settings) >= least:
                continue
            options_there = options_of(variant, catalog, flows.flows_m3_s, weigh_water)
            found = _best_of(options_there, flows, settings, call, least)
            if found.plan.found and _total(found.selection, found.duty) < least:
                best = found
    return best


def _total(selection: Selection, duty: Duty) -> float:
    """Return what is made least [cents]: a selection counts a new pump already."""
    return math.inf if selection.cents is None else selection.cents + duty.energy_cents


def _best_of(options: Options, flows: KnownFlows, settings: list[Duty], call: SolverCall, least: float) -> Search:
    """Return the best plan over the speeds of one pump, fastest first; only plans below `least` [cents] matter.

    The merged tables of the tree hold the cheapest selection at every head, so they tell the speed; the program then
    proves the selection at that speed.
    """
    network = options.system.network
    posed = pose(options, flows, settings[0].speed, most_volume_m3=call.most_volume_m3)
    if not all_carried(posed.problem):
        return _best_within(options, posed, flows, settings, call, least)
    tables = MergedTables(posed.problem, greatest_head(posed.problem))
    duty = _best_duty(posed, tables, network, flows, settings, least) or settings[0]
    chosen = call.solve(at_speed(posed, network, flows, duty.speed), least - duty.energy_cents, tables)
    return _ended(options, posed, flows, call, chosen, duty, least)


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
        plan = plan_of(options, posed, chosen, duty)
    elif math.isinf(least) and call.with_reasons:
        plan = _no_plan(options, flows, chosen, duty.speed)
    else:
        plan = _nothing(options, chosen)
    return Search(plan, flows, options, posed, chosen, duty)


def _best_within(
    options: Options, posed: PosedProblem, flows: KnownFlows, settings: list[Duty], call: SolverCall, least: float
) -> Search:
    """Return the best plan over the speeds of one pump where the tables do not tell: a program for each speed."""
    best: tuple[float, Duty, Selection] | None = None
    unsure: list[float] = []  # what a plan might still cost at speeds where the time ran out
    for duty in settings:
        most = min(least, math.inf if best is None else best[0])
        found = call.solve(at_speed(posed, options.system.network, flows, duty.speed), most - duty.energy_cents)
        if found.outcome in (Outcome.FEASIBLE, Outcome.NO_PLAN_FOUND):
            unsure.append((found.bound_cents or 0) + duty.energy_cents)
        total = _total(found, duty)
        better = best is None or total < best[0] or (total == best[0] and _preferred(duty, best[1]))
        if found.cents is not None and total <= most and better:
            best = (total, duty, found)
    if best is None:
        outcome = Outcome.NO_PLAN_FOUND if unsure else Outcome.INFEASIBLE
        nothing = Selection(outcome, {}, {}, None, None, "")
        return _ended(options, posed, flows, call, nothing, settings[0], least)
    total, duty, found = best
    bound = min([total, *unsure])
    outcome = Outcome.OPTIMAL if bound >= total else Outcome.FEASIBLE
    found = replace(found, outcome=outcome, bound_cents=math.ceil(bound) - duty.energy_cents)
    return _ended(options, posed, flows, call, found, duty, least)


def _best_duty(
    posed: PosedProblem,
    tables: MergedTables,
    network: Network,
    flows: KnownFlows,
    settings: list[Duty],
    least: float,
) -> Duty | None:
    """Return the duty with the cheapest selection, None when none is below `least` [cents]."""
    if any(not choices for choices in posed.problem.runs.values()):
        return None
    best: tuple[float, Duty] | None = None
    for duty in settings:
        head = greatest_head(at_speed(posed, network, flows, duty.speed))
        cents = next((found.cents for found in tables.selections() if found.need <= head), None)
        if cents is None or cents + duty.energy_cents >= least:
            continue
        total = cents + duty.energy_cents
        if best is None or total < best[0] or (total == best[0] and _preferred(duty, best[1])):
            best = (total, duty)
    return None if best is None else best[1]


def _nothing(options: Options, selection: Selection) -> Plan:
    status = Status.INFEASIBLE if selection.outcome is Outcome.INFEASIBLE else Status.NO_PLAN_FOUND
    return Plan(status, None, None, options.catalog.currency, {}, {}, {})


def _preferred(duty: Duty, best: Duty) -> bool:
    """Return whether a duty is taken over one of equal cost: today's speed first, then the slowest."""
    return (not _now(duty), duty.speed) < (not _now(best), best.speed)


def _now(duty: Duty) -> bool:
    return duty.pump_cents == 0 and duty.speed == duty.pump.speed


def _no_plan(options: Options, flows: KnownFlows, selection: Selection, speed: float) -> Plan:
    found = selection.outcome is Outcome.INFEASIBLE
    reasons = blocked(options, flows, speed) if found else ("the time limit came before any plan; allow more time",)
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
