"""Cost against reach: every plan worth its money from "as it is" to "the most this catalog can do", each one checked.

Where there are tables of all efficient plans (`efficient_plans`) they are looked at one after the other. Elsewhere the
cheapest plan for one multiple of the targets after the other is asked for. One that was proved the cheapest at a
multiple, and that the network says reaches a larger one, is the cheapest for all between. What lies between two plans
is looked at in the middle, the widest gap first, below the cost of the upper plan; so what is there when the time ends
is spread over the whole, and every gap is known.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace

from optimizer.choices.demands import KnownFlows, flows_if_known
from optimizer.choices.scaled import scaled
from optimizer.clock import TimeIsUp, limited
from optimizer.hydraulics import pump_head_m
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.network import Network
from optimizer.model.note import Note, note, runs_together
from optimizer.model.plan import Plan, planned_networks
from optimizer.model.system import System
from optimizer.program.merge import EfficientSelection, efficient_selections
from optimizer.program.problem import LOSS_UNIT_M, Outcome, Selection
from optimizer.search.assemble import plan_of
from optimizer.search.checks import cut_apart, verdicts
from optimizer.search.duty import Duty, duties
from optimizer.search.engine import solve
from optimizer.search.options import Options, options_of
from optimizer.search.posing import PosedProblem, pose
from optimizer.search.question import Answer, Question
from optimizer.search.studies.how_far import STEP, PlannedReach, best_reach, planned_reach
from optimizer.search.unknown_flows import NONE_AT_ALL
from optimizer.search.watch import Watch
from optimizer.verify.check import verify_plan
from optimizer.verify.reach import Reach, most_scale, reach_of

LEAST_GAIN = 0.01  # published loss coefficients do not tell smaller steps apart
_CLOSE = 1e-6  # relative: a multiple of the targets and what the check confirms of it
_REACH_S = 1.0  # for what the plan for the targets reaches, where the time is over
_LEAST = 0.01  # of the targets: the frontier begins with the cheapest plan that gives this
_SHARE = 0.34  # of the time left, for one search
_TOP_SHARE = 0.5  # ... for how far one can get
_NOT_ALL, _NO_ELECTRICITY = note("not all looked at"), note("pumps not counted")
_HALVINGS = 18
_MOST = 20.0  # no step goes beyond this multiple of the minimum flows


@dataclass(frozen=True, slots=True)
class FrontierPlan:
    """One efficient plan and what it reaches.

    `reach` is the largest multiple of the targets that the planned plumbing holds with its valves set, told by the
    network; `total_m3_s` is what the pumps give there. `starts` is the reach from which on nothing cheaper is left
    open; None where that is from the plan before.
    """

    plan: Plan
    reach: float
    total_m3_s: float
    starts: float | None = None
    works: float | None = None  # the share of all cases in which it meets the targets, valves trimmed

    @property
    def meets_targets(self) -> bool:
        return self.reach >= 1.0


@dataclass(frozen=True)
class Frontier:
    """The plans by rising cost, and what is to be said of them as a whole."""

    plans: tuple[FrontierPlan, ...]
    notes: tuple[Note, ...]
    complete: bool  # nothing between them, and nothing beyond, was left open
    proved_none: bool = False  # that there is not one plan is proved


def best_for_budget(plans: tuple[FrontierPlan, ...], budget_cents: int) -> FrontierPlan | None:
    """Return the plan that reaches the most for a parts list within a budget [cents]; None when none is."""
    within = [plan for plan in plans if plan.plan.cost_cents is not None and plan.plan.cost_cents <= budget_cents]
    return max(within, key=lambda plan: plan.reach, default=None)


@dataclass
class _Step:
    """A plan, the least multiple at which it is known to be the cheapest, and what it reaches."""

    start: float
    planned: PlannedReach
    cents: int
    bound_cents: int
    closed: bool = False  # what lies below it was looked at, or could not be settled

    @property
    def reach(self) -> float:
        return self.planned.reach.scale


def frontier(
    system: System, catalog: Catalog, watch: Watch, *, least_gain: float = LEAST_GAIN, budget_cents: int | None = None
) -> Frontier:
    """Return efficient plans by rising cost, each checked by the network, as far as the time goes.

    What rises is the common multiple of all least flows; upper ends and splits stay, and above 1 a target with an upper
    end stays as it is. Pumps run at that of their speeds that reaches the most, and electricity is not counted, but in
    the cheapest plan for the targets: that one is the plan that the search gives for them.

    Parameters
    ----------
    watch
        The time for all of it. Ctrl-C ends it with what was found.
    least_gain
        Plans that reach less than this share more than the one before are not looked for.
    budget_cents
        Where the parts list may come to this [cents], the plans around it are looked for first.

    Raises
    ------
    PlanError, SolverError
        As `solve`.
    """
    if watch.over:
        return Frontier((), (_nothing((watch.why_over,)),), False)
    plan = solve(Question(system, catalog, watch, "cheapest plan", _SHARE, with_reasons=True))
    try:
        with limited(watch.left_s):
            steps = None if system.second_pump is not None else efficient_plans(system, catalog, least_gain)
    except TimeIsUp:
        return Frontier(_with_plan(system, (), plan, watch), (*_without_plan(plan), _NOT_ALL), False)
    if steps is not None:
        return _from_tables(system, catalog, plan, steps, least_gain, watch)
    found = _Frontier(system, catalog, watch, max(least_gain, 1e-3), budget_cents, plan).run()
    notes = (*found.notes, *(_without_plan(plan) if found.plans else ()))
    return replace(found, plans=_with_plan(system, found.plans, plan, watch), notes=notes)


def _from_tables(
    system: System, catalog: Catalog, plan: Answer, steps: Iterator[Plan], least_gain: float, watch: Watch
) -> Frontier:
    """Return those of the efficient plans that pass the checks at what they reach, with the plan for the targets."""
    kept: list[FrontierPlan] = []
    late = False
    for step in steps:
        late = watch.over
        if late:
            break
        best = max((one.reach for one in kept), default=0.0)
        found = _reached(system, step, more_than=best)
        if found.reach <= best * (1 + 0.5 * least_gain):
            continue
        if not verdicts(scaled(system, min(1.0, found.reach) * (1 - _CLOSE)), step, catalog).failures:
            kept.append(found)
    plans = _with_plan(system, tuple(kept), plan, watch)
    notes = (*_without_plan(plan), *([_NOT_ALL] if late else []))
    return Frontier(plans, notes, bool(plans) and not late, not plans and plan.proved_none and not late)


def _nothing(why: tuple[Note, ...]) -> Note:
    return note("none for even that", share=_LEAST, why=why)


def _without_plan(plan: Answer) -> tuple[Note, ...]:
    """Return why no plan meets the targets; nothing where one does."""
    return () if plan.found else (note("none meets every target", why=plan.reasons),)


def _reached(system: System, plan: Plan, more_than: float = 0.0) -> FrontierPlan:
    system = cut_apart(system, plan)
    networks = planned_networks(system, plan)
    reach = reach_of(system, networks, more_than)
    return FrontierPlan(plan, reach.scale, _pumped_m3_s(networks[0], reach))


def _pumped_m3_s(network: Network, reach: Reach) -> float:
    """Return what all pumps give together in the first setting."""
    flows = next(iter(reach.flows_m3_s.values()), {})
    pumped = [run.name for run in network.runs.values() if any(part.kind is Kind.PUMP for part in run.parts)]
    return sum(flows.get(name, 0.0) for name in pumped)


def _asked_for(system: System, plans: tuple[FrontierPlan, ...], plan: Plan, watch: Watch) -> FrontierPlan:
    """Return the plan for the targets with what it reaches: the targets, where there is no time to tell how much more.

    In modes every pump has the speed of each, so that what was told of the plan among others holds.
    """
    told = next((one for one in plans if one.plan.runs is plan.runs and one.plan.tees is plan.tees), None)
    if told is not None and system.settings:
        return replace(told, plan=plan)
    with suppress(TimeIsUp), limited(max(_REACH_S, watch.left_s)):
        return _reached(system, plan)
    there = cut_apart(system, plan)
    checked = verify_plan(there, plan)
    flows = {one.name: one.flows_m3_s for one in checked.settings} or {"": checked.flows_m3_s}
    return FrontierPlan(plan, 1.0, _pumped_m3_s(planned_networks(there, plan)[0], Reach(1.0, flows, {})))


def _with_plan(
    system: System, plans: tuple[FrontierPlan, ...], answer: Answer, watch: Watch
) -> tuple[FrontierPlan, ...]:
    """Return the plans with the one for the targets among them, without those that another one beats."""
    found = list(plans)
    if answer.found:
        there = _asked_for(system, plans, answer.plan, watch)
        there = replace(there, reach=max(1.0, there.reach))
        cost = answer.plan.cost_cents or 0
        found = [one for one in found if one.reach < 1.0 or (one.plan.cost_cents or 0) > cost]
        found.append(there)
    found.sort(key=lambda one: (one.plan.cost_cents or 0, -one.reach))
    kept: list[FrontierPlan] = []
    for one in found:
        if one.reach > max((other.reach for other in kept), default=0.0):
            kept.append(one)
    charged = [_charged_cents(system, one.plan) for one in kept]
    return tuple(
        one
        for i, one in enumerate(kept)
        if one.plan is answer.plan or all(charged[i] < other for other in charged[i + 1 :])
    )


def _charged_cents(system: System, plan: Plan) -> int:
    """Return what parts and work come to [cents]: more flow for the same minimum order is not worth less."""
    return system.rules.charged_cents((plan.cost_cents or 0) + plan.effort_cents)


class _Frontier:
    def __init__(
        self,
        system: System,
        catalog: Catalog,
        watch: Watch,
        least_gain: float,
        budget_cents: int | None,
        plan: Answer,
    ) -> None:
        self.system = replace(system, rules=replace(system.rules, electricity_cents_per_kwh=0.0))
        self.priced = system.rules.electricity_cents_per_kwh * system.rules.horizon_h > 0.0
        self.plan = None if self.priced else plan  # for the targets themselves
        self.catalog, self.watch = catalog, watch
        self.least_gain, self.budget_cents = least_gain, budget_cents
        self.steps: list[_Step] = []
        self.beyond: float | None = None  # proved: no plan reaches this
        self.unsettled: list[tuple[float, float]] = []
        self.nothing: tuple[Note, ...] = ()
        self.left_out: tuple[Note, ...] = ()  # plans of which it is not proven that they reach no more

    def run(self) -> Frontier:
        try:
            self._ends()
            while not self.watch.over and (gap := self._widest()) is not None:
                self._look_between(*gap)
        except KeyboardInterrupt:
            self.watch.by_hand = True
        notes = (*self._notes(), *([_NO_ELECTRICITY] if self.steps and self.priced else []))
        none = not self.steps and self.beyond is not None and self.beyond <= _LEAST
        return Frontier(self._plans(), notes, self._complete(), none)

    # the ends: what is least, the targets themselves, the most there is

    def _ends(self) -> None:
        target = self._at(1.0)
        if target is None:
            self._at(_LEAST)
        elif not self.watch.over:
            self._look_below(target)
        if not self.steps:
            return
        low = max(step.reach for step in self.steps)
        most = most_scale(self.system)
        if self.watch.over or low >= most:
            self.beyond = None if low < most else most
            return
        high = self.beyond if self.beyond is not None else most
        with self.watch.part(_TOP_SHARE) as part:
            top = best_reach(self.system, self.catalog, part, low, high, proved=self.beyond is not None)
        self.beyond = top.beyond if top.beyond < most or most > 1.0 else None
        self.left_out = top.left_out or self.left_out
        if top.best is not None and top.scale > low and not self.watch.over:
            self._at(top.scale, top.best)

    def _look_below(self, target: _Step) -> None:
        """Find what is least: cheaper than the plan for the targets, if anything is."""
        if target.cents <= 0:
            target.start = _LEAST
            return
        found = self._find(_LEAST, _SHARE, target.cents)
        if found.found:
            self._keep(_LEAST, found)
        elif found.proved_none:
            target.start = _LEAST
        else:
            self.unsettled.append((0.0, target.start))

    def _at(self, scale: float, known: PlannedReach | None = None) -> _Step | None:
        """Find the cheapest plan at a multiple; `known` is one that reaches it."""
        found = self._find(scale, share=_SHARE)
        if found.found:
            return self._keep(scale, found)
        if known is not None:
            return self._keep(scale, known.found)
        self.nothing = found.reasons or self.nothing  # those of the least multiple come last
        if found.proved_none:
            self.beyond = scale if self.beyond is None else min(self.beyond, scale)
            self.left_out = self.left_out or found.left_out
        return None

    def _find(self, scale: float, share: float, cutoff: int | None = None, floor: int = 0) -> Answer:
        if scale == 1.0 and cutoff is None and self.plan is not None:
            return self.plan
        words, there = f"cheapest for {scale:.0%}", scaled(self.system, scale)
        question = Question(there, self.catalog, self.watch, words, share, ceiling_cents=cutoff, floor_cents=floor)
        return solve(question)

    def _keep(self, scale: float, found: Answer) -> _Step:
        assert found.cents is not None
        assert found.bound_cents is not None
        planned = planned_reach(self.system, found, scale, self.watch)
        step = _Step(scale, planned, found.cents, found.bound_cents)
        self.steps = sorted([*self.steps, step], key=lambda each: (each.reach, -each.cents))
        return step

    # what lies between

    def _widest(self) -> tuple[_Step, _Step] | None:
        """Return the two neighbours with most between them; around the budget first."""
        gaps = [
            (below, above)
            for below, above in zip(self.steps, self.steps[1:], strict=False)
            if not above.closed and above.cents > below.cents and above.start > below.reach * (1 + self.least_gain)
        ]
        return max(gaps, key=lambda gap: (self._at_budget(*gap), gap[1].start / gap[0].reach), default=None)

    def _at_budget(self, below: _Step, above: _Step) -> bool:
        if self.budget_cents is None:
            return False
        low, high = (step.planned.plan.cost_cents or 0 for step in (below, above))
        return low <= self.budget_cents < high

    def _look_between(self, below: _Step, above: _Step) -> None:
        narrow = above.start <= below.reach * (1 + 2 * self.least_gain)
        scale = below.reach * (1 + self.least_gain) if narrow else 0.5 * (below.reach + above.start)
        found = self._find(scale, _SHARE, above.cents, below.bound_cents)
        if found.found:
            self._keep(scale, found)
        elif found.proved_none:
            above.start = scale  # nothing cheaper reaches as much: the upper plan is the cheapest from here on
        else:
            above.closed = True
            self.unsettled.append((below.reach, above.start))

    # the result

    def _plans(self) -> tuple[FrontierPlan, ...]:
        found = [
            FrontierPlan(
                step.planned.plan, step.reach, _pumped_m3_s(step.planned.networks[0], step.planned.reach), step.start
            )
            for step in self.steps
        ]
        found.sort(key=lambda plan: (plan.plan.cost_cents or 0, -plan.reach))
        best, kept = 0.0, []
        for plan in found:
            if plan.reach > best * (1 + 0.5 * self.least_gain) or best < 1.0 <= plan.reach:
                kept.append(plan)
                best = plan.reach
        return tuple(kept)

    def _complete(self) -> bool:
        return bool(self.steps) and not self.watch.over and not self.unsettled and not self._top_is_open()

    def _top_is_open(self) -> bool:
        """Return whether some plan may reach more than the last one here."""
        most = max(step.reach for step in self.steps)
        return self.beyond is None or self.beyond > most * (1 + 3 * STEP)

    def _notes(self) -> Iterator[Note]:
        if not self.steps:
            why = self.nothing or (self.watch.why_over,)
            yield _nothing(why)
            return
        yield from self._open_notes()
        most = max(step.reach for step in self.steps)
        if self._top_is_open():
            yield note("more not settled")
        elif self.beyond is not None and most < most_scale(self.system):
            yield note("none beyond proven", considered=_considered(bool(self.left_out)), share=self.beyond)

    def _open_notes(self) -> Iterator[Note]:
        loose = [step for step in self.steps if step.bound_cents < step.cents]
        if loose:
            yield note("cheapest found")
        else:
            every = [each for step in self.steps for each in step.planned.plan.left_out if each.code != NONE_AT_ALL]
            left_out = runs_together(every)
            by_list = all(step.planned.plan.counts_its_list for step in self.steps)
            yield note("cheapest proven" if by_list else "least use proven", considered=_considered(bool(left_out)))
            if left_out:
                yield note("not considered", what=left_out)
        left = tuple(
            note("reach between", low_share=below.reach, high_share=above.start)
            for below, above in zip(self.steps, self.steps[1:], strict=False)
            if above.cents > below.cents and above.start > below.reach * (1 + self.least_gain)
        )
        if any(low == 0.0 for low, _ in self.unsettled):
            yield note("less money not settled")
        if left:
            why = note("and why", why=self.watch.why_over) if self.watch.over else None
            yield note("more between", reaches=left, why=why)


def _considered(some_left_out: bool) -> Note | None:
    return note("of those considered") if some_left_out else None


def efficient_plans(system: System, catalog: Catalog, least_gain: float) -> Iterator[Plan] | None:
    """Return the efficient plans by rising cost, from the cheapest to the one that reaches the most.

    Efficient means: at the minimum flows, no other plan is both no dearer and needs no more head. The pump is at its
    fastest setting. Steps that by their head reach less than `least_gain` more than the one before are left out.
    None where the flows are not known beforehand, or not by the pump's head alone: then there are no such tables.
    """
    flows = flows_if_known(system)
    if flows is None or flows.others or not flows.pump:
        return None
    options = options_of(system, catalog, flows.flows_m3_s, flows_m3_s=flows.flows_m3_s)
    duty = duties(system.network.pumps[flows.pump], system.rules)[0]
    posed = pose(options, flows, duty.speed, bounded=False)
    if not all(posed.problem.runs.values()):
        return iter(())
    return _walk(options, flows, posed, duty, efficient_selections(posed.problem), least_gain)


def _walk(
    options: Options,
    flows: KnownFlows,
    posed: PosedProblem,
    duty: Duty,
    selections: tuple[EfficientSelection, ...],
    least_gain: float,
) -> Iterator[Plan]:
    about = 0.0
    for selection in selections:
        estimate = _estimate(flows, duty, selection.need * LOSS_UNIT_M)
        if estimate >= about * (1 + least_gain):
            about = estimate
            yield _plan(options, posed, duty, selection)


def _estimate(flows: KnownFlows, duty: Duty, need_m: float) -> float:
    """Return about what multiple of the minimum flows a head need at them allows; only good for an order."""
    lift = min(path.lift_m for path in flows.paths)

    def holds(scale: float) -> bool:
        return bool(pump_head_m(duty.pump, scale * flows.total_m3_s, duty.speed) - lift >= need_m * scale**1.85)

    low, high = 0.0, _MOST
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def _plan(options: Options, posed: PosedProblem, duty: Duty, found: EfficientSelection) -> Plan:
    selection = Selection(
        Outcome.OPTIMAL, found.run_choice, found.tee_choice, found.cents, found.cents, "merged tables"
    )
    return plan_of(options, posed, selection, duty)
