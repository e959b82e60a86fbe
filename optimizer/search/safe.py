"""The cheapest plan that keeps the floor dry: one that floods is refused, with the reason, and the next one taken.

With the flows known, drains and rims are a matter of the flows alone: where the least flows are too much for them, no
plan helps. What runs back when the power fails depends on how much water the chosen pipe holds, which is a row of the
program; so the next plan comes with a proof of its own. With the flows unknown, drains, rims and what runs back are
rows over the flows, and the search for the next plan keeps to them in every setting.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial

from optimizer.choices.demands import KnownFlows
from optimizer.model.catalog import Catalog
from optimizer.model.plan import Plan, Status, Verification
from optimizer.model.safety import Verdict
from optimizer.model.system import System
from optimizer.search.cheapest import Search, find_plan
from optimizer.search.flow_search import Progress
from optimizer.search.unknown_flows import UnknownSearch
from optimizer.search.unknown_pumps import find_any
from optimizer.verify.allowance import allowances_of, flow_limits_m3_s, most_pipe_volume_m3
from optimizer.verify.check import verify_plan
from optimizer.verify.drain_back import inflow_m3_s

_MENDING_SHARE = 0.1  # of the time limit, for a plan that costs no more and mends what is unsafe today


def find_safe_plan(system: System, catalog: Catalog, *, solver: str | None = None, time_limit_s: float = 60.0) -> Plan:
    """Return the cheapest plan of those that are safe; its notes say which cheaper one was refused, and why.

    Parameters and errors are those of `find_plan`. Without a safe plan the status is INFEASIBLE, with the reasons.
    """
    first = find_plan(system, catalog, solver=solver, time_limit_s=time_limit_s)
    if not first.plan.found:
        return first.plan
    unsafe = unsafe_words(system, first.plan)
    if not unsafe:
        return first.plan
    too_much = _too_much_flow(system, first.flows)
    most = None if too_much else most_pipe_volume_m3(system, _at_least(system, first.flows))
    if most is None or most <= 0.0:
        return _none(first.plan, unsafe, too_much or most is not None)
    return _next(system, catalog, first, unsafe, most, solver, time_limit_s)


def find_safe_unknown(
    system: System,
    catalog: Catalog,
    *,
    solver: str | None = None,
    time_limit_s: float = 60.0,
    progress: Progress | None = None,
    cutoff_cents: int | None = None,
    any_plan: bool = False,
    floor_cents: int = 0,
) -> UnknownSearch:
    """Return the cheapest plan of those that are safe in every setting, for flows that are not known beforehand.

    Parameters and errors are those of `find_any`; where the first plan floods, the search for the next one has at least
    half of the time limit again.
    """
    began = time.monotonic()
    mend = partial(find_any, system, catalog, solver=solver, progress=progress)
    find = partial(mend, cutoff_cents=cutoff_cents, any_plan=any_plan)
    first = find(time_limit_s=time_limit_s, floor_cents=floor_cents)
    unsafe = unsafe_words(system, first.plan) if first.plan.found else ()
    found = first
    if unsafe and first.by_hand:
        return _refusing(first, first, unsafe, "the search was stopped by hand")
    if unsafe:
        left_s = max(time_limit_s / 2.0, time_limit_s - (time.monotonic() - began))
        held = allowances_of(system, today_counts=True)
        # what floods may be cheaper than the next plan, nothing else is
        found = find(time_limit_s=left_s, allowances=held, floor_cents=first.bound_cents or 0)
        if not found.plan.found:
            return _refusing(first, found, unsafe)
        still = unsafe_words(system, found.plan)
        if still:
            return _refusing(first, found, (*unsafe, *still), "the next plan found is unsafe as well")
    if found.plan.found and not any_plan:
        found = _mending(system, found, partial(mend, time_limit_s=_MENDING_SHARE * time_limit_s))
    if not unsafe or (found.cents or 0) <= (first.cents or 0):
        return found  # no other parts, set so that nothing floods
    return replace(found, plan=replace(found.plan, notes=(*found.plan.notes, _refused(first.plan, unsafe))))


def _refusing(first: UnknownSearch, found: UnknownSearch, unsafe: tuple[str, ...], why: str = "") -> UnknownSearch:
    """Return a search that ended without a plan, because what it found is unsafe."""
    proved = not why and found.plan.status is Status.INFEASIBLE
    more = () if proved else (why,) if why else found.plan.reasons
    return replace(found, plan=_none(first.plan, unsafe, proved, more), unsafe=True)


def _mending(system: System, found: UnknownSearch, find: Callable[..., UnknownSearch]) -> UnknownSearch:
    """Return a plan of the same cost that takes away what is unsafe today as well, where there is one: it is free."""
    if found.cents is None or not _lasting(system, found.plan):
        return found
    held = allowances_of(system, today_counts=False)
    other = find(allowances=held, floor_cents=found.cents, cutoff_cents=found.cents + 1, any_plan=True)
    if not other.plan.found or _lasting(system, other.plan) >= _lasting(system, found.plan):
        return found
    return replace(
        found,
        plan=replace(other.plan, status=found.plan.status, bound_cents=found.plan.bound_cents, notes=found.plan.notes),
    )


def _lasting(system: System, plan: Plan) -> int:
    """Return how much is unsafe with a plan, whether it was before or not."""
    safety = verify_plan(system, plan).safety
    return 0 if safety is None else sum(check.verdict is Verdict.UNSAFE for check in safety.checks)


def unsafe_words(system: System, plan: Plan) -> tuple[str, ...]:
    """Return what a plan makes unsafe, as the network solution has it; nothing where it is safe."""
    verification: Verification = verify_plan(system, plan)
    return () if verification.safety is None else verification.safety.failures


def _next(
    system: System,
    catalog: Catalog,
    first: Search,
    unsafe: tuple[str, ...],
    most_m3: float,
    solver: str | None,
    time_limit_s: float,
) -> Plan:
    """Return the cheapest plan whose pipe holds no more than the sump has room for."""
    found = find_plan(
        system, catalog, solver=solver, time_limit_s=time_limit_s, with_reasons=False, most_volume_m3=most_m3
    ).plan
    if not found.found:
        return _none(first.plan, unsafe, found.status is Status.INFEASIBLE)
    still = unsafe_words(system, found)
    if still:
        return _none(first.plan, (*unsafe, *still), False)
    return replace(found, notes=(*found.notes, _refused(first.plan, unsafe)))


def _at_least(system: System, flows: KnownFlows) -> dict[str, float]:
    return {name: flows.flows_m3_s.get(name, 0.0) for name in system.network.runs}


def _too_much_flow(system: System, flows: KnownFlows) -> bool:
    """Return whether the least flows alone are more than drains and rims take: then no plan is safe."""
    network = system.network
    stated = {tank.name: tank for tank in system.tanks}
    least = _at_least(system, flows)
    return any(
        name in stated and inflow_m3_s(network, least, stated[name]) > most
        for name, most in flow_limits_m3_s(system, network).items()
    )


def _refused(plan: Plan, unsafe: tuple[str, ...]) -> str:
    cost = f"{(plan.cost_cents or 0) / 100:.2f} {plan.currency}"
    return f"a cheaper plan, parts for {cost}, was refused: " + "; ".join(unsafe)


def _none(plan: Plan, unsafe: tuple[str, ...], proved: bool, more: tuple[str, ...] = ()) -> Plan:
    reasons = (
        _refused(plan, unsafe).replace("a cheaper plan", "the cheapest plan"),
        "no other plan of this catalog and these rules is safe: more room in the sump, a larger drain, or a "
        "siphon-break hole nearer to the overflow edge would help"
        if proved
        else "no safe plan was found: look at the tanks and drains of the file",
        *more,
    )
    status = Status.INFEASIBLE if proved else Status.NO_PLAN_FOUND
    return Plan(status, None, None, plan.currency, {}, {}, plan.pump_speeds, reasons=reasons)
