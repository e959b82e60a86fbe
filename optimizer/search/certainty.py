"""The cheapest plan that works in a share of all cases: choice now, trimming after (sample-average approximation).

On a sample of N draws, spread by how hard they are on a plan near the one sought and chosen so that every plan looked
at works in as many as of all draws (`balanced_draws`), a plan must work in at least ⌈pN⌉.
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

import numpy as np
import numpy.typing as npt

from optimizer.choices.demands import KnownFlows, flows_if_known
from optimizer.clock import TimeIsUp
from optimizer.hydraulics.chance import least_share
from optimizer.hydraulics.draws import PickedDraws
from optimizer.model.note import money_note, note
from optimizer.model.plan import Plan, Status, planned_network
from optimizer.model.system import System
from optimizer.program.merge import EfficientSelection, MergedTables, all_carried, greatest_head
from optimizer.program.problem import Outcome, Selection
from optimizer.search.answer import Answer
from optimizer.search.assemble import plan_of, with_charge
from optimizer.search.balanced_draws import balanced, spread
from optimizer.search.certain_proof import Proof, Stake
from optimizer.search.checks import verdicts
from optimizer.search.duty import Duty, own_duties
from optimizer.search.list_proof import Found, ListSearch
from optimizer.search.margins import by_margins
from optimizer.search.options import options_of
from optimizer.search.posing import PosedProblem, pose
from optimizer.search.question import Question
from optimizer.search.telling import Telling
from optimizer.search.weighed_plan import WeighedPlan
from optimizer.verify.chance import Cases, works_known

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Key = tuple[object, ...]  # a dial and the steps and fittings of a plan

SAMPLE, MANY = 100, 10_000  # draws that a plan is chosen on, of so many
JUDGED = 10_000  # draws that it is judged on at last
SEED = 21  # of the sample; that of the judgment is another one
_JUDGE_SEED = 22
_FIRST_SHARE = 0.5  # of the time, for the plan that meets the targets as published
_NEAR = 0.01  # of all cases: less than a sample of that size tells (0.03 of it, taken at random)
_ERRS = 3  # draws by which the sample may tell too little of a plan
_AGAIN = 2  # times that plans are sought by such draws
_CLOSE = 0.05  # of the sample, to what is asked: cheaper plans that a sample is balanced by
_SAMPLES, _BALANCED = 4, 4  # samples that are tried for a bound; rounds of choosing each
_ONE = 1e-9


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
    found = by_margins(free, first, asked, plain, margins=(0.0,)) if first.found else first
    return found if found.found or certain.none is None else certain.none


def _charged(question: Question, plain: Callable[[Question], Answer]) -> Answer:
    """Return the same where a minimum order is charged: the cheapest order without one is the cheapest with it."""
    rules = question.system.rules
    unlimited = replace(question.system, rules=replace(rules, minimum_order_cents=0))
    answer = with_certainty(replace(question, system=unlimited), plain)
    plan = with_charge(rules, answer.plan)
    return replace(answer, plan=plan, cents=plan.material_cents, bound_cents=plan.bound_cents)


# flows known beforehand


def picked_of(many: Cases, at: Ints) -> Cases:
    """Return some of many draws."""
    return replace(many, draws=PickedDraws(many.draws, at))


class Certain:
    """`best` is the cheapest plan that works often enough on the sample, `given` the one that the second bears out,
    as nearly as a sample of that size tells; `sure` the one that it bears out in full."""

    def __init__(self, question: Question, known: KnownFlows, asked: float) -> None:
        self.question, self.known, self.asked = question, known, asked
        self.system: System = question.system
        self.many = Cases.of(self.system, MANY, SEED)
        self.judge = Cases.of(self.system, JUDGED, _JUDGE_SEED)
        self.need = math.ceil(asked * SAMPLE - _ONE)
        self.looked: dict[Key, WeighedPlan] = {}
        self.best: WeighedPlan | None = None
        self.given: WeighedPlan | None = None
        self.sure: WeighedPlan | None = None
        self.none: Answer | None = None  # where no plan works often enough, as is proved on the sample
        self.floor_cents = 0  # what no plan costs less than, however seldom it works
        self.telling = Telling(question.clock.ending(question.words))
        self._counts: dict[int, int] = {}  # by id of a plan: in how many draws of the sample it works

    def answer(self) -> Answer | None:
        """Return the plan with its bound; None where no plan works often enough, as far as there was time."""
        least = 0  # where time is up, what is left costs nobody knows how much less
        with suppress(TimeIsUp):
            speeds = self._speeds()
            for at in speeds:
                at.begin()
            if speeds:
                self._spread_by(self.near().slack_m)
            for at in speeds:
                at.walk()
            least = self._bound(speeds) if speeds else 0
            if speeds and self.best is None and all(at.rules_out() for at in speeds):
                self.none = self._none()
        if self.best is None or self.given is None:
            return None
        return self._told(self.given, min(self.best.cents, max(self.floor_cents, least)))

    def _speeds(self) -> list[_AtSpeed]:
        """Return the searches at every speed of the pump that may be enough, the cheapest first."""
        duties = own_duties(self.system, self.known)
        one_each = {duty.energy_cents: duty for duty in reversed(duties)}.values()  # the fastest of each cost
        options = options_of(self.system, self.question.catalog, self.known.flows_m3_s)
        lists = ListSearch(options, self.question.time_s, self.question.clock.solver)
        each = [_AtSpeed(self, lists, duty) for duty in sorted(one_each, key=lambda each: each.energy_cents)]
        speeds = [at for at in each if at.efficient]
        if speeds:
            self.floor_cents = min(at.floor_cents for at in speeds)
            self._spread_by(speeds[0].plan(speeds[0].efficient[0], speeds[0].posed).slack_m)
        return speeds

    def near(self) -> WeighedPlan:
        """Return the best plan, or the one looked at that works most often where none does often enough."""
        return self.best or max(self.looked.values(), key=lambda one: one.share)

    def _bound(self, speeds: Sequence[_AtSpeed]) -> int:
        """Return what no plan that works often enough on the sample costs less than [cents].

        The sample tells the plans looked at as all draws do; where a bound brings up a cheaper one that only suits the
        sample, it is chosen again. Where that proves nothing, the draws spread by hardness alone may: their plan is
        given if it is borne out.
        """
        least = 0
        for _ in range(_SAMPLES):
            self._balance()
            if self.best is None:
                for at in speeds:
                    at.look()
            if self.best is None:
                return 0
            least = min((at.bound() for at in speeds), default=0)
            if self.best is self.given or self.question.clock.over:
                break
        if self._is_proved(least) or self.question.clock.over:
            return least
        told = self.at
        self._choose_on(self.classes[:, 0])
        if self.best is not None and self.best is self.given:
            other = min((at.bound() for at in speeds), default=0)
            if self._is_proved(other):
                return other
        self._choose_on(told)
        return least

    def _none(self) -> Answer:
        most = max(one.share for one in self.looked.values())
        why = note("none works so often", asked_share=self.asked, sample=SAMPLE, works_share=most)
        plan = Plan(Status.INFEASIBLE, None, None, self.question.catalog.currency, {}, {}, {}, reasons=(why,))
        return Answer(plan, reach_told=True)

    def _is_proved(self, least: int) -> bool:
        """Return whether a bound meets the plan that is given."""
        return self.given is not None and self.given is self.best and least >= self.given.cents

    def _spread_by(self, slack_m: Floats) -> None:
        """Choose by one draw of each class of how hard they are on a plan: by the head left on its hardest way.

        Plans alike find much the same draws hard, so few draws tell their chance as well as many at random do.
        """
        self.classes = spread(slack_m.min(axis=1, initial=math.inf), SAMPLE)
        self._choose_on(self.classes[:, 0])

    def _balance(self) -> None:
        """Choose by draws that tell how often plans about as cheap as the best work, until that is borne out."""
        for _ in range(_BALANCED):
            most = math.inf if self.best is None else self.best.cents
            plans = [one for one in self.looked.values() if one.cents <= most and self._is_close(one)]
            counts = [SAMPLE * one.share for one in plans]
            self._choose_on(balanced(self.classes, [one.works for one in plans], counts))
            if self.best is self.given:
                return

    def _choose_on(self, at: Ints) -> None:
        """Choose by these of all draws; what was looked at is judged by them anew."""
        self.at, self.cases = at, picked_of(self.many, at)
        self.best = self.given = self.sure = None
        self._counts.clear()
        for one in sorted(self.looked.values(), key=lambda each: each.cents):
            self.weigh(one)

    def _is_close(self, one: WeighedPlan) -> bool:
        return abs(self.count(one) - self.need) <= _CLOSE * SAMPLE

    def count(self, one: WeighedPlan) -> int:
        """Return in how many draws of the sample a plan works."""
        if id(one) not in self._counts:
            self._counts[id(one)] = one.works_on(self.cases)
        return self._counts[id(one)]

    def weigh(self, one: WeighedPlan) -> bool:
        """Set a plan in its place; return whether it works often enough on the sample."""
        if self.count(one) < self.need:
            return False
        budget = self.system.rules.budget_cents
        if budget is not None and (one.plan.cost_cents or 0) > budget:
            return True
        if self.given is None or one.cents < self.given.cents:
            self._take(one)
            self.telling.say("case by case", math.inf if self.given is None else self.given.cents, self.floor_cents)
        return True

    def _take(self, one: WeighedPlan) -> None:
        if one.passes is None:
            one.passes = not verdicts(self.system, one.plan, self.question.catalog).failures
        if not one.passes:
            return
        if self.best is None or one.cents < self.best.cents:
            self.best = one
        if one.judged is None:
            one.judged = self.judged(one.plan) / JUDGED
        if one.judged >= self.asked - _NEAR:
            self.given = one
        if one.judged >= self.asked and (self.sure is None or one.cents < self.sure.cents):
            self.sure = one

    def judged(self, plan: Plan) -> int:
        """Return in how many draws of the second sample a plan works."""
        return int(works_known(self.judge, self.known, planned_network(self.system.network, plan)).sum())

    def _told(self, given: WeighedPlan, bound: int) -> Answer:
        works = self.judged(given.plan)
        least, asked = math.floor(1000 * least_share(works, JUDGED)) / 1000, self.asked
        judged = {"works_share": works / JUDGED, "judged": JUDGED, "least_share": least}
        count = self.count(given)
        said = [note("works in the sample", works=count, sample=SAMPLE, asked_share=asked, **judged)]
        currency = given.plan.currency
        if works < asked * JUDGED:
            sure = None if self.sure is None else note("one that does", cost=money_note(self.sure.cents, currency))
            said.append(note("works not quite so often", asked_share=asked, sure=sure))
        if self.best is not None and self.best.cents < given.cents:
            said.append(note("cheaper in the first cases", cost=money_note(self.best.cents, currency)))
        status = Status.OPTIMAL if bound >= given.cents else Status.FEASIBLE
        plan = replace(given.plan, status=status, bound_cents=bound, notes=(*given.plan.notes, *said))
        return Answer(plan, bound, given.cents)


class _AtSpeed:
    """The search with the pump's dial up to one speed; `efficient` has the plans of the tables within its head."""

    def __init__(self, whole: Certain, lists: ListSearch, duty: Duty) -> None:
        self.whole, self.lists, self.duty = whole, lists, duty
        self.posed = pose(lists.options, whole.known, duty.speed, least=lists.prices)
        problem = self.posed.problem
        possible = all(problem.runs.values()) and all(problem.tees.values())
        self.tables = MergedTables(problem, greatest_head(problem))
        self.efficient = self._efficient(self.posed, self.tables) if possible else []

    @property
    def floor_cents(self) -> int:
        """Return what no plan at this speed costs less than, as the tables tell it [cents]."""
        if not all_carried(self.posed.problem):
            return 0
        return self.lists.bound_cents(self.efficient[0].cents) + self.duty.energy_cents

    # plans

    def begin(self) -> None:
        """Look for the first efficient plan that works often enough."""
        self._first_that_works(self.efficient, self.posed)

    def _efficient(self, posed: PosedProblem, tables: MergedTables) -> list[EfficientSelection]:
        head = greatest_head(posed.problem)
        return [one for one in tables.selections() if one.need <= head or posed is not self.posed]

    def walk(self) -> None:
        """Go through the efficient plans by the published losses, then by those of draws that are hard on the best."""
        self._along(self.posed, self.tables)
        for _ in range(_AGAIN):
            before = self.whole.near()
            if self.whole.question.clock.over:
                return
            posed = self._proof().posed_at_the_edge(before.slack_m[self.whole.at])
            if not all(posed.problem.runs.values()) or not all(posed.problem.tees.values()):
                return
            self._along(posed, MergedTables(posed.problem))
            if self.whole.best is None:
                self.look()
            if self.whole.near() is before:
                return

    def look(self) -> None:
        """Look for any list that works often enough, where nothing looked at does."""
        self._proof().look(self.whole.near().slack_m[self.whole.at])

    def _along(self, posed: PosedProblem, tables: MergedTables) -> None:
        """Go through the efficient plans of a problem, then through better lists of as much head."""
        found = self._efficient(posed, tables)
        first = self._first_that_works(found, posed)
        if first is None:
            return
        for one in found[first + 1 :]:
            if self.lists.bound_cents(one.cents) + self.duty.energy_cents >= self._most():
                break
            self._works(one, posed)
        for one in reversed(found[max(0, first - 6) : first]):
            self._works(one, posed)
        self._same_head(posed, tables, greatest_head(posed.problem) - found[first].need)

    def _first_that_works(self, found: Sequence[EfficientSelection], posed: PosedProblem) -> int | None:
        """Return the first of the plans by rising head to spare that works often enough, by halving."""
        low, high = 0, len(found) - 1
        if high < 0 or not self._is_enough(found[high], posed):
            return None
        while low < high:
            middle = (low + high) // 2
            low, high = (low, middle) if self._is_enough(found[middle], posed) else (middle + 1, high)
        self._works(found[high], posed)
        return high

    def _is_enough(self, one: EfficientSelection, posed: PosedProblem) -> bool:
        """Return whether a plan works often enough on the sample, whatever checks say of it."""
        return self.whole.count(self.plan(one, posed)) >= self.whole.need

    def _works(self, one: EfficientSelection, posed: PosedProblem) -> bool:
        return self.whole.weigh(self.plan(one, posed))

    def plan(self, one: EfficientSelection, posed: PosedProblem) -> WeighedPlan:
        """Return what an efficient selection is as a plan."""
        return self._plan(Selection(Outcome.FEASIBLE, one.run_choice, one.tee_choice, one.cents, 0, "tables"), posed)

    def _same_head(self, posed: PosedProblem, tables: MergedTables, spare: int) -> None:
        """Look for the best list that leaves as much head as the first efficient plan that works."""
        paths = tuple(
            replace(path, head=path.head - spare) if path.is_limited and path.moves else path
            for path in posed.problem.paths
        )
        problem = replace(posed.problem, paths=paths)
        there = replace(posed, problem=problem)
        found = self.lists.solve(there, self._most() - self.duty.energy_cents, tables.at(problem), soon=True)
        if found is not None and found.selection.cents is not None:
            self.whole.weigh(self._plan(found.selection, found.posed))

    def _plan(self, selection: Selection, posed: PosedProblem) -> WeighedPlan:
        """Return a selection as a plan; what was looked at before is known."""
        runs = (
            (name, *(id(part) for arc in posed.alternatives[name][k].arcs for part in arc.parts))
            for name, k in sorted(selection.run_choice.items())
        )
        fittings = {point: posed.tees[point][k].tee for point, k in sorted(selection.tee_choice.items())}
        tees = ((point, id(tee.item), tee.existing) for point, tee in fittings.items())
        key = (self.duty.speed, *runs, *tees)
        whole = self.whole
        if key not in whole.looked:
            plan = plan_of(self.lists.options, posed, replace(selection, bound_cents=0), self.duty)
            cents = (plan.cost_cents or 0) + plan.effort_cents + plan.energy_cents
            there = _at(planned_network(whole.system.network, plan), self.duty)
            whole.looked[key] = WeighedPlan(replace(plan, material_cents=cents), cents, there, whole.many, whole.known)
        return whole.looked[key]

    def _most(self) -> float:
        return math.inf if self.whole.given is None else self.whole.given.cents

    # bounds

    def bound(self) -> int:
        """Return what no plan that works often enough costs less than, electricity counted [cents]."""
        best = self.whole.best
        assert best is not None
        below = best.cents - self.duty.energy_cents
        if below <= 0:
            return best.cents
        return min(best.cents, self._proof().bound(below, best.slack_m[self.whole.at]) + self.duty.energy_cents)

    def rules_out(self) -> bool:
        """Return whether it is proved that no plan works so often, nor in as many draws less as a sample may err."""
        whole = self.whole

        def is_near(found: Found) -> bool:
            return whole.count(self._plan(found.selection, found.posed)) >= whole.need - _ERRS

        return replace(self._proof(_ERRS), looked=is_near).rules_out(whole.near().slack_m[whole.at])

    def _proof(self, more_may_fail: int = 0) -> Proof:
        whole = self.whole
        may_fail = SAMPLE - whole.need + more_may_fail
        stake = Stake(whole.system, whole.known, whole.cases.draws, may_fail, self.duty.speed)
        return Proof(stake, self.lists, self._looked)

    def _looked(self, found: Found) -> bool:
        """Return whether a plan that would be cheaper works often enough."""
        return self.whole.weigh(self._plan(found.selection, found.posed))


def _at(network, duty: Duty):  # type: ignore[no-untyped-def]
    """Return a planned plumbing with its dial going no further than a duty."""
    pump = network.pumps.get(duty.pump.name)
    if pump is None:
        return network
    return replace(network, pumps={**network.pumps, pump.name: replace(pump, speed=duty.speed, speeds=(duty.speed,))})
