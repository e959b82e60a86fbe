"""The cheapest plan for the targets, with its proof, or what blocks it."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.choices.demands import KnownFlows, known_flows
from optimizer.model.catalog import Catalog
from optimizer.model.network import Pump
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.program.problem import Outcome, Selection, SizingProblem, excess_of
from optimizer.program.solve import solve_sizing
from optimizer.search.assemble import plan_of
from optimizer.search.posing import Options, PosedProblem, at_speed, options_of, pose
from optimizer.search.reach import blocked


@dataclass(frozen=True)
class Search:
    """A finished search: the plan, and the numbers it came from for whoever wants to look further."""

    plan: Plan
    flows: KnownFlows
    options: Options
    posed: PosedProblem
    selection: Selection


def find_plan(system: System, catalog: Catalog, *, solver: str | None = None, time_limit_s: float = 60.0) -> Search:
    """Return the cheapest plan that gives every demand its least flow.

    The pump stays at its present speed unless another setting that the owner can dial makes a cheaper plan; of those
    the lowest that serves is taken.

    Parameters
    ----------
    system, catalog
        What stands, what is wanted, what may be bought.
    solver
        One of `program.solve.SOLVERS`, None for the first that answers.
    time_limit_s
        Wall time for each call of the solver [s].

    Raises
    ------
    PlanError
        When the flows are not known beforehand (see `known_flows`).
    SolverError
        When no solver answers.
    """
    flows = known_flows(system)
    pump = system.network.pumps[flows.pump]
    speeds = sorted({pump.speed, *pump.speeds})
    options = options_of(system, catalog, flows.flows_m3_s)
    posed = pose(options, flows, speeds[-1])
    fastest = solve_sizing(posed.problem, solver=solver, time_limit_s=time_limit_s)
    if fastest.outcome in (Outcome.INFEASIBLE, Outcome.NO_PLAN_FOUND):
        plan = _no_plan(options, flows, fastest, speeds[-1])
        return Search(plan, flows, options, posed, fastest)
    speed, selection = _speed_of_choice(posed, flows, pump, speeds, fastest, solver, time_limit_s, system)
    plan = plan_of(system.network, catalog, posed, selection, {flows.pump: speed})
    return Search(plan, flows, options, posed, selection)


def _speed_of_choice(
    posed: PosedProblem,
    flows: KnownFlows,
    pump: Pump,
    speeds: list[float],
    fastest: Selection,
    solver: str | None,
    time_limit_s: float,
    system: System,
) -> tuple[float, Selection]:
    """Return the present speed if a plan as cheap exists there, else the lowest that serves the cheapest plan."""
    if pump.speed != speeds[-1]:
        now = at_speed(posed, system.network, flows, pump.speed)
        if _same(now, fastest):
            return pump.speed, fastest
        selection = solve_sizing(now, solver=solver, time_limit_s=time_limit_s, most_cents=fastest.cents)
        if selection.cents is not None and selection.cents == fastest.cents:
            return pump.speed, selection
    for speed in speeds:
        if _same(at_speed(posed, system.network, flows, speed), fastest):
            return speed, fastest
    return speeds[-1], fastest


def _same(problem: SizingProblem, selection: Selection) -> bool:
    """Return whether a selection still keeps within every head."""
    return excess_of(problem, selection.run_choice, selection.tee_choice) <= 0


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
        pump_speeds={flows.pump: speed},
        reasons=reasons,
    )
