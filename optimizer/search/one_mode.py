"""A system with several modes → the cheapest plan of one of them, where that plan serves in all.

Whatever serves in every mode serves in each, so none costs less than the cheapest of one mode. Where that mode's flows
are known beforehand it is the parts list that is proved, though of all modes together the flows are not known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from operator import itemgetter

from optimizer.choices.demands import flows_if_known
from optimizer.choices.wants import least_asked, wants_of
from optimizer.clock import TimeIsUp, limited
from optimizer.errors import NetworkError
from optimizer.hydraulics import solve_network
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.search.cheapest import find_plan
from optimizer.search.checks import verdicts
from optimizer.search.question import Question
from optimizer.search.unknown_flows import NO_ELECTRICITY, leaves_electricity_out

_SHARE = 0.3  # of the time


def plan_of_one_mode(question: Question) -> Plan | None:
    """Return the proven plan of a mode with known flows that passes the checks of all modes; None without one."""
    system = question.system
    if not system.settings or system.rules.other_pumps:
        return None
    left_out = (NO_ELECTRICITY,) if leaves_electricity_out(system) else ()
    counted = replace(system.rules, electricity_cents_per_kwh=0.0) if left_out else system.rules
    speeds = {name: pump.speed for name, pump in system.ways_to_run[0][1].network.pumps.items()}
    try:
        with limited(_SHARE * question.time_s):
            for at in _hardest_first(system):
                plan = _serving(question, replace(at, rules=counted))
                if plan is not None:
                    return replace(plan, pump_speeds=speeds, notes=(*plan.notes, *left_out))
    except TimeIsUp:
        pass
    return None


def _serving(question: Question, at: System) -> Plan | None:
    """Return the proven plan of one mode where it passes the checks of all: of two as cheap that with more margin."""
    if flows_if_known(at) is None or at.planned_parts != question.system.planned_parts:
        return None  # what nothing is asked of in that mode would have to stay
    found = find_plan(
        at,
        question.catalog,
        solver=question.clock.solver,
        time_limit_s=question.time_s,
        with_reasons=False,
        progress=question.clock.ending(question.words),
    )
    for plan in (found.roomier, found.plan):
        if plan is None or plan.status is not Status.OPTIMAL:
            continue
        if not verdicts(question.system, plan, question.catalog).failures:
            return plan
    return None


def _hardest_first(system: System) -> list[System]:
    """Return the system as it is in each mode that asks for some flow, the one first that gives the least of it now."""
    found = list[tuple[float, int, System]]()
    for i, (_, at) in enumerate(system.ways_to_run):
        asked = least_asked(wants_of(at))
        try:
            now: Mapping[str, float] = solve_network(at.network).flows_m3_s
        except NetworkError:
            now = {}
        if asked:
            found.append((min(max(now.get(run, 0.0), 0.0) / low for run, low in asked.items()), i, at))
    return [at for *_, at in sorted(found, key=itemgetter(0, 1))]
