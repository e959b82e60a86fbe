"""The cheapest plan that works in a share of all cases: choice now, trimming after (sample-average approximation).

On a sample of N draws, spread by how hard they are on a plan near the one sought and chosen so that every plan looked
at works in as many as of all draws (`balanced_draws`), a plan must work in at least ⌈pN⌉.
Where flows are known beforehand: the efficient plans of the tables are gone through by their lists and judged draw by
draw, first by the published losses, then by those of draws that are hard on the best; and lists of the same head are
sought below the best. Then it is bounded from below: of any m draws a plan fails at most k = N - ⌈pN⌉, so every sum
over those in which it works is within bounds, and with each step at the mean of its m - k smallest losses, and the head
at the mean of its m - k largest, the cheapest list costs no more than the one sought (more in `certain_proof`). Where
that meets the plan, it is proven. The plan is judged at last on a second, larger sample.

References
----------
S. Ahmed, A. Shapiro, Solving chance-constrained stochastic programs via sampling and integer programming, Tutorials in
Operations Research, INFORMS, 2008.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from optimizer.choices.demands import KnownFlows, flows_if_known
from optimizer.clock import TimeIsUp
from optimizer.hydraulics.chance import least_share
from optimizer.hydraulics.draws import PickedDraws
from optimizer.model.network import Network
from optimizer.model.note import money_note, note
from optimizer.model.plan import Plan, Status, planned_network
from optimizer.model.system import System
from optimizer.program.merge import EfficientSelection, MergedTables, greatest_head
from optimizer.program.problem import Outcome, Selection
from optimizer.search.answer import Answer
from optimizer.search.assemble import plan_of, with_charge
from optimizer.search.balanced_draws import balanced, spread
from optimizer.search.certain_proof import Proof, Stake
from optimizer.search.checks import verdicts
from optimizer.search.duty import Duty, own_duties
from optimizer.search.list_proof import Found, ListSearch
from optimizer.search.margins import by_margins, none_so_certain
from optimizer.search.posing import Options, PosedProblem, options_of, pose
from optimizer.search.question import Question
from optimizer.search.split_graph import split_by_closeness
from optimizer.search.telling import Telling
from optimizer.verify.chance import Cases, slacks_known_m, works_known

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Key = tuple[object, ...]  # a dial and the steps and fittings of a plan

SAMPLE, MANY = 100, 10_000  # draws that a plan is chosen on, of so many
JUDGED = 10_000  # draws that it is judged on at last
SEED = 21  # of the sample; that of the judgment is another one
_JUDGE_SEED = 22
_FIRST_SHARE = 0.5  # of the time, for the plan that meets the targets as published
_NEAR = 0.01  # of all cases: less than a sample of that size tells (0.03 of it, taken at random)
_EDGE = 0.1  # of all draws, those about as hard as what may fail: what a plan has to meet in the end
_AGAIN = 2  # times that plans are sought by such draws
_SAMPLES, _BALANCED = 4, 4  # samples that are tried for a bound; rounds of choosing each
_HOLDS_M = -1e-6  # as of the check
_ONE = 1e-9


def with_certainty(question: Question, plain: Callable[[Question], Answer]) -> Answer:
    """Return the cheapest plan that works in the share of cases that the rules ask for; `plain` solves without it."""
    system = question.system
    if system.rules.minimum_order_cents:
        return _charged(question, plain)
    asked = system.rules.certainty
    free = replace(question, system=replace(system, rules=replace(system.rules, certainty=0.0)))
    first = plain(replace(free, share=_FIRST_SHARE * question.share))
    if not first.found:
        return first
    known = flows_if_known(system)
    if known is None or system.rules.other_pumps or system.second_pump is not None:
        return by_margins(free, first, asked, plain)
    answer = Certain(free, known, asked, first).answer()
    # a plan that no table has, one with a valve cut in, may do it as it is
    return answer if answer.found else by_margins(free, first, asked, plain, margins=(0.0,))


def _charged(question: Question, plain: Callable[[Question], Answer]) -> Answer:
    """Return the same where a minimum order is charged: the cheapest order without one is the cheapest with it."""
    rules = question.system.rules
    unlimited = replace(question.system, rules=replace(rules, minimum_order_cents=0))
    answer = with_certainty(replace(question, system=unlimited), plain)
    plan = with_charge(rules, answer.plan)
    return replace(answer, plan=plan, cents=plan.material_cents, bound_cents=plan.bound_cents)


# flows known beforehand


def spread_cases(system: System, known: KnownFlows, planned: Network) -> Cases:
    """Return the draws that plans are chosen on first: of many, one from each of `SAMPLE` classes by how hard they are.

    How hard is told by the head that a plan has left, on its hardest way. Plans alike find much the same draws
    hard, so few draws tell their chance as well as many more that are taken at random.
    """
    many = Cases.of(system, MANY, SEED)
    slack_m = slacks_known_m(many, known, planned)
    return picked_of(many, spread(slack_m.min(axis=1, initial=math.inf), SAMPLE)[:, 0])


def picked_of(many: Cases, at: Ints) -> Cases:
    """Return some of many draws."""
    return replace(many, draws=PickedDraws(many.draws, at))


@dataclass
class _Plan:
    """A plan that was looked at: what is made least [cents], and the head left on each way in all draws [m].

    `judged` is the share of the second sample in which it works, `passes` whether it passes every check; None where
    nobody asked yet.
    """

    plan: Plan
    cents: int
    slack_m: Floats  # (n_draws, n_ways)
    judged: float | None = None
    passes: bool | None = None

    def __post_init__(self) -> None:
        self.works = np.asarray((self.slack_m >= _HOLDS_M).all(axis=1))

    @property
    def share(self) -> float:
        """Return the share of all draws in which it works, as far as is known."""
        own = float(self.works.mean())
        return own if self.judged is None else (own + self.judged) / 2.0


class Certain:
    """`best` is the cheapest plan that works often enough on the sample, `given` the one that the second bears out,
    as nearly as a sample of that size tells; `sure` the one that it bears out in full."""

    def __init__(self, question: Question, known: KnownFlows, asked: float, first: Answer) -> None:
        self.question, self.known, self.asked, self.first = question, known, asked, first
        self.system: System = question.system
        self.many = Cases.of(self.system, MANY, SEED)
        self.judge = Cases.of(self.system, JUDGED, _JUDGE_SEED)
        self.need = math.ceil(asked * SAMPLE - _ONE)
        self.looked: dict[Key, _Plan] = {}
        self.best: _Plan | None = None
        self.given: _Plan | None = None
        self.sure: _Plan | None = None
        self.telling = Telling(question.clock.ending(question.words), outside_cents=first.bound_cents or 0)
        self.seen: list[tuple[int, Bools]] = []  # what plans cost, and in which draws of the sample they work
        self._spread_by(self._slack_m(first.plan))

    def _slack_m(self, plan: Plan, duty: Duty | None = None) -> Floats:
        network = planned_network(self.system.network, plan)
        return slacks_known_m(self.many, self.known, network if duty is None else _at(network, duty))

    def answer(self) -> Answer:
        duties = own_duties(self.system, self.known)
        one_each = list({duty.energy_cents: duty for duty in reversed(duties)}.values())  # the fastest of each cost
        options = self._options()
        speeds: list[_AtSpeed] = []
        least = 0
        try:
            for duty in sorted(one_each, key=lambda each: each.energy_cents):
                lists = ListSearch(options, self.question.time_s, self.question.clock.solver)
                speeds.append(_AtSpeed(self, lists, duty))
                speeds[-1].begin()
            if self.best is not None:
                self._spread_by(self.best.slack_m)
                for at in speeds:
                    at.walk()
            least = self._bound(speeds)
        except TimeIsUp:
            least = 0  # what is left costs nobody knows how much less
        if self.best is None or self.given is None:
            return none_so_certain(self.first, self.asked)
        return self._told(self.given, min(self.best.cents, max(self.first.bound_cents or 0, least)))

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

    def _is_proved(self, least: int) -> bool:
        """Return whether a bound meets the plan that is given."""
        return self.given is not None and self.given is self.best and least >= self.given.cents

    def _options(self) -> Options:
        """Return all that may be chosen, told apart by what stands close to what: it is what losses hang on most."""
        options = options_of(self.system, self.question.catalog, self.known.flows_m3_s)
        network = self.system.network
        return replace(options, graphs={n: split_by_closeness(graph, network) for n, graph in options.graphs.items()})

    def _spread_by(self, slack_m: Floats) -> None:
        """Choose by draws that are spread by how hard they are on a plan."""
        self.classes = spread(slack_m.min(axis=1, initial=math.inf), SAMPLE)
        self._choose_on(self.classes[:, 0])

    def _balance(self) -> None:
        """Choose by draws that tell of every plan looked at how often it works, until the best is borne out."""
        for _ in range(_BALANCED):
            plans = list(self.looked.values())
            counts = [SAMPLE * one.share for one in plans]
            self._choose_on(balanced(self.classes, [one.works for one in plans], counts))
            if self.best is self.given:
                return

    def _choose_on(self, at: Ints) -> None:
        """Choose by these of all draws; what was looked at is judged by them anew."""
        self.at, self.cases = at, picked_of(self.many, at)
        self.best = self.given = self.sure = None
        self.seen.clear()
        for one in sorted(self.looked.values(), key=lambda each: each.cents):
            self._weigh(one)

    def keep(self, key: Key, told: Callable[[], tuple[Plan, int]], duty: Duty) -> bool:
        """Take note of a plan; return whether it works often enough on the sample."""
        if key not in self.looked:
            plan, cents = told()
            self.looked[key] = _Plan(plan, cents, self._slack_m(plan, duty))
            works = self._weigh(self.looked[key])
            given = math.inf if self.given is None else self.given.cents
            self.telling.say("case by case", given, self.first.bound_cents or 0)
            return works
        one = self.looked[key]
        self.seen.append((one.cents, one.works[self.at]))  # a proof goes by what was looked at last
        return int(self.seen[-1][1].sum()) >= self.need

    def _weigh(self, one: _Plan) -> bool:
        """Set a plan in its place; return whether it works often enough on the sample."""
        works = one.works[self.at]
        self.seen.append((one.cents, works))
        if int(works.sum()) < self.need:
            return False
        budget = self.system.rules.budget_cents
        if budget is not None and (one.plan.cost_cents or 0) > budget:
            return True
        if self.given is None or one.cents < self.given.cents:
            self._take(one)
        return True

    def _take(self, one: _Plan) -> None:
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

    def _told(self, given: _Plan, bound: int) -> Answer:
        works = self.judged(given.plan)
        least, asked = math.floor(1000 * least_share(works, JUDGED)) / 1000, self.asked
        judged = {"works_share": works / JUDGED, "judged": JUDGED, "least_share": least}
        count = int(given.works[self.at].sum())
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
    """The search with the pump's dial up to one speed."""

    def __init__(self, whole: Certain, lists: ListSearch, duty: Duty) -> None:
        self.whole, self.lists, self.duty = whole, lists, duty
        self._proved_by: Proof | None = None
        self.posed = pose(lists.options, whole.known, duty.speed, least=lists.prices)
        self.possible = all(self.posed.problem.runs.values()) and all(self.posed.problem.tees.values())
        self.tables = MergedTables(self.posed.problem, greatest_head(self.posed.problem)) if self.possible else None

    # plans

    def begin(self) -> None:
        """Look for the first efficient plan that works often enough."""
        if self.tables is not None:
            self._first_that_works(self._efficient(self.posed, self.tables), self.posed)

    def _efficient(self, posed: PosedProblem, tables: MergedTables) -> list[EfficientSelection]:
        head = greatest_head(posed.problem)
        return [one for one in tables.selections() if one.need <= head or posed is not self.posed]

    def walk(self) -> None:
        """Go through the efficient plans by the published losses, then by those of draws that are hard on the best."""
        if self.tables is None:
            return
        self._along(self.posed, self.tables)
        for _ in range(_AGAIN):
            before = self.whole.best
            if before is None or self.whole.question.clock.over:
                return
            posed = self._proof().posed_at_the_edge(before.slack_m[self.whole.at], _EDGE)
            if not all(posed.problem.runs.values()) or not all(posed.problem.tees.values()):
                return
            self._along(posed, MergedTables(posed.problem))
            if self.whole.best is before:
                return

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
        if high < 0 or not self._works(found[high], posed):
            return None
        while low < high:
            middle = (low + high) // 2
            low, high = (low, middle) if self._works(found[middle], posed) else (middle + 1, high)
        return high

    def _works(self, one: EfficientSelection, posed: PosedProblem) -> bool:
        selection = Selection(Outcome.FEASIBLE, one.run_choice, one.tee_choice, one.cents, 0, "tables")
        return self._look(selection, posed)

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
            self._look(found.selection, found.posed)

    def _look(self, selection: Selection, posed: PosedProblem) -> bool:
        """Judge a selection on the sample; keep it where it works, passes every check and is the cheapest so far."""

        def told() -> tuple[Plan, int]:
            plan = plan_of(self.lists.options, posed, replace(selection, bound_cents=0), self.duty)
            cents = (plan.cost_cents or 0) + plan.effort_cents + plan.energy_cents
            return replace(plan, material_cents=cents), cents

        runs = ((name, *map(id, posed.alternatives[name][k].arcs)) for name, k in sorted(selection.run_choice.items()))
        fittings = {point: posed.tees[point][k].tee for point, k in sorted(selection.tee_choice.items())}
        tees = ((point, id(tee.item), tee.existing) for point, tee in fittings.items())
        return self.whole.keep((self.duty.speed, *runs, *tees), told, self.duty)

    def _most(self) -> float:
        return math.inf if self.whole.given is None else self.whole.given.cents

    # bounds

    def bound(self) -> int:
        """Return what no plan that works often enough costs less than, electricity counted [cents]."""
        best = self.whole.best
        assert best is not None
        below = best.cents - self.duty.energy_cents
        if below <= 0 or self.tables is None:
            return best.cents
        return min(best.cents, self._proof().bound(below, best.slack_m[self.whole.at]) + self.duty.energy_cents)

    def _proof(self) -> Proof:
        whole = self.whole
        if self._proved_by is None or self._proved_by.stake.draws is not whole.cases.draws:
            ways = sum(map(whole.known.binds, whole.known.paths))
            stake = Stake(whole.system, whole.known, whole.cases.draws, SAMPLE - whole.need, self.duty.speed, ways)
            self._proved_by = Proof(stake, self.lists, whole.question.clock, self._looked, whole.seen)
        return self._proved_by

    def _looked(self, found: Found) -> int:
        """Judge a plan that a bound came with; return what is to be beaten now [cents], electricity apart."""
        if found.selection.cents is not None:
            self._look(found.selection, found.posed)
        assert self.whole.best is not None
        return self.whole.best.cents - self.duty.energy_cents


def _at(network, duty: Duty):  # type: ignore[no-untyped-def]
    """Return a planned plumbing with its dial going no further than a duty."""
    pump = network.pumps.get(duty.pump.name)
    if pump is None:
        return network
    return replace(network, pumps={**network.pumps, pump.name: replace(pump, speed=duty.speed, speeds=(duty.speed,))})
