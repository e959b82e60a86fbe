"""Plans with a margin: the cheapest that holds it, and margins one after the other until a plan works often enough."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from optimizer.choices.scaled import with_margin
from optimizer.model.note import note
from optimizer.model.plan import Plan, Status
from optimizer.search.answer import Answer
from optimizer.search.question import Question


def with_margin_kept(question: Question, plain: Callable[[Question], Answer]) -> Answer:
    """Return the cheapest plan that holds the minimum flows with the margin of the rules; `plain` solves without it."""
    system = question.system
    margin = system.rules.margin
    raised = with_margin(replace(system, rules=replace(system.rules, margin=0.0)), margin)
    answer = plain(replace(question, system=raised))
    if not answer.found:
        return answer
    said = note("margin kept", margin_share=margin)
    faster = [
        note("runs faster", pump=name, speed_share=speed)
        for name, speed in answer.plan.pump_speeds.items()
        if name in system.network.pumps and speed > system.network.pumps[name].speed
    ]
    return replace(answer, plan=replace(answer.plan, notes=(*answer.plan.notes, said, *faster)))


# flows not known beforehand, or pumps to choose: margins one after the other


_MARGINS = (0.0, 0.03, 0.06, 0.1, 0.15, 0.2, 0.3, 0.4)


def by_margins(
    question: Question,
    first: Answer,
    asked: float,
    plain: Callable[[Question], Answer],
    margins: Sequence[float] = _MARGINS,
) -> Answer:
    """Return the plan of the least margin that works often enough: no proof that nothing cheaper does."""
    from optimizer.search.studies.promise import promise_of

    found = first
    for margin in margins:
        if margin:
            if question.clock.over:
                break
            wanted = with_margin(question.system, margin)
            there = plain(replace(question, system=wanted, share=0.5, floor_cents=first.bound_cents or 0))
            if not there.found:
                break
            found = there
        works = promise_of(question.system, found.plan, question.clock)
        if works is not None and works[0] >= asked:
            bound = min(first.bound_cents or 0, found.cents or 0)
            status = Status.OPTIMAL if bound == found.cents else Status.FEASIBLE
            share, least = works[0], math.floor(1000 * works[1]) / 1000
            said = note("works in draws", works_share=share, least_share=least, asked_share=asked)
            notes = (*found.plan.notes, said)
            between = () if status is Status.OPTIMAL else (note("plans between margins"),)
            left_out = tuple(dict.fromkeys((*found.plan.left_out, *between)))
            plan = replace(found.plan, status=status, bound_cents=bound, notes=notes, left_out=left_out)
            return replace(found, plan=plan, bound_cents=bound)
    return none_so_certain(found, asked)


def none_so_certain(answer: Answer, asked: float) -> Answer:
    reason = note("none so certain", asked_share=asked, cost=answer.plan.cost_note)
    plan = Plan(
        Status.NO_PLAN_FOUND, None, None, answer.plan.currency, {}, {}, answer.plan.pump_speeds, reasons=(reason,)
    )
    return Answer(plan, answer.bound_cents, None, answer.by_hand)
