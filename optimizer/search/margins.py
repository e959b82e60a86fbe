"""Plans with a margin: the cheapest that holds it, and margins one after the other until a plan works often enough."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from optimizer.choices.scaled import Asked, growing, with_margin
from optimizer.model.note import note
from optimizer.model.plan import Plan, Status
from optimizer.search.question import Answer, Question


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

    All targets are raised together, but one where only the others have a plan; once it works often enough those one by
    one without which it does so for less. Where a margin has no plan any more, the one in the middle between it and
    the one before is tried as the last.
    """
    look = _Look(question, first, asked, plain)
    waiting, before, halved = list(margins), 0.0, False
    while waiting:
        margin = waiting.pop(0)
        if margin and question.clock.over:
            break
        if not look.at(margin):
            waiting, halved = [] if halved else [0.5 * (before + margin)], True
            continue
        before = margin
        if look.works is not None:
            look.spare_more(margin, waiting[:1])
            return _working(look.found, first, asked, look.works)
    return none_so_certain(first, asked, look.best)


@dataclass
class _Look:
    """Plans of margins one after the other; `found` is the last, `works` how often it does, if that is enough."""

    question: Question
    first: Answer
    asked: float
    plain: Callable[[Question], Answer]
    spared: frozenset[Asked] = frozenset()
    best: tuple[float, Answer] | None = None  # the plan that works most often
    works: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        self.found = self.first

    def at(self, margin: float) -> bool:
        """Look for the plan of a margin; return whether there is one."""
        for spared in (self.spared, *self._sparing_one()) if margin else (self.spared,):
            found = self._plan(margin, spared) if margin else self.first
            if found.found:
                self.found, self.spared, self.works = found, spared, self._works(found)
                return True
            if self.question.clock.over:
                break
        return False

    def spare_more(self, margin: float, higher: Sequence[float]) -> None:
        """Look for cheaper plans that work often enough without a target raised, if need be with a higher margin."""
        raised = growing(self.question.system)
        for one in raised if margin else ():
            spared = self.spared | {one}
            for each in (margin, *higher) if self.spared < spared < set(raised) else ():
                if self.question.clock.over or (self.found.cents or 0) <= (self.first.bound_cents or 0):
                    return
                found = self._plan(each, spared, self.found.cents)
                works = self._works(found) if found.found and (found.cents or 0) < (self.found.cents or 0) else None
                if works is not None:
                    self.found, self.spared, self.works, margin, higher = found, spared, works, each, ()
                    break

    def _sparing_one(self) -> list[frozenset[Asked]]:
        raised = [one for one in growing(self.question.system) if one not in self.spared]
        return [self.spared | {one} for one in raised] if len(raised) > 1 else []

    def _plan(self, margin: float, spared: frozenset[Asked], ceiling_cents: int | None = None) -> Answer:
        system = with_margin(self.question.system, margin, spared)
        limits = [each for each in (self.question.ceiling_cents, ceiling_cents) if each is not None]
        ceiling, floor = min(limits, default=None), self.first.bound_cents or 0
        return self.plain(replace(self.question, system=system, share=0.5, ceiling_cents=ceiling, floor_cents=floor))

    def _works(self, found: Answer) -> tuple[float, float] | None:
        """Return how often a plan works, if that is often enough."""
        from optimizer.search.studies.promise import promise_of

        works = promise_of(self.question.system, found.plan, self.question.clock)
        if works is not None and (self.best is None or works[0] > self.best[0]):
            self.best = works[0], found
        return works if works is not None and works[0] >= self.asked else None


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
