"""A plan whose parts list keeps within a budget; the most flow for it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from optimizer.choices.for_sale import for_sale
from optimizer.choices.scaled import scaled
from optimizer.model.catalog import Catalog
from optimizer.model.note import Note, money_note, note
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.search.studies.most_flow import STEP, Look, MostFlow, most_flow
from optimizer.takeoff.plan_price import list_cents
from optimizer.takeoff.take_off import Store

_TILL_STEP = 0.02  # how finely the most flow is told where the till decides


def till_cents(system: System, plan: Plan, catalog: Catalog, store: Store) -> int:
    """Return what the parts list of a plan comes to [cents], spares apart."""
    return list_cents(system, plan, for_sale(system, catalog), store.sticks)


def within_budget(system: System, found: Plan) -> Plan:
    """Return a plan whose parts list keeps within the budget of the rules, or that none was found.

    Where the flows are known the search holds lists to the budget itself, with proof.
    """
    budget = system.rules.budget_cents
    if budget is None or not found.found or (found.cost_cents or 0) <= budget:
        return found
    reasons = (
        note("over the budget", cost=found.cost_note, budget=money_note(budget, found.currency)),
        note("budget not proven"),
    )
    speeds = found.pump_speeds
    return Plan(Status.NO_PLAN_FOUND, None, found.bound_cents, found.currency, {}, {}, speeds, reasons=reasons)


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
    best = scaled(system, max(most.scale, STEP))  # where nothing is within reach: why not
    plan = bought(best)
    if plan.found and most.scale < STEP:
        most = replace(most, scale=STEP)
    if not plan.found and most.scale > 0.0:
        # by what is used it keeps within the budget, by the parts list it does not: a little less flow may
        less = most_flow(system, bought, present, _TILL_STEP, most.scale)
        most = replace(most, scale=less.scale)
        best = scaled(system, most.scale)
        plan = bought(best)
    if most.scale < STEP and plan.status is Status.INFEASIBLE:
        plan = replace(plan, reasons=(note("not even that share", share=STEP, kept=None), *plan.reasons))
    said = (_most_note(system, most),) if plan.found else ()
    return BestForBudget(best, replace(plan, notes=(*said, *plan.notes)), most)


def _most_note(system: System, most: MostFlow) -> Note:
    proof = (
        note("none gives more", beyond_share=math.ceil(100 * most.beyond) / 100) if math.isfinite(most.beyond) else None
    )
    budget = money_note(system.rules.budget_cents or 0, system.currency)
    return note("most flow", budget=budget, share=math.floor(100 * most.scale) / 100, proof=proof)
