"""Plans weighed on draws: which of them work often enough on a sample, and which of those a second one bears out.

The sample are few of many draws that tell how often each plan works as the many do. One draw is taken from each class
of draws about as hard (stratified sampling), and which one, so that of every plan looked at as large a share works in
the few as in the many (balanced sampling). So a plan that only happens to suit the few is not taken for the cheapest.

References
----------
W. G. Cochran, Sampling Techniques, 3rd ed., 1977, chapter 5; J.-C. Deville, Y. Tillé, Efficient balanced sampling: the
cube method, Biometrika 91, 2004, pp. 893-912 (the aim; here by exchange within the classes).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from optimizer.choices.demands import KnownFlows
from optimizer.hydraulics.draws import PickedDraws
from optimizer.model.network import Network
from optimizer.model.plan import Plan, planned_network
from optimizer.model.system import System
from optimizer.search.assemble import with_list
from optimizer.search.checks import verdicts
from optimizer.search.question import Question
from optimizer.search.watch import Telling
from optimizer.verify.chance import Cases, slacks_known_m, works_known

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Key = tuple[object, ...]  # a dial and the steps and fittings of a plan

SAMPLE, MANY = 100, 10_000  # draws that a plan is chosen on, of so many
JUDGED = 10_000  # draws that it is judged on at last
SEED = 21  # of the sample; that of the judgment is another one
_JUDGE_SEED = 22
_NEAR = 0.01  # of all cases: less than a sample of that size tells (0.03 of it, taken at random)
_CLOSE = 0.05  # of the sample, to what is asked: cheaper plans that a sample is balanced by
_ONE = 1e-9
_BALANCED = 4  # rounds of choosing a sample

_PASSES = 4
_STAYS = 1e-9  # a draw is exchanged for a better one only
_HOLDS_M = -1e-6  # as of the check


@dataclass
class WeighedPlan:
    """A plan that was looked at: its plumbing with the dial as far as it goes, all draws, what it costs at the least.

    Its list is priced once that is asked for. `made` has the joints along its runs. `judged` is the share of the second
    sample in which it works, `passes` whether it passes every check; None where nobody asked yet. Head left is told on
    each way by draw [m], (n_draws, n_ways).
    """

    question: Question
    unlisted: Plan
    network: Network
    many: Cases
    known: KnownFlows
    made: Mapping[tuple[str, str], int]
    least: int = 0
    judged: float | None = None
    passes: bool | None = None

    @cached_property
    def plan(self) -> Plan:
        """Return the plan with its list."""
        plan = with_list(self.question.system, self.question.catalog, self.unlisted)
        return replace(plan, material_cents=(plan.cost_cents or 0) + plan.effort_cents + plan.energy_cents)

    @property
    def cents(self) -> int:
        """Return what is made least: its list, work and electricity."""
        return self.plan.material_cents or 0

    @cached_property
    def slack_m(self) -> Floats:
        """Return the head left in all draws."""
        return slacks_known_m(self.many, self.known, self.network)

    @cached_property
    def works(self) -> Bools:
        """Return in which of all draws it works."""
        return np.asarray((self.slack_m >= _HOLDS_M).all(axis=1))

    def works_on(self, cases: Cases) -> int:
        """Return in how many of some draws it works."""
        return int((slacks_known_m(cases, self.known, self.network) >= _HOLDS_M).all(axis=1).sum())

    @property
    def share(self) -> float:
        """Return the share of all draws in which it works, as far as is known."""
        own = float(self.works.mean())
        return own if self.judged is None else (own + self.judged) / 2.0


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
            cheap = (one for one in self.looked.values() if one.least <= most)
            plans = [one for one in cheap if self._is_close(one) and one.cents <= most]
            counts = [SAMPLE * one.share for one in plans]
            self.choose_on(balanced(self.classes, [one.works for one in plans], counts))
            if self.best is self.given:
                return

    def choose_on(self, at: Ints) -> None:
        """Choose by these of all draws; what was looked at is judged by them anew."""
        self.at, self.cases = at, picked_of(self.many, at)
        self.best = self.given = self.sure = None
        self._counts.clear()
        for one in sorted(self.looked.values(), key=lambda each: each.least):
            if self.given is not None and one.least >= self.given.cents:
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

    def holds(self, one: WeighedPlan) -> bool:
        """Return whether a plan works as often as asked in both samples, its dial going no further, and passes."""
        if one.works_on(self.cases) < self.need or one.works_on(self.judge) < self.asked * JUDGED:
            return False
        return not verdicts(self.system, one.plan, self.question.catalog).failures

    def judged(self, plan: Plan) -> int:
        """Return in how many draws of the second sample a plan works."""
        return int(works_known(self.judge, self.known, planned_network(self.system.network, plan)).sum())


def spread(hardest_m: Floats, count: int) -> Ints:
    """Return so many classes of draws by their hardness, (count, draws of a class); the middle of each comes first."""
    order = np.argsort(hardest_m, kind="stable")
    classes = order[: len(order) // count * count].reshape(count, -1)
    middle = classes.shape[1] // 2
    return np.roll(classes, -middle, axis=1)


def balanced(classes: Ints, works: Sequence[npt.NDArray[np.bool_]], counts: Sequence[float]) -> Ints:
    """Return one draw of each class, (n_classes,), so that each plan works in about so many of them.

    Parameters
    ----------
    classes
        As of `spread`; the first draw of each is taken where nothing speaks against it.
    works, counts
        Of every plan in which of all draws it works, and in how many of these it should.
    """
    picked = classes[:, 0].copy()
    if not works:
        return picked
    table = np.array(works, dtype=np.float64)
    aims = np.asarray(counts, dtype=np.float64)
    now = table[:, picked].sum(axis=1)
    for _ in range(_PASSES):
        before = picked.copy()
        for k, some in enumerate(classes):
            rest = now - table[:, picked[k]] - aims
            miss = ((rest[:, None] + table[:, some]) ** 2).sum(axis=0)
            miss[some == picked[k]] -= _STAYS
            picked[k] = some[int(miss.argmin())]
            now = rest + aims + table[:, picked[k]]
        if (picked == before).all():
            break
    return picked
