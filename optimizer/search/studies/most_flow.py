"""The most flow that the rules allow, a budget among them: the largest multiple of all least flows of any plan.

Where a budget is among them, a plan keeps within it by its parts list.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from optimizer.choices.for_sale import for_sale
from optimizer.choices.scaled import scaled
from optimizer.model.catalog import Catalog
from optimizer.model.note import Note, money_note, note
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.search.engine import solve
from optimizer.search.question import Question
from optimizer.search.studies.ways_out import present_share
from optimizer.search.watch import Watch
from optimizer.takeoff.plan_price import list_cents
from optimizer.takeoff.take_off import Store
from optimizer.verify.reach import most_scale

_LOOK_SHARE = 0.25  # of the time left, for a look at one multiple
_KEPT = 0.4  # of the time, for the cheapest plan at the largest multiple found
STEP = 0.01  # how finely the most is told
_GROWTH = 1.25
_SURELY = 0.999  # of what is reached today: losses are rounded up

Look = Callable[[System], Plan]
_TILL_STEP = 0.02  # how finely the most flow is told where the till decides


@dataclass(frozen=True, slots=True)
class MostFlow:
    """A plan gives `scale` times the least flows; that none gives `beyond` times is proved (infinite: nothing is)."""

    scale: float
    beyond: float


def most_flow(system: System, look: Look, low: float, step: float = STEP, high: float = math.inf) -> MostFlow:
    """Return the largest multiple of the minimum flows at which a plan is found, to `step`.

    Parameters
    ----------
    system
        Least flows without an upper end may grow beyond 1, the others only shrink below it.
    look
        Searches for a plan of a system, any plan.
    low
        A multiple that is surely reached; 0 where none is known.
    high
        A multiple at which no plan was found; infinite where there is none.
    """
    top = most_scale(system)
    low, beyond = min(low, top), math.inf
    while min(high, top) > max(low * (1 + step), step):
        at = _next(low, high, top)
        found = look(scaled(system, at))
        if found.found:
            low = at
        else:
            high = at
            beyond = at if found.status is Status.INFEASIBLE else beyond
    return MostFlow(low, beyond)


def _next(low: float, high: float, top: float) -> float:
    """Return the multiple to look at next: first the targets themselves, then ever more, then between the two."""
    if math.isfinite(high):
        return 0.5 * (low + high)
    return 1.0 if low < 1.0 else min(top, low * _GROWTH)


def any_plan_of(system: System, catalog: Catalog, watch: Watch) -> tuple[float, Look]:
    """Return a multiple that the plumbing reaches as it stands, and how to look for any plan of the system.

    Each look takes a share of the time that is left.
    """

    kept_s = _KEPT * watch.left_s

    def look(wanted: System) -> Plan:
        if watch.over or watch.left_s < kept_s:
            return Plan(Status.NO_PLAN_FOUND, None, None, catalog.currency, {}, {}, {}, reasons=(watch.why_over,))
        return solve(Question(wanted, catalog, watch, first_will_do=True, share=_LOOK_SHARE)).plan

    return _SURELY * present_share(system, watch), look


def till_cents(system: System, plan: Plan, catalog: Catalog, store: Store) -> int:
    """Return what the parts list of a plan comes to [cents], spares apart."""
    return list_cents(system, plan, for_sale(system, catalog), store.sticks)


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
        best = scaled(system, max(most.scale, STEP))
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
