"""Plans weighed on draws: which of them work often enough on a sample, and which of those a second one bears out."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from optimizer.choices.demands import KnownFlows
from optimizer.hydraulics.draws import PickedDraws
from optimizer.model.plan import Plan, planned_network
from optimizer.model.system import System
from optimizer.search.balanced_draws import balanced, spread
from optimizer.search.checks import verdicts
from optimizer.search.question import Question
from optimizer.search.watch import Telling
from optimizer.search.weighed_plan import WeighedPlan
from optimizer.verify.chance import Cases, works_known

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Key = tuple[object, ...]  # a dial and the steps and fittings of a plan

SAMPLE, MANY = 100, 10_000  # draws that a plan is chosen on, of so many
JUDGED = 10_000  # draws that it is judged on at last
SEED = 21  # of the sample; that of the judgment is another one
_JUDGE_SEED = 22
_NEAR = 0.01  # of all cases: less than a sample of that size tells (0.03 of it, taken at random)
_CLOSE = 0.05  # of the sample, to what is asked: cheaper plans that a sample is balanced by
_ONE = 1e-9
_BALANCED = 4  # rounds of choosing a sample


def picked_of(many: Cases, at: Ints) -> Cases:
    """Return some of many draws."""
    return replace(many, draws=PickedDraws(many.draws, at))


class PlanSample:
    """The draws that plans are chosen on, and the plans looked at.

    `best` is the cheapest plan that works often enough on the sample, `given` the one that the second bears out, as
    nearly as a sample of that size tells; `sure` the one that it bears out in full.
    """

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
        self.floor_cents = 0  # what no plan costs less than, however seldom it works
        self.telling = Telling(question.clock.ending(question.words))
        self._counts: dict[int, int] = {}  # by id of a plan: in how many draws of the sample it works

    def near(self) -> WeighedPlan:
        """Return the best plan, or the one looked at that works most often where none does often enough."""
        return self.best or max(self.looked.values(), key=lambda one: one.share)

    def spread_by(self, slack_m: Floats) -> None:
        """Choose by one draw of each class of how hard they are on a plan: by the head left on its hardest way.

        Plans alike find much the same draws hard, so few draws tell their chance as well as many at random do.
        """
        self.classes = spread(slack_m.min(axis=1, initial=math.inf), SAMPLE)
        self.choose_on(self.classes[:, 0])

    def balance(self) -> None:
        """Choose by draws that tell how often plans about as cheap as the best work, until that is borne out."""
        for _ in range(_BALANCED):
            most = math.inf if self.best is None else self.best.cents
            plans = [one for one in self.looked.values() if one.cents <= most and self._is_close(one)]
            counts = [SAMPLE * one.share for one in plans]
            self.choose_on(balanced(self.classes, [one.works for one in plans], counts))
            if self.best is self.given:
                return

    def choose_on(self, at: Ints) -> None:
        """Choose by these of all draws; what was looked at is judged by them anew."""
        self.at, self.cases = at, picked_of(self.many, at)
        self.best = self.given = self.sure = None
        self._counts.clear()
        for one in sorted(self.looked.values(), key=lambda each: each.cents):
            if self.given is not None and one.cents >= self.given.cents:
                break  # what costs more changes nothing
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
