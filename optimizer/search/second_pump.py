"""The cheapest plan with a second pump, where the owner allows one: each pair of pumps is searched on its own.

A pair costs at least its pumps, so pairs that are dearer than the best plan are never searched; each other has a search
that looks below that cost only. So the plan that stays is proved over all of them, or says what is left open.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace

from optimizer.choices.second_pump import TwoPumps, two_pumps
from optimizer.clock import TimeIsUp
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.network import Network, Part
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan, RunPlan, Status
from optimizer.model.system import System
from optimizer.search.assemble import changes_of
from optimizer.search.checks import verdicts
from optimizer.search.flow_lists import ListTerms, by_list
from optimizer.search.flow_search import Progress
from optimizer.search.no_plan import too_much_asked
from optimizer.search.unknown_flows import UnknownSearch, find_unknown
from optimizer.verify.allowance import Allowance, allowances_of


def with_second_pump(
    system: System,
    catalog: Catalog,
    first: Plan,
    *,
    solver: str | None = None,
    time_limit_s: float = 60.0,
    progress: Progress | None = None,
) -> Plan:
    """Return a plan with a second pump where that is cheaper than the best one without, else that one.

    Parameters
    ----------
    system, catalog
        What stands, where a second pump may be put, what may be bought.
    first
        How the search with one pump ended, with or without a plan.
    solver, time_limit_s, progress
        As for `find_unknown`; the time is that of all pairs together [s]. Ctrl-C ends it with the best plan so far.
    """
    pairs = two_pumps(system, catalog)
    if not pairs or too_much_asked(system):  # no pump makes a tank or a sump hold more
        return first
    return _Pairs(system, catalog, first, pairs, solver, time.monotonic() + time_limit_s, progress).best()


@dataclass
class _Pairs:
    system: System
    catalog: Catalog
    first: Plan
    pairs: list[TwoPumps]
    solver: str | None
    until: float
    progress: Progress | None = None

    def __post_init__(self) -> None:
        self.plan: Plan | None = None
        self.bounds = [float(pair.cents) for pair in self.pairs]  # no plan with that pair costs less
        self.refused: list[Note] = []
        self.reasons: list[Note] = []

    @property
    def known(self) -> float:
        """Return what a plan must cost less than to be of interest [cents]."""
        costs = [plan.material_cents for plan in (self.first, self.plan) if plan is not None]
        return min((float(cents) for cents in costs if cents is not None), default=math.inf)

    def best(self) -> Plan:
        with suppress(KeyboardInterrupt, TimeIsUp):  # what was not looked at stays open
            for i, pair in enumerate(self.pairs):
                left_s = self.until - time.monotonic()
                if self.bounds[i] < self.known and left_s > 0.0:
                    self._say(i)
                    self._search(i, pair, left_s / (len(self.pairs) - i))
        return self._ended()

    def _say(self, i: int) -> None:
        if self.progress is not None:
            known, bound = self.known, min(self.bounds[i:])
            words = f"second pump, pair {i + 1} of {len(self.pairs)}"
            self.progress(words, None if math.isinf(known) else int(known), int(min(known, bound)))

    def _search(self, i: int, pair: TwoPumps, time_limit_s: float) -> None:
        found = self._find(i, pair, time_limit_s)
        if not found.plan.found:
            self.reasons += found.plan.reasons[:1] if found.plan.status is Status.INFEASIBLE else ()
            return
        plan = finished(pair, found.plan)
        there = replace(self.system, network=pair.stands, second_pump=None)
        unsafe = verdicts(there, plan, self.catalog).failures
        if not unsafe:
            self._keep(plan)
            return
        self.refused.append(note("pair refused", pumps=pair.words, why=unsafe))
        held = allowances_of(there, today_counts=True)
        left_s = self.until - time.monotonic()
        if held and left_s > 0.0:
            again = self._find(i, pair, min(left_s, time_limit_s), held, found.bound_cents or 0)
            plan = finished(pair, again.plan) if again.plan.found else plan
            if again.plan.found and not verdicts(there, plan, self.catalog).failures:
                self._keep(plan)

    def _find(
        self, i: int, pair: TwoPumps, time_limit_s: float, held: tuple[Allowance, ...] = (), floor: int = 0
    ) -> UnknownSearch:
        """Return how the search with a pair ended, and keep what it says of the least that the pair costs."""
        below = None if math.isinf(self.known) else int(self.known)
        terms: ListTerms = {"solver": self.solver, "time_limit_s": time_limit_s, "allowances": held}
        found = find_unknown(
            pair.system, self.catalog, **terms, progress=self.progress, cutoff_cents=below, floor_cents=floor
        )
        if found.plan.status is Status.OPTIMAL and not self.system.rules.minimum_order_cents:
            found = by_list(pair.system, self.catalog, found, below, **terms)
        self.bounds[i] = math.inf if found.plan.status is Status.INFEASIBLE else max(self.bounds[i], _bound(found))
        return found

    def _keep(self, plan: Plan) -> None:
        if plan.material_cents is not None and plan.material_cents < self.known:
            self.plan = plan

    def _ended(self) -> Plan:
        if self.plan is None and not self.first.found:
            return self._none()
        best = self.plan or self.first
        assert best.material_cents is not None
        bounds = [*self.bounds, *([] if self.first.bound_cents is None else [float(self.first.bound_cents)])]
        bound = int(min(best.material_cents, *bounds))
        status = Status.OPTIMAL if bound >= best.material_cents else Status.FEASIBLE
        if self.first.status is Status.NO_PLAN_FOUND and self.first.bound_cents is None:
            status, bound = Status.FEASIBLE, 0
        return replace(best, status=status, bound_cents=bound, notes=(*best.notes, *self._notes()))

    def _notes(self) -> Iterator[Note]:
        open_ = tuple(pair.words for pair, bound in zip(self.pairs, self.bounds, strict=True) if bound < self.known)
        if self.plan is None and not open_:
            yield note("second pump costs more")
        if open_:
            yield note("not ruled out with", pumps=open_)
        if self.plan is None:
            yield from self.refused[:1]

    def _none(self) -> Plan:
        proved = self.first.status is Status.INFEASIBLE and all(math.isinf(bound) for bound in self.bounds)
        said = [note("with a second pump too", why=reason) for reason in dict.fromkeys(self.reasons)]
        status = Status.INFEASIBLE if proved else Status.NO_PLAN_FOUND
        return replace(self.first, status=status, reasons=(*self.first.reasons, *said, *self.refused[:1]))


def _bound(found: UnknownSearch) -> float:
    return 0.0 if found.bound_cents is None else float(found.bound_cents)


def finished(pair: TwoPumps, plan: Plan) -> Plan:
    """Return a pair's plan as one for the plumbing that stands: pumps named as new, what comes out as taken out."""
    network = pair.system.network
    new = {pair.name: network.pumps[pair.name]}
    runs = {name: _stood(run_plan, pair.stands) for name, run_plan in plan.runs.items()}
    if pair.first is not None:
        run, old = _own_pump(pair.stands)
        new[old.name] = network.pumps[old.name]
        runs[run] = replace(runs[run], removed=(old, *runs[run].removed))
    return replace(plan, runs=runs, new_pumps=new, stands=pair.stands, notes=(*plan.notes, _assumed(pair)))


def _assumed(pair: TwoPumps) -> Note:
    """Return what a plan with a second pump takes for granted."""
    return note("stands beside" if pair.beside else "stands in the line", pump=pair.name)


def _own_pump(stands: Network) -> tuple[str, Part]:
    return next((run.name, part) for run in stands.runs.values() for part in run.parts if part.kind is Kind.PUMP)


def _stood(run_plan: RunPlan, stands: Network) -> RunPlan:
    """Return a run's plan; of a run that is not connected yet nothing comes out, and it is told in one sentence."""
    if stands.runs[run_plan.run].is_plumbed:
        return run_plan
    return replace(run_plan, removed=(), changes=changes_of([], list(run_plan.parts)))
