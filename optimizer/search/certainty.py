"""The cheapest plan that works in a share of all cases: choice now, trimming after (sample-average approximation).

On a sample of N draws, spread by how hard they are on a plan near the one sought and chosen so that every plan looked
at works in as many as of all draws (`plan_sample`), a plan must work in at least ⌈pN⌉.
Where flows are known beforehand: the efficient plans of the tables are gone through by their lists and judged draw by
draw, first by the published losses, then by those of draws that are hard on the best; and lists of the same head are
sought below the best. What is cheaper is then found, or proved not to exist, by list searches that have a row for each
draw (`certain_proof`). The plan is judged at last on a second, larger sample.

References
----------
S. Ahmed, A. Shapiro, Solving chance-constrained stochastic programs via sampling and integer programming, Tutorials in
Operations Research, INFORMS, 2008.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace

from optimizer.choices.demands import KnownFlows, flows_if_known
from optimizer.clock import TimeIsUp
from optimizer.hydraulics.chance import least_share
from optimizer.model.note import money_note, note
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.search.assemble import with_charge
from optimizer.search.certain_speed import AtSpeed, at_duty
from optimizer.search.duty import own_duties, taken_first
from optimizer.search.list_proof import ListSearch
from optimizer.search.margins import by_margins, none_so_certain
from optimizer.search.options import options_of
from optimizer.search.plan_sample import JUDGED, SAMPLE, PlanSample, WeighedPlan
from optimizer.search.question import Answer, Question

_FIRST_SHARE = 0.5  # of the time, for the plan that meets the targets as published
_SAMPLES = 4  # that are tried for a bound


def with_certainty(question: Question, plain: Callable[[Question], Answer]) -> Answer:
    """Return the cheapest plan that works in the share of cases that the rules ask for; `plain` solves without it."""
    system = question.system
    if system.rules.minimum_order_cents:
        return _charged(question, plain)
    asked = system.rules.certainty
    free = replace(question, system=replace(system, rules=replace(system.rules, certainty=0.0)))
    known = flows_if_known(system)
    if known is None or system.rules.other_pumps or system.second_pump is not None:
        first = plain(replace(free, share=_FIRST_SHARE * question.share))
        return by_margins(free, first, asked, plain) if first.found else first
    certain = Certain(free, known, asked)
    answer = certain.answer()
    if answer is not None:
        return answer
    first = plain(free)
    # a plan that no table has, one with a valve cut in, may do it as it is
    found = by_margins(free, first, asked, plain, tries=0) if first.found else first
    if found.found:
        return found
    return certain.none or (none_so_certain(first, asked, certain.most_certain()) if first.found else found)


def _charged(question: Question, plain: Callable[[Question], Answer]) -> Answer:
    """Return the same where a minimum order is charged: the cheapest order without one is the cheapest with it."""
    rules = question.system.rules
    unlimited = replace(question.system, rules=replace(rules, minimum_order_cents=0))
    answer = with_certainty(replace(question, system=unlimited), plain)
    plan = with_charge(rules, answer.plan)
    return replace(answer, plan=plan, cents=plan.material_cents, bound_cents=plan.bound_cents)


class Certain:
    """Looks for the cheapest plan where flows are known beforehand."""

    def __init__(self, question: Question, known: KnownFlows, asked: float) -> None:
        self.question, self.known, self.asked = question, known, asked
        self.system: System = question.system
        self.sample = PlanSample(question, known, asked)
        self.none: Answer | None = None  # where no plan works often enough, as is proved on the sample

    def answer(self) -> Answer | None:
        """Return the plan with its bound; None where no plan works often enough, as far as there was time."""
        least = 0  # where time is up, what is left costs nobody knows how much less
        with suppress(TimeIsUp):
            speeds = self._speeds()
            for at in speeds:
                at.begin()
            if speeds:
                self.sample.spread_by(self.sample.near().slack_m)
            for at in speeds:
                at.walk()
            least = self._bound(speeds) if speeds else 0
            if speeds and self.sample.best is None and all(at.rules_out() for at in speeds):
                self.none = self._none()
        if self.sample.best is None or self.sample.given is None:
            return None
        return self._told(self.sample.given, min(self.sample.best.cents, max(self.sample.floor_cents, least)))

    def most_certain(self) -> tuple[float, Answer] | None:
        """Return the plan looked at that works most often, and in what share of all cases."""
        best = max(self.sample.looked.values(), key=lambda one: one.share, default=None)
        return None if best is None else (best.share, Answer(best.plan))

    def _speeds(self) -> list[AtSpeed]:
        """Return the searches at every speed of the pump that may be enough, the cheapest first."""
        duties = own_duties(self.system, self.known)
        one_each = {duty.energy_cents: duty for duty in reversed(duties)}.values()  # the fastest of each cost
        options = options_of(self.system, self.question.catalog, self.known.flows_m3_s)
        lists = ListSearch(options, self.question.time_s, self.question.clock.solver)
        each = [AtSpeed(self.sample, lists, duty) for duty in sorted(one_each, key=lambda each: each.energy_cents)]
        speeds = [at for at in each if at.efficient]
        if speeds:
            self.sample.floor_cents = min(at.floor_cents for at in speeds)
            self.sample.spread_by(speeds[0].plan(speeds[0].efficient[0], speeds[0].posed).slack_m)
        return speeds

    def _bound(self, speeds: Sequence[AtSpeed]) -> int:
        """Return what no plan that works often enough on the sample costs less than [cents].

        The sample tells the plans looked at as all draws do; where a bound brings up a cheaper one that only suits the
        sample, it is chosen again. Where that proves nothing, the draws spread by hardness alone may: their plan is
        given if it is borne out.
        """
        least = 0
        for left in reversed(range(_SAMPLES)):
            self.sample.balance()
            if self.sample.best is None:
                for at in speeds:
                    at.look()
            if self.sample.best is None:
                return 0
            least = self._least(speeds, ends_early=left > 0)
            if self.sample.best is self.sample.given or self.question.clock.over:
                break
        if self._is_proved(least) or self.question.clock.over:
            return least
        told = self.sample.at
        self.sample.choose_on(self.sample.classes[:, 0])
        if self.sample.best is not None and self.sample.best is self.sample.given:
            other = self._least(speeds, ends_early=False)
            if self._is_proved(other):
                return other
        self.sample.choose_on(told)
        return least

    def _least(self, speeds: Sequence[AtSpeed], ends_early: bool) -> int:
        """Return the least of the bounds of all speeds [cents]; `ends_early` as soon as a cheaper plan is no plan.

        One that is not borne out: the sample is to be chosen again, and all is to be proved on that.
        """
        sample, before = self.sample, self.sample.best

        def ends() -> bool:
            return ends_early and sample.best is not before and sample.best is not sample.given

        return min((at.bound(ends) for at in speeds if not ends()), default=0)

    def _none(self) -> Answer:
        most = max(one.share for one in self.sample.looked.values())
        why = note("none works so often", asked_share=self.asked, sample=SAMPLE, works_share=most)
        plan = Plan(Status.INFEASIBLE, None, None, self.question.catalog.currency, {}, {}, {}, reasons=(why,))
        return Answer(plan, reach_told=True)

    def _is_proved(self, least: int) -> bool:
        """Return whether a bound meets the plan that is given."""
        given = self.sample.given
        return given is not None and given is self.sample.best and least >= given.cents

    def _no_faster(self, given: WeighedPlan) -> WeighedPlan:
        """Return the plan at the speed that is taken of those that cost the same and with which it works as asked.

        The dial then goes no further: whoever builds it need not turn it up.
        """
        sample = self.sample
        for duty in sorted(own_duties(self.system, self.known), key=taken_first):
            planned = given.plan.pump_speeds.get(duty.pump.name)
            if planned is None or duty.speed == planned or self.question.clock.over:
                break
            slower = at_duty(given, duty)
            if duty.energy_cents == given.plan.energy_cents and sample.holds(slower):
                return slower
        return given

    def _told(self, chosen: WeighedPlan, bound: int) -> Answer:
        sample, given = self.sample, self._no_faster(chosen)
        works = sample.judged(given.plan)
        least, asked = math.floor(1000 * least_share(works, JUDGED)) / 1000, self.asked
        judged = {"works_share": works / JUDGED, "judged": JUDGED, "least_share": least}
        count = sample.count(chosen)
        said = [note("works in the sample", works=count, sample=SAMPLE, asked_share=asked, **judged)]
        currency = given.plan.currency
        if works < asked * JUDGED:
            sure = None if sample.sure is None else note("one that does", cost=money_note(sample.sure.cents, currency))
            said.append(note("works not quite so often", asked_share=asked, sure=sure))
        if sample.best is not None and sample.best.cents < given.cents:
            said.append(note("cheaper in the first cases", cost=money_note(sample.best.cents, currency)))
        status = Status.OPTIMAL if bound >= given.cents else Status.FEASIBLE
        plan = replace(given.plan, status=status, bound_cents=bound, notes=(*given.plan.notes, *said))
        return Answer(plan, bound, given.cents)
