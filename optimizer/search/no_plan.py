"""A question that has no answer with a plan: why, as it is told.

A no is proved, or it is what was found in the time; what a check refused says which plan and for what.
"""

from __future__ import annotations

from dataclasses import replace

from optimizer.model.checks import Check
from optimizer.model.note import Note, note
from optimizer.model.plan import Forbidden, Plan, Status
from optimizer.search.answer import Answer
from optimizer.search.beyond_drains import too_much_asked
from optimizer.search.checks import Verdicts
from optimizer.search.pressure import weak_parts
from optimizer.search.question import Question

_ROOM, _LOOK, _OTHER = note("no other is safe"), note("no safe plan found"), note("none passes every check")


def bursting(question: Question) -> Answer:
    """Return that there is no plan, as something that has to stay could burst and the owner does not accept that."""
    weak = tuple(dict.fromkeys(weak_parts(question.system)))
    why = (
        note("could burst what stays", parts=weak),
        note("only accepted", check=str(Check.PRESSURE)),
    )
    plan = Plan(Status.INFEASIBLE, None, None, question.catalog.currency, {}, {}, {}, reasons=why)
    return Answer(replace(plan, forbidden=Forbidden.BY_CHECKS), refused=True)


def out_of_time(question: Question) -> Answer:
    """Return that the time came before any plan."""
    plan = Plan(Status.NO_PLAN_FOUND, None, question.floor_cents, question.catalog.currency, {}, {}, {})
    return Answer(
        replace(plan, reasons=(note("no plan before that", why=question.clock.why_over),)), question.floor_cents
    )


def beyond_drains(question: Question) -> Answer | None:
    """Return that there is no plan, as the targets alone ask for more than some tank takes; None where they do not."""
    over = too_much_asked(question.system)
    if not over:
        return None
    plan = Plan(Status.INFEASIBLE, None, None, question.catalog.currency, {}, {}, {}, reasons=over)
    return Answer(replace(plan, forbidden=Forbidden.BY_CHECKS), refused=True)


def refused(plan: Plan, said: Verdicts, code: str = "cheaper refused") -> Note:
    return note(code, cost=plan.cost_note, why=said.failures)


def refusing(plan: Plan, said: Verdicts, proved: bool, more: tuple[Note, ...] = ()) -> Plan:
    """Return that there is no plan because what was found is refused; `proved`: and because nothing else passes."""
    first = refused(plan, said, "cheapest refused")
    why = (_ROOM if proved else _LOOK) if said.unsafe and not said.missed else _OTHER
    return replace(no_plan(plan, proved, (first, why, *more)), forbidden=Forbidden.BY_CHECKS)


def no_plan(plan: Plan, proved: bool, reasons: tuple[Note, ...]) -> Plan:
    status = Status.INFEASIBLE if proved else Status.NO_PLAN_FOUND
    return Plan(status, None, None, plan.currency, {}, {}, plan.pump_speeds, reasons=reasons)
