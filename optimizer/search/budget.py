"""A plan within a budget at the till, in whole sticks and packs as the parts list has them; the most flow for it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from optimizer.choices.scaled import scaled
from optimizer.errors import FlowsUnknownError
from optimizer.model.catalog import Catalog
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.search.at_the_till import cheapest_at_till
from optimizer.search.cheapest import find_plan
from optimizer.search.checks import verdicts
from optimizer.search.studies.most_flow import Look, MostFlow, most_flow
from optimizer.takeoff.take_off import Store, priced

_TILL_STEP = 0.02  # how finely the most flow is told where the till decides


def till_cents(system: System, plan: Plan, catalog: Catalog, store: Store) -> int:
    """Return what the parts list of a plan comes to [cents], spares apart."""
    if plan.stands is not None:  # priced against the plumbing cut apart where what is new joins
        system = replace(system, network=plan.stands)
    return priced(system, plan, catalog, store)[1].total_cents


def within_budget(
    system: System, catalog: Catalog, found: Plan, store: Store, *, solver: str | None, time_limit_s: float
) -> Plan:
    """Return a plan whose parts list keeps within the budget of the rules, or why none was found.

    The search holds a plan to the budget by what it uses, with proof. Where whole sticks and packs make the list dearer
    than that, the plan that costs least at the till takes its place, if the flows are known beforehand.

    Parameters
    ----------
    system, catalog, store
        What stands, what may be bought, and how.
    found
        The cheapest plan by what it uses.
    solver, time_limit_s
        As for `find_plan`.
    """
    budget = system.rules.budget_cents
    if budget is None or not found.found:
        return found
    first = till_cents(system, found, catalog, store)
    if first <= budget:
        return found
    other = _cheapest_to_buy(system, catalog, store, solver, time_limit_s)
    total = None if other is None else till_cents(system, other, catalog, store)
    if other is not None and total is not None and total <= budget and not verdicts(system, other).failures:
        return replace(other, notes=(*other.notes, _taken(found, first, budget)))
    return _none(system, found, first, budget, total)


@dataclass(frozen=True, slots=True)
class BestForBudget:
    """The system with the least flows that the plan gives, the plan, and what is known of how much more there is."""

    system: System
    plan: Plan
    most: MostFlow


def most_for_budget(system: System, bought: Look, present: float, any_plan: Look) -> BestForBudget:
    """Return the plan that gives the most flow, as a multiple of all least flows, within the budget of the rules.

    Parameters
    ----------
    system
        What stands and what is wanted.
    bought
        How the cheapest plan of a system whose parts list keeps within the budget is sought.
    present
        The multiple that the plumbing gives as it stands; 0 where that is not known.
    any_plan
        How any plan of a system that keeps within the budget by what it uses is sought.
    """
    most = most_flow(system, any_plan, present)
    best = scaled(system, most.scale)
    plan = bought(best)
    if not plan.found and most.scale > 0.0:
        # by what is used it keeps within the budget, by the parts list it does not: a little less flow may
        less = most_flow(system, bought, present, _TILL_STEP, most.scale)
        most = replace(most, scale=less.scale)
        best = scaled(system, most.scale)
        plan = bought(best)
    said = _most_words(system, most) if plan.found else ()
    return BestForBudget(best, replace(plan, notes=(*said, *plan.notes)), most)


def _most_words(system: System, most: MostFlow) -> tuple[str, ...]:
    budget = _money(system.rules.budget_cents or 0, system.currency)
    proof = (
        f"; that no plan gives {math.ceil(100 * most.beyond)} % for it, by what it uses, is proved"
        if math.isfinite(most.beyond)
        else ""
    )
    return (f"the most flow found for {budget} is {math.floor(100 * most.scale)} % of every least flow{proof}",)


def _cheapest_to_buy(
    system: System, catalog: Catalog, store: Store, solver: str | None, time_limit_s: float
) -> Plan | None:
    try:
        search = find_plan(system, catalog, solver=solver, time_limit_s=time_limit_s, with_reasons=False)
    except FlowsUnknownError:
        return None
    if not search.plan.found:
        return None
    return cheapest_at_till(search, store.sticks, solver=solver, time_limit_s=time_limit_s)


def _money(cents: int, currency: str) -> str:
    return f"{cents / 100:.2f} {currency}"


def _taken(first: Plan, total: int, budget: int) -> str:
    return (
        f"the plan that uses least, {_money(first.material_cents or 0, first.currency)}, comes to "
        f"{_money(total, first.currency)} in whole sticks and packs, over the budget of "
        f"{_money(budget, first.currency)}; this one was sought by what its parts list comes to"
    )


def _none(system: System, first: Plan, total: int, budget: int, other: int | None) -> Plan:
    currency = first.currency
    parts = (first.material_cents or 0) - first.effort_cents - first.energy_cents
    reasons = [
        f"the plan that uses least takes parts for {_money(parts, currency)}, but whole sticks and packs come to "
        f"{_money(total, currency)}, over the budget of {_money(budget, currency)}"
    ]
    if other is not None and other > budget:
        least = min(total, other)
        reasons.append(f"the cheapest parts list that was found comes to {_money(least, currency)}")
    if system.rules.pipe_in_sticks and (first.cost_cents or 0) <= budget:
        by_length = _money(first.cost_cents or 0, currency)
        reasons.append(f"where a store cuts pipe to length it is {by_length} (`buy pipe: by the foot`)")
    reasons.append("that no parts list at all keeps within the budget is not proved")
    speeds = first.pump_speeds
    return Plan(Status.NO_PLAN_FOUND, None, first.bound_cents, currency, {}, {}, speeds, reasons=tuple(reasons))
