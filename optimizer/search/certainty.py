"""The cheapest plan that works in a share of all cases: choice now, trimming after (sample-average approximation).

On a sample of N draws, spread by how hard they are on a plan near the one sought, a plan must work in at least ⌈pN⌉.
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
from optimizer.choices.scaled import with_margin
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
from optimizer.search.certain_proof import Proof, Stake
from optimizer.search.checks import verdicts
from optimizer.search.duty import Duty, own_duties
from optimizer.search.list_proof import Found, ListSearch
from optimizer.search.posing import Options, PosedProblem, options_of, pose
from optimizer.search.question import Question
from optimizer.search.split_graph import split_by_closeness
from optimizer.search.telling import Telling
from optimizer.verify.chance import Cases, slacks_known_m, works_known

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SAMPLE = 100  # draws that a plan is chosen on, of as many as it is judged on
JUDGED = 10_000  # draws that it is judged on at last
SEED = 21  # of the sample; that of the judgment is another one
_JUDGE_SEED = 22
_FIRST_SHARE = 0.5  # of the time, for the plan that meets the targets as published
_NEAR = 0.01  # of all cases: less than the first sample can tell (one standard deviation is 0.017 at 90 %)
_EDGE = 0.1  # of all draws, those about as hard as what may fail: what a plan has to meet in the end
_AGAIN = 2  # times that plans are sought by such draws
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
        return _by_margins(free, first, asked, plain)
    return Certain(free, known, asked, first).answer()


def _charged(question: Question, plain: Callable[[Question], Answer]) -> Answer:
    """Return the same where a minimum order is charged: the cheapest order without one is the cheapest with it."""
    rules = question.system.rules
    unlimited = replace(question.system, rules=replace(rules, minimum_order_cents=0))
    answer = with_certainty(replace(question, system=unlimited), plain)
    plan = with_charge(rules, answer.plan)
    return replace(answer, plan=plan, cents=plan.material_cents, bound_cents=plan.bound_cents)


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


def _by_margins(question: Question, first: Answer, asked: float, plain: Callable[[Question], Answer]) -> Answer:
    """Return the plan of the least margin that works often enough: no proof that nothing cheaper does."""
    from optimizer.search.studies.promise import promise_of

    found = first
    for margin in _MARGINS:
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
            left_out = () if status is Status.OPTIMAL else (note("plans between margins"),)
            plan = replace(found.plan, status=status, bound_cents=bound, notes=notes, left_out=left_out)
            return replace(found, plan=plan, bound_cents=bound)
    return _none(found, asked)


def _none(answer: Answer, asked: float) -> Answer:
    reason = note("none so certain", asked_share=asked, cost=answer.plan.cost_note)
    plan = Plan(
        Status.NO_PLAN_FOUND, None, None, answer.plan.currency, {}, {}, answer.plan.pump_speeds, reasons=(reason,)
    )
    return Answer(plan, answer.bound_cents, None, answer.by_hand)


# flows known beforehand


def spread_cases(system: System, known: KnownFlows, planned: Network) -> Cases:
    """Return the draws that plans are chosen on: of many, one from each of `SAMPLE` classes by how hard they are.

    How hard is told by the head that a plan has left, on its hardest way. Plans alike find much the same draws
    hard, so few draws tell their chance as well as many more that are taken at random (stratified sampling: W. G.
    Cochran, Sampling Techniques, 3rd ed., 1977, chapter 5).
    """
    many = Cases.of(system, JUDGED, SEED)
    slack_m = slacks_known_m(many, known, planned)
    order = np.argsort(slack_m.min(axis=1, initial=math.inf), kind="stable")
    middles = ((np.arange(SAMPLE) + 0.5) * JUDGED / SAMPLE).astype(np.int64)
    return replace(many, draws=PickedDraws(many.draws, order[middles]))


@dataclass(frozen=True)
class _Plan:
    """A plan that works often enough on the sample: what is made least [cents], in how many draws it works."""

    plan: Plan
    cents: int
    works: int
    slack_m: Floats


class Certain:
    """`best` is the cheapest plan that works often enough on the sample, `given` the one that the second bears out,
    as nearly as a sample of that size tells; `sure` the one that it bears out in full."""

    def __init__(self, question: Question, known: KnownFlows, asked: float, first: Answer) -> None:
        self.question, self.known, self.asked, self.first = question, known, asked, first
        self.system: System = question.system
        self.cases = spread_cases(self.system, known, planned_network(self.system.network, first.plan))
        self.judge = Cases.of(self.system, JUDGED, _JUDGE_SEED)
        self.need = math.ceil(asked * SAMPLE - _ONE)
        self.best: _Plan | None = None
        self.given: _Plan | None = None
        self.sure: _Plan | None = None
        self.telling = Telling(question.clock.ending(question.words), outside_cents=first.bound_cents or 0)
        self.seen: list[tuple[int, Bools]] = []  # what plans cost, and in which draws they work

    def answer(self) -> Answer:
        duties = own_duties(self.system, self.known)
        one_each = list({duty.energy_cents: duty for duty in reversed(duties)}.values())  # the fastest of each cost
        options = self._options()
        speeds: list[_AtSpeed] = []
        try:
            for duty in sorted(one_each, key=lambda each: each.energy_cents):
                lists = ListSearch(options, self.question.time_s, self.question.clock.solver)
                speeds.append(_AtSpeed(self, lists, duty))
                speeds[-1].begin()
            if self.best is not None:
                self._spread_by(self.best.plan)
                for at in speeds:
                    at.walk()
        except TimeIsUp:
            speeds = []  # what is left costs nobody knows how much less
        if self.best is None or self.given is None:
            return _none(self.first, self.asked)
        least = min((at.bound() for at in speeds), default=0)
        return self._told(self.given, min(self.best.cents, max(self.first.bound_cents or 0, least)))

    def _options(self) -> Options:
        """Return all that may be chosen, told apart by what stands close to what: it is what losses hang on most."""
        options = options_of(self.system, self.question.catalog, self.known.flows_m3_s)
        network = self.system.network
        return replace(options, graphs={n: split_by_closeness(graph, network) for n, graph in options.graphs.items()})

    def _spread_by(self, plan: Plan) -> None:
        """Choose by draws that are spread by how hard they are on a plan; what was judged by others is forgotten."""
        self.cases = spread_cases(self.system, self.known, planned_network(self.system.network, plan))
        self.best = self.given = self.sure = None
        self.seen.clear()

    def keep(self, plan: Plan, cents: int, works: Bools, slack_m: Floats) -> bool:
        """Take note of a plan; return whether it works often enough on the sample."""
        self.seen.append((cents, works))
        count = int(works.sum())
        if count < self.need:
            return False
        budget = self.system.rules.budget_cents
        if budget is not None and (plan.cost_cents or 0) > budget:
            return True
        new = _Plan(plan, cents, count, slack_m)
        if (self.given is None or cents < self.given.cents) and not verdicts(
            self.system, plan, self.question.catalog
        ).failures:
            if self.best is None or cents < self.best.cents:
                self.best = new
            borne_out = self.judged(plan) / JUDGED
            if borne_out >= self.asked - _NEAR:
                self.given = new
            if borne_out >= self.asked and (self.sure is None or cents < self.sure.cents):
                self.sure = new
        given = math.inf if self.given is None else self.given.cents
        self.telling.say("case by case", given, self.first.bound_cents or 0)
        return True

    def judged(self, plan: Plan) -> int:
        """Return in how many draws of the second sample a plan works."""
        return int(works_known(self.judge, self.known, planned_network(self.system.network, plan)).sum())

    def _told(self, given: _Plan, bound: int) -> Answer:
        works = self.judged(given.plan)
        least, asked = math.floor(1000 * least_share(works, JUDGED)) / 1000, self.asked
        judged = {"works_share": works / JUDGED, "judged": JUDGED, "least_share": least}
        said = [note("works in the sample", works=given.works, sample=SAMPLE, asked_share=asked, **judged)]
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
            posed = self._proof().posed_at_the_edge(before.slack_m, _EDGE)
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
        found = self.lists.solve(there, self._most() - self.duty.energy_cents, tables.at(problem))
        if found is not None and found.selection.cents is not None:
            self._look(found.selection, found.posed)

    def _look(self, selection: Selection, posed: PosedProblem) -> bool:
        """Judge a selection on the sample; keep it where it works, passes every check and is the cheapest so far."""
        whole = self.whole
        told = replace(selection, bound_cents=0)
        plan = plan_of(self.lists.options, posed, told, self.duty)
        cents = (plan.cost_cents or 0) + plan.effort_cents + plan.energy_cents
        plan = replace(plan, material_cents=cents)
        slack = slacks_known_m(whole.cases, whole.known, _at(planned_network(whole.system.network, plan), self.duty))
        return whole.keep(plan, cents, np.asarray((slack >= _HOLDS_M).all(axis=1)), slack)

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
        return min(best.cents, self._proof().bound(below, best.slack_m) + self.duty.energy_cents)

    def _proof(self) -> Proof:
        if self._proved_by is None:
            whole = self.whole
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
