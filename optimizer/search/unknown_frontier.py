"""Cost against reach where the flows are not known: the cheapest plan for one multiple of the targets after the other.

A plan that was proved the cheapest at one multiple, and that the network says reaches a larger one, is the cheapest for
all between. What lies between two plans is looked at in the middle, the widest gap first, below the cost of the upper
plan; so what is there when the time ends is spread over the whole, and every gap is known.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from optimizer.choices.scaled import scaled
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.plan import Status
from optimizer.model.system import System
from optimizer.search.frontier import LEAST_GAIN, FrontierPlan
from optimizer.search.unknown_flows import UnknownSearch
from optimizer.search.unknown_reach import STEP, PlannedReach, best_reach, planned_reach
from optimizer.search.watch import Watch
from optimizer.verify.reach import most_scale

_LEAST = 0.01  # of the targets: the frontier begins with the cheapest plan that gives this
_SHARE = 0.34  # of the time left, for one search
_TOP_SHARE = 0.5  # ... for how far one can get
_NO_ELECTRICITY = "What the pumps draw is not counted here."


@dataclass(frozen=True)
class UnknownFrontier:
    """The plans by rising cost, and what is to be said of them as a whole, in sentences."""

    plans: tuple[FrontierPlan, ...]
    notes: tuple[str, ...]
    complete: bool  # nothing between them, and nothing beyond, was left open


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


def unknown_frontier(
    system: System, catalog: Catalog, watch: Watch, *, least_gain: float = LEAST_GAIN, budget_cents: int | None = None
) -> UnknownFrontier:
    """Return efficient plans by rising cost, each checked by the network, as far as the time goes.

    What rises is the common multiple of all least flows; upper ends and splits stay, and above 1 a target with an upper
    end stays as it is. Pumps run at that of their speeds that reaches the most, and electricity is not counted.

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
        As `find_unknown`.
    """
    return _Frontier(system, catalog, watch, max(least_gain, 1e-3), budget_cents).run()


class _Frontier:
    def __init__(
        self, system: System, catalog: Catalog, watch: Watch, least_gain: float, budget_cents: int | None
    ) -> None:
        self.system = replace(system, rules=replace(system.rules, electricity_cents_per_kwh=0.0))
        self.priced = system.rules.electricity_cents_per_kwh * system.rules.horizon_h > 0.0
        self.catalog, self.watch = catalog, watch
        self.least_gain, self.budget_cents = least_gain, budget_cents
        self.steps: list[_Step] = []
        self.beyond: float | None = None  # proved: no plan reaches this
        self.unsettled: list[tuple[float, float]] = []
        self.nothing = ""
        self.left_out = ""  # plans of which it is not proved that they reach no more

    def run(self) -> UnknownFrontier:
        try:
            self._ends()
            while not self.watch.over and (gap := self._widest()) is not None:
                self._look_between(*gap)
        except KeyboardInterrupt:
            self.watch.by_hand = True
        notes = (*self._notes(), *([_NO_ELECTRICITY] if self.steps and self.priced else []))
        return UnknownFrontier(self._plans(), notes, self._complete())

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
        found = self._find(_LEAST, _SHARE, target.cents)
        if found.plan.found:
            self._keep(_LEAST, found)
        elif found.plan.status is Status.INFEASIBLE:
            target.start = _LEAST
        else:
            self.unsettled.append((0.0, target.start))

    def _at(self, scale: float, known: PlannedReach | None = None) -> _Step | None:
        """Find the cheapest plan at a multiple; `known` is one that reaches it."""
        found = self._find(scale, share=_SHARE)
        if found.plan.found:
            return self._keep(scale, found)
        if found.plan.status is Status.INFEASIBLE and known is None:
            self.beyond = scale if self.beyond is None else min(self.beyond, scale)
            self.left_out = self.left_out or found.plan.left_out
            self.nothing = self.nothing or "; ".join(found.plan.reasons)
        elif known is not None:
            return self._keep(scale, known.found)
        return None

    def _find(self, scale: float, share: float, cutoff: int | None = None, floor: int = 0) -> UnknownSearch:
        words = f"cheapest plan for {scale:.0%}"
        return self.watch.find(
            scaled(self.system, scale), self.catalog, words, share=share, cutoff_cents=cutoff, floor_cents=floor
        )

    def _keep(self, scale: float, found: UnknownSearch) -> _Step:
        assert found.cents is not None
        assert found.bound_cents is not None
        planned = planned_reach(self.system, found, scale)
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
        if found.plan.found:
            self._keep(scale, found)
        elif found.plan.status is Status.INFEASIBLE:
            above.start = scale  # nothing cheaper reaches as much: the upper plan is the cheapest from here on
        else:
            above.closed = True
            self.unsettled.append((below.reach, above.start))

    # the result

    def _plans(self) -> tuple[FrontierPlan, ...]:
        found = [
            FrontierPlan(step.planned.plan, step.reach, self._pumped_m3_s(step.planned), step.start)
            for step in self.steps
        ]
        found.sort(key=lambda plan: (plan.plan.cost_cents or 0, -plan.reach))
        best, kept = 0.0, []
        for plan in found:
            if plan.reach > best * (1 + 0.5 * self.least_gain) or best < 1.0 <= plan.reach:
                kept.append(plan)
                best = plan.reach
        return tuple(kept)

    def _pumped_m3_s(self, planned: PlannedReach) -> float:
        flows = next(iter(planned.reach.flows_m3_s.values()))
        runs = self.system.network.runs.values()
        return sum(flows[run.name] for run in runs if any(part.kind is Kind.PUMP for part in run.parts))

    def _complete(self) -> bool:
        return bool(self.steps) and not self.watch.over and not self.unsettled and not self._top_is_open()

    def _top_is_open(self) -> bool:
        """Return whether some plan may reach more than the last one here."""
        most = max(step.reach for step in self.steps)
        return self.beyond is None or self.beyond > most * (1 + 3 * STEP)

    def _notes(self) -> Iterator[str]:
        if not self.steps:
            why = self.nothing or self.watch.why_over
            yield f"No plan was found for even {100 * _LEAST:.0f} % of the least flows: {why}."
            return
        yield from self._open_words()
        most = max(step.reach for step in self.steps)
        if self._top_is_open():
            yield "Whether some plan reaches more than the last one here was not settled."
        elif self.beyond is not None and most < most_scale(self.system):
            weighed = " of those weighed" if self.left_out else ""
            yield f"That no plan{weighed} reaches {100 * self.beyond:.0f} % is proved."

    def _open_words(self) -> Iterator[str]:
        loose = [step for step in self.steps if step.bound_cents < step.cents]
        if loose:
            yield "Each plan is the cheapest that was found for what it reaches; what is open is marked."
        else:
            weighed = " of those weighed" if any(step.planned.plan.left_out for step in self.steps) else ""
            yield f"Each plan is proved the cheapest{weighed} for what it reaches."
            left_out = (step.planned.plan.left_out.split("; no plan at all")[0] for step in self.steps)
            yield from dict.fromkeys(f"Not weighed: {words}." for words in left_out if words)
        left = [
            f"{100 * below.reach:.0f} and {100 * above.start:.0f} %"
            for below, above in zip(self.steps, self.steps[1:], strict=False)
            if above.cents > below.cents and above.start > below.reach * (1 + self.least_gain)
        ]
        if any(low == 0.0 for low, _ in self.unsettled):
            yield "Whether less money gives a part of what is wanted was not settled."
        if left:
            why = f", {self.watch.why_over}" if self.watch.over else ""
            yield f"There may be more plans with a reach between {'; '.join(left)}: that was not settled{why}."
