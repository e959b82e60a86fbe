"""Plans that differ in kind, side by side: the best, one that works more often, a quiet one, the sensible one ..."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

from optimizer.clock import TimeIsUp, limited
from optimizer.errors import NetworkError
from optimizer.model.catalog import Catalog
from optimizer.model.network import Network
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan, Status, planned_networks
from optimizer.model.rules import QUIET_M_S
from optimizer.model.system import System
from optimizer.search.checks import cut_apart, verdicts
from optimizer.search.engine import solve
from optimizer.search.question import Answer, Question
from optimizer.search.studies.promise import works_in
from optimizer.search.studies.sensible import OFTEN, pipe_kept, sensible
from optimizer.search.studies.ways_out import fewest_cuts
from optimizer.search.watch import Watch
from optimizer.verify.reach import is_joined, present_networks, reach_of

_KINDS = 7  # that need a search
_REACH_SHARE, _REACH_S = 0.2, 0.3  # of the time left, and at the least, for how far one plan gets
_CHEAPEST_SHARE = 0.5  # of the time: without that plan most other kinds say nothing
CHEAPEST, OFTEN_RIGHT, SENSIBLE = note("the cheapest"), note("works often"), note("the sensible one")
FEWEST_CUTS, SAME_SIZE, SAME_PIPE, AS_IT_IS = (
    note("fewest cuts"),
    note("same size"),
    note("same pipe"),
    note("as it is"),
)


@dataclass(frozen=True, slots=True)
class KindOfPlan:
    """One way to go about it.

    `plan` is None where no plan of this kind reaches the targets; `reach` as in the frontier, None where the time was
    too short to tell it. Not `settled`: the time
    was too short for the proof that there is none cheaper, or none at all. `reasons` say why there is none.
    """

    kind: Note
    plan: Plan | None
    reach: float | None
    settled: bool = True
    reasons: tuple[Note, ...] = ()
    works: float | None = None  # the share of all cases in which it does, valves trimmed


def kinds_of_plan(system: System, catalog: Catalog, watch: Watch) -> tuple[KindOfPlan, ...]:
    """Return the best plan and the best ones of other kinds, and what the plumbing reaches as it is.

    Ctrl-C ends it; kinds that were not looked at are marked as open.

    Raises
    ------
    PlanError, SolverError
        As `solve`.
    """
    return tuple(_Kinds(system, catalog, watch).all())


def with_one_that_works_often(kinds: Sequence[KindOfPlan]) -> tuple[KindOfPlan, ...]:
    """Return the kinds whose `works` is known, a plan of another kind where one that works often was not found in time.

    The cheapest of those that do work as often; that none is cheaper is settled where it is the cheapest of all.
    """
    there = [one for one in kinds if one.plan is not None and one.works is not None and one.works >= OFTEN]
    if not there:
        return tuple(kinds)
    best = min(there, key=lambda one: (one.plan.cost_cents or 0) if one.plan else 0)
    floor = next((one.plan.bound_cents for one in kinds if one.kind == CHEAPEST and one.plan is not None), 0)
    plan = None if best.plan is None else replace(best.plan, status=Status.FEASIBLE, bound_cents=floor)
    found = replace(best, kind=OFTEN_RIGHT, plan=plan, settled=False)
    if best.kind == CHEAPEST and best.settled:
        found = replace(best, kind=OFTEN_RIGHT)
    return tuple(found if one.kind == OFTEN_RIGHT and one.plan is None and not one.settled else one for one in kinds)


class _Kinds:
    def __init__(self, system: System, catalog: Catalog, watch: Watch) -> None:
        self.system, self.catalog, self.watch = system, catalog, watch
        self.left = _KINDS
        self.floor = 0  # what no plan costs less than, whatever its kind
        self.works: dict[int, tuple[Plan, float | None]] = {}  # by id of a plan, which so lives on
        self.reached: list[tuple[tuple[Network, ...], float | None]] = []  # several kinds may be one plan

    def all(self) -> Iterator[KindOfPlan]:
        cheapest = self._find(CHEAPEST, self.system)
        if cheapest is not None and cheapest.found:
            self.floor = cheapest.bound_cents or 0
        yield self._kind(CHEAPEST, cheapest)
        if self.system.rules.certainty < OFTEN:
            often = self.system.with_promise(certainty=OFTEN)
            yield self._kind(OFTEN_RIGHT, self._narrower(OFTEN_RIGHT, often, cheapest, self._works_often))
        if self.system.rules.velocity_limit_m_s > QUIET_M_S:
            quiet = replace(self.system, rules=replace(self.system.rules, velocity_limit_m_s=QUIET_M_S))
            slower = note("no faster", limit_m_s=QUIET_M_S)
            keeps = partial(self._passes, quiet)
            yield self._kind(slower, self._narrower(slower, quiet, cheapest, keeps))
        yield self._sensible(cheapest)
        yield self._few_cuts(cheapest)
        no_other_size = replace(self.system, rules=replace(self.system.rules, resize=False))
        kept = pipe_kept(self.system)
        given = cheapest if cheapest is not None and cheapest.found else None  # other sizes of tees are tried here
        yield self._kind(SAME_SIZE, self._narrower(SAME_SIZE, no_other_size, given, self._keeps_sizes))
        # where the cheapest of all plans only sets pumps and valves it is the cheapest of these as well
        yield self._kind(SAME_PIPE, self._narrower(SAME_PIPE, kept, cheapest, lambda plan: not _changes_parts(plan)))
        yield KindOfPlan(AS_IT_IS, None, self._present())

    def _narrower(
        self, kind: Note, system: System, cheapest: Answer | None, is_one: Callable[[Plan], bool]
    ) -> Answer | None:
        """Return the cheapest of fewer plans: the cheapest of all where it is one of them, or proved not to be."""
        if cheapest is not None and (is_one(cheapest.plan) if cheapest.found else cheapest.proved_none):
            self.left -= 1
            return cheapest
        return self._find(kind, system)

    def _works_often(self, plan: Plan) -> bool:
        least = max(OFTEN, self.system.rules.certainty)
        return (self._works_in(plan) or 0.0) >= least

    def _works_in(self, plan: Plan) -> float | None:
        """Return in what share of all cases a plan works, told once: several kinds may be one plan."""
        if id(plan) not in self.works:
            self.works[id(plan)] = (plan, works_in(self.system, plan, self.watch))
        return self.works[id(plan)][1]

    def _passes(self, system: System, plan: Plan) -> bool:
        return not verdicts(system, plan, self.catalog).failures

    def _keeps_sizes(self, plan: Plan) -> bool:
        """Return whether all that is bought has the sizes of the run where it goes."""
        if any(tee.purchases for tee in plan.tees.values()):
            return False
        runs = self.system.network.runs
        return all(
            end.size == runs[name].size
            for name, run in plan.runs.items()
            for bought in run.purchases
            for end in bought.item.ends
        )

    def _find(self, kind: Note, system: System) -> Answer | None:
        """Search one kind with its share of the time; None where there is no time."""
        self.left -= 1
        if self.watch.over:
            return None
        share = _CHEAPEST_SHARE if kind is CHEAPEST else 1.0 / (self.left + 1)
        question = Question(system, self.catalog, self.watch, kind.code, share, floor_cents=self.floor)
        return solve(replace(question, with_reasons=kind is CHEAPEST))

    def _sensible(self, cheapest: Answer | None) -> KindOfPlan:
        self.left -= 1
        if cheapest is None or not cheapest.found or self._is_sensible(cheapest.plan):
            return self._kind(SENSIBLE, cheapest)
        share = 1.0 / (self.left + 1)
        question = Question(self.system, self.catalog, self.watch, SENSIBLE.code, share, floor_cents=self.floor)
        found, settled = sensible(question)
        if found is None:
            return KindOfPlan(SENSIBLE, None, 0.0, settled=settled)
        return self._kind(SENSIBLE, found)

    def _is_sensible(self, plan: Plan) -> bool:
        """Return whether a plan that builds nothing works as often and runs as quietly as the sensible one has to."""
        rules = self.system.rules
        quiet = replace(rules, velocity_limit_m_s=min(rules.velocity_limit_m_s, QUIET_M_S))
        if _changes_parts(plan) or not self._works_often(plan):
            return False
        return self._passes(replace(self.system, rules=quiet), plan)

    def _few_cuts(self, cheapest: Answer | None) -> KindOfPlan:
        self.left -= 1
        if cheapest is None or not cheapest.found:
            return self._kind(FEWEST_CUTS, cheapest)
        question = Question(self.system, self.catalog, self.watch, share=0.5 / (self.left + 1), floor_cents=self.floor)
        best, proved = fewest_cuts(question, cheapest)
        told = self._kind(FEWEST_CUTS, best)
        return told if proved else replace(told, kind=note("fewest cuts found"), settled=False)

    def _kind(self, kind: Note, found: Answer | None) -> KindOfPlan:
        if found is None or not found.found:
            reasons = () if found is None else found.reasons
            return KindOfPlan(kind, None, 0.0, settled=found is not None and found.proved_none, reasons=reasons)
        there = cut_apart(self.system, found.plan)
        reach = self._reach(there, planned_networks(there, found.plan))
        told = None if reach is None else max(1.0, reach)
        settled = found.status is Status.OPTIMAL
        return KindOfPlan(kind, found.plan, told, works=self._works_in(found.plan), settled=settled)

    def _present(self) -> float | None:
        return self._reach(self.system, present_networks(self.system)) if is_joined(self.system) else 0.0

    def _reach(self, system: System, networks: tuple[Network, ...]) -> float | None:
        """Return what a plumbing reaches, told once; None where its share of the time is too short."""
        for known, told in self.reached:
            if known == networks:
                return told
        reach: float | None
        try:
            with limited(max(_REACH_S, _REACH_SHARE * self.watch.left_s)):
                reach = reach_of(system, networks).scale
        except NetworkError:
            reach = 0.0
        except TimeIsUp:
            reach = None
        self.reached.append((networks, reach))
        return reach


def _changes_parts(plan: Plan) -> bool:
    """Return whether a plan buys, removes or joins anything."""
    runs = any(one.purchases or one.removed or one.joints for one in plan.runs.values())
    return runs or any(one.purchases or one.removed for one in plan.tees.values())
