"""A system with several modes → the cheapest plan of one of them, where that plan serves in all, or that it has none.

Whatever serves in every mode serves in each, so none costs less than the cheapest of one mode. Where that mode's flows
are known beforehand it is the parts list that is proved, though of all modes together the flows are not known; and why
there is no plan is told run by run.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from operator import itemgetter

from optimizer.choices.demands import known_flows
from optimizer.choices.wants import least_asked, wants_of
from optimizer.clock import TimeIsUp, limited
from optimizer.errors import NetworkError, PlanError
from optimizer.hydraulics import solve_network
from optimizer.model.note import note
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.search.cheapest import Search, find_plan
from optimizer.search.checks import verdicts_of
from optimizer.search.question import Question
from optimizer.search.unknown_flows import NO_ELECTRICITY, leaves_electricity_out
from optimizer.verify.check import verify_plan

_SHARE = 0.3  # of the time
_REST = 0.8  # of what is left then, for the proof of a plan that serves
_CHECK_SHARE = 0.15  # of it, for valve positions that serve in all modes


def plan_of_one_mode(question: Question) -> Plan | None:
    """Return the cheapest plan of a mode with known flows that passes the checks of all, or why one has none.

    Where one serves and is not proved in its share of the time, it has the rest of it.
    """
    try:
        with limited((_SHARE + _CHECK_SHARE) * question.time_s):
            for mode, at in _hardest_first(question.system):
                plan = _serving(question, mode, at)
                if plan is not None:
                    break
            else:
                return None
    except TimeIsUp:
        return None
    if plan.status is Status.FEASIBLE and not question.first_will_do:
        plan = _proved_further(question, at, plan)
    return as_for_all(question.system, plan) if plan.found else plan


def _proved_further(question: Question, at: System, plan: Plan) -> Plan:
    """Return a plan of a mode that serves in all, or a cheaper one that does, with what the rest of the time proves."""
    try:
        later = _plan_of(question, at, _REST).plan
    except TimeIsUp:
        return plan
    cents, bound = plan.material_cents or 0, max(plan.bound_cents or 0, later.bound_cents or 0)
    if later.found and (later.material_cents or 0) < cents and serves_in_all(question, later):
        return later
    return replace(plan, bound_cents=bound, status=Status.OPTIMAL if bound >= cents else Status.FEASIBLE)


def hardest_mode(system: System) -> System | None:
    """Return the system with the one mode that today's plumbing serves worst; None where it does not ask of all."""
    for mode, at in _hardest_first(system)[:1]:
        if at.planned_parts == system.planned_parts:
            return replace(system, rules=at.rules, settings=tuple(one for one in system.settings if one.name == mode))
    return None


def as_for_all(system: System, plan: Plan) -> Plan:
    """Return the plan of one mode as that of all: pumps at their speeds in the first, electricity not counted."""
    speeds = {name: pump.speed for name, pump in system.ways_to_run[0][1].network.pumps.items()}
    left_out = (NO_ELECTRICITY,) if leaves_electricity_out(system) else ()
    return replace(plan, pump_speeds=speeds, notes=(*plan.notes, *left_out))


def _serving(question: Question, mode: str, at: System) -> Plan | None:
    """Return the cheapest plan of one mode where it passes the checks of all: of two as cheap that with more margin.

    Where it is proved that the mode has none, that is returned with the reasons.
    """
    try:
        known_flows(at)
    except PlanError:  # they are not known, or no target is on a run with a valve
        return None
    if at.planned_parts != question.system.planned_parts:
        return None  # what nothing is asked of in that mode would have to stay
    found = _plan_of(question, at, _SHARE)
    if found.plan.status is Status.INFEASIBLE and found.plan.reasons:
        return replace(found.plan, reasons=(*found.plan.reasons, note("so in mode", mode=mode)))
    for plan in (found.roomier, found.plan):
        if plan is not None and plan.found and serves_in_all(question, plan):
            return plan
    return None


def _plan_of(question: Question, at: System, share: float) -> Search:
    """Return the search for a plan of one mode that takes so much of the time at the most."""
    time_s = share * question.time_s
    with limited(time_s):
        return find_plan(
            at,
            question.catalog,
            solver=question.clock.solver,
            time_limit_s=time_s,
            with_reasons=question.with_reasons,
            progress=question.clock.ending(question.words),
        )


def serves_in_all(question: Question, plan: Plan) -> bool:
    """Return whether a plan passes the checks of all modes, where valve positions for them are found in time."""
    try:
        with limited(_CHECK_SHARE * question.time_s):
            verification = verify_plan(question.system, plan)
    except TimeIsUp:
        return False
    passed = verification.passed
    return passed and not verdicts_of(question.system, plan, question.catalog, verification).failures


def _hardest_first(system: System) -> list[tuple[str, System]]:
    """Return each mode that asks for some flow, and the system then, the one first that gives the least of it now.

    None where there are no modes, or where another pump may be taken: in a mode by itself it runs at any speed.
    """
    if not system.settings or system.rules.other_pumps:
        return []
    if leaves_electricity_out(system):
        system = replace(system, rules=replace(system.rules, electricity_cents_per_kwh=0.0))
    found = list[tuple[float, int, tuple[str, System]]]()
    for i, (mode, at) in enumerate(system.ways_to_run):
        asked = least_asked(wants_of(at))
        try:
            now: Mapping[str, float] = solve_network(at.network).flows_m3_s
        except NetworkError:
            now = {}
        if asked:
            share = min(max(now.get(run, 0.0), 0.0) / low for run, low in asked.items())
            found.append((share, i, (mode, at)))
    return [there for *_, there in sorted(found, key=itemgetter(0, 1))]
