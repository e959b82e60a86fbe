"""Plans with a margin: the cheapest that holds it, and margins one after the other until a plan works often enough."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from statistics import NormalDist

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
        reasons = (*answer.reasons, note("margin on top", margin_share=margin))
        return replace(answer, plan=replace(answer.plan, reasons=reasons))
    said = note("margin kept", margin_share=margin)
    faster = [
        note("runs faster", pump=name, speed_share=speed)
        for name, speed in answer.plan.pump_speeds.items()
        if name in system.network.pumps and speed > system.network.pumps[name].speed
    ]
    return replace(answer, plan=replace(answer.plan, notes=(*answer.plan.notes, said, *faster)))


# flows not known beforehand, or pumps to choose: margins one after the other


_SPREAD = 0.12  # of what the same plumbing gives from case to case, one standard deviation: for the first guess
_LEAST_STEP, _MOST_STEP = 0.02, 0.1  # from one margin that works too seldom to the next
_MOST = 0.4
_FINE = 0.01  # so near to a margin that works too seldom no lesser one is looked for
_TRIES = 7
_HIGHER, _LOWER = 2, 2  # margins that are tried without a target raised, above and below the one that works with it
_INSIDE = 0.2  # of what is left between two margins, the next one keeps from both
_SURE = 0.995  # shares beyond that say no more of how far off the one asked for is


def by_margins(
    question: Question, first: Answer, asked: float, plain: Callable[[Question], Answer], tries: int = _TRIES
) -> Answer:
    """Return the plan of the least margin that works often enough: no proof that nothing cheaper does.

    All targets are raised together, but one where only the others have a plan; once it works often enough those one by
    one without which it does so for less. The next margin is the one at which what was tried would work as often as
    asked if flows were spread as a normal distribution; it lies between the largest that works too seldom and the
    least that does, or that has no plan.
    """
    look = _Look(question, first, asked, plain)
    unraised = look.tried(0.0, first, frozenset())
    if unraised is None:
        return none_so_certain(first, asked, None)
    if unraised.works:
        return _working(unraised, first, asked)
    before, low, works, most = unraised, unraised, None, _MOST
    for _ in range(tries):
        if question.clock.over or most - low.margin <= _FINE:
            break
        reach = 1.0 - _INSIDE if works is not None else 0.5 if most < _MOST else 1.0
        margin = _next(asked, before, low, most, reach)
        tried = look.at(margin, low, works)
        if tried is None or tried.share < low.share:
            most = margin
        elif tried.works:
            most, works = margin, tried
            if tried.cents <= low.cents:
                break
        else:
            before, low = low, tried
    if works is None:
        return none_so_certain(first, asked, look.best)
    return _working(look.spare_more(works, low.margin), first, asked)


@dataclass(frozen=True)
class _Tried:
    """The plan of a margin: what is not raised for it, in what share of cases it works, and surely works."""

    margin: float
    answer: Answer
    spared: frozenset[Asked]
    share: float
    least: float
    works: bool

    @property
    def cents(self) -> int:
        return self.answer.cents or 0


def _next(asked: float, before: _Tried, low: _Tried, most: float, reach: float = 1.0) -> float:
    """Return the margin to try next, beyond `low`; where `most` was tried no more than a share of the way there."""
    need = _off(asked) - _off(low.share)
    last, more = low.margin - before.margin, _off(low.share) - _off(before.share)
    step, room = need * last / more if more > 0.0 else max(need * _SPREAD, 2.0 * last), most - low.margin
    if reach < 1.0:
        return low.margin + min(max(step, _INSIDE * room), reach * room)
    return low.margin + min(max(step, _LEAST_STEP), _MOST_STEP, room)


def _off(share: float) -> float:
    return NormalDist().inv_cdf(min(max(share, 1.0 - _SURE), _SURE))


@dataclass
class _Look:
    """Plans of margins; `first` is the one without, `best` the one that works most often."""

    question: Question
    first: Answer
    asked: float
    plain: Callable[[Question], Answer]
    best: tuple[float, Answer] | None = None

    def at(self, margin: float, low: _Tried, works: _Tried | None) -> _Tried | None:
        """Return the plan of a margin above another one, cheaper than one that works; None where there is none.

        Where no plan has it at all, one without a target raised.
        """
        others = self._sparing_one(low.spared) if works is None else []
        for spared in (low.spared, *others):
            floor = low.answer.bound_cents if spared == low.spared else None
            found = self._plan(margin, spared, None if works is None else works.cents, floor)
            if found.found or self.question.clock.over:
                return self.tried(margin, found, spared) if found.found else None
        return None

    def spare_more(self, best: _Tried, low: float) -> _Tried:
        """Return a cheaper plan that works often enough without a target raised, if need be with a higher margin."""
        raised = growing(self.question.system)
        for one in raised if best.margin else ():
            spared, margin = best.spared | {one}, best.margin
            for _ in range(_HIGHER) if spared < set(raised) else ():
                if self.question.clock.over or best.cents <= (self.first.bound_cents or 0):
                    return best
                found = self._plan(margin, spared, best.cents)
                tried = self.tried(margin, found, spared) if found.found and (found.cents or 0) < best.cents else None
                if tried is None:
                    break
                if tried.works:
                    best = self._lowered(tried, low)
                    break
                margin = _next(self.asked, tried, tried, _MOST)
        return best

    def _lowered(self, best: _Tried, low: float) -> _Tried:
        """Return a cheaper plan of less margin, above one that is too little, with the same targets raised."""
        for _ in range(_LOWER):
            margin = 0.5 * (low + best.margin)
            found = self._plan(margin, best.spared, best.cents)
            tried = self.tried(margin, found, best.spared) if found.found else None
            if tried is None or tried.cents >= best.cents:
                break
            low, best = (low, tried) if tried.works else (margin, best)
        return best

    def _sparing_one(self, spared: frozenset[Asked]) -> list[frozenset[Asked]]:
        raised = [one for one in growing(self.question.system) if one not in spared]
        return [spared | {one} for one in raised] if len(raised) > 1 else []

    def _plan(
        self, margin: float, spared: frozenset[Asked], ceiling_cents: int | None, floor_cents: int | None = None
    ) -> Answer:
        system = with_margin(self.question.system, margin, spared)
        limits = [each for each in (self.question.ceiling_cents, ceiling_cents) if each is not None]
        ceiling, floor = min(limits, default=None), max(self.first.bound_cents or 0, floor_cents or 0)
        return self.plain(replace(self.question, system=system, share=0.5, ceiling_cents=ceiling, floor_cents=floor))

    def tried(self, margin: float, found: Answer, spared: frozenset[Asked]) -> _Tried | None:
        """Return how often a plan works; None where there was no time to work that out."""
        from optimizer.search.studies.promise import promise_of

        told = promise_of(self.question.system, found.plan, self.question.clock)
        if told is None:
            return None
        if self.best is None or told[0] > self.best[0]:
            self.best = told[0], found
        return _Tried(margin, found, spared, *told, works=told[0] >= self.asked)


def _working(tried: _Tried, first: Answer, asked: float) -> Answer:
    found = tried.answer
    bound = min(first.bound_cents or 0, found.cents or 0)
    status = Status.OPTIMAL if bound == found.cents else Status.FEASIBLE
    least = math.floor(1000 * tried.least) / 1000
    said = note("works in draws", works_share=tried.share, least_share=least, asked_share=asked)
    between = () if status is Status.OPTIMAL else (note("plans of less margin"),)
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
