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
    """Return the plan of the least margin that works often enough: no proof that nothing cheaper does.

    Where a margin has no plan any more, the one in the middle between it and the one before is tried as the last.
    """
    from optimizer.search.studies.promise import promise_of

    best: tuple[float, Answer] | None = None
    waiting, before, halved = list(margins), 0.0, False
    while waiting:
        margin = waiting.pop(0)
        if margin and question.clock.over:
            break
        found = first if margin == 0.0 else _with_margin(question, first, margin, plain)
        if not found.found:
            waiting, halved = [] if halved else [0.5 * (before + margin)], True
            continue
        before = margin
        works = promise_of(question.system, found.plan, question.clock)
        if works is not None and works[0] >= asked:
            return _working(found, first, asked, works)
        if works is not None and (best is None or works[0] > best[0]):
            best = works[0], found
    return none_so_certain(first, asked, best)


def _with_margin(question: Question, first: Answer, margin: float, plain: Callable[[Question], Answer]) -> Answer:
    wanted = with_margin(question.system, margin)
    return plain(replace(question, system=wanted, share=0.5, floor_cents=first.bound_cents or 0))


def _working(found: Answer, first: Answer, asked: float, works: tuple[float, float]) -> Answer:
    bound = min(first.bound_cents or 0, found.cents or 0)
    status = Status.OPTIMAL if bound == found.cents else Status.FEASIBLE
    share, least = works[0], math.floor(1000 * works[1]) / 1000
    said = note("works in draws", works_share=share, least_share=least, asked_share=asked)
    between = () if status is Status.OPTIMAL else (note("plans between margins"),)
    left_out = tuple(dict.fromkeys((*found.plan.left_out, *between)))
    plan = replace(found.plan, status=status, bound_cents=bound, notes=(*found.plan.notes, said), left_out=left_out)
    return replace(found, plan=plan, bound_cents=bound)


def none_so_certain(first: Answer, asked: float, best: tuple[float, Answer] | None) -> Answer:
    """Return that no plan works often enough; `first` is the cheapest, `best` the one that works most often."""
    most = None
    if best is not None and best[1] is not first:
        most = note("most certain one", works_share=math.floor(100 * best[0]) / 100, cost=best[1].plan.cost_note)
    reason = note("none so certain", asked_share=asked, cost=first.plan.cost_note, most=most)
    plan = Plan(
        Status.NO_PLAN_FOUND, None, None, first.plan.currency, {}, {}, first.plan.pump_speeds, reasons=(reason,)
    )
    return Answer(plan, first.bound_cents, None, first.by_hand, reach_told=True)  # the targets themselves are reached
