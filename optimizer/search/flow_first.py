"""First plans for unknown flows, before any proof: each from a search with flows as if known, tried on the network.

What stands is tried first, then what loses least. Once some plumbing meets every target, its flows are a guess at how
the water splits. At a guess every loss is a number, so the cheapest combination whose losses fit in the head that is
there comes at once, as if a valve in every run could take what is left over. The true network says whether it stands,
and where it does not the next guess asks for a little more.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial

from optimizer.choices.wants import Want
from optimizer.errors import NetworkError, SolverError
from optimizer.hydraulics import solve_network
from optimizer.model.network import Network
from optimizer.program.merge import MergedTables, cheapest_within
from optimizer.program.problem import SizingProblem
from optimizer.program.solve import solve_sizing
from optimizer.program.through import is_tree
from optimizer.search.flow_bound import bound_problem, busiest, narrowed
from optimizer.search.flow_descent import balanced, mended, walked_down
from optimizer.search.flow_posing import Choice, FlowCase, built_network, cents_of, duties_of, has_valves, keeps_within
from optimizer.search.flow_ranges import is_one_way
from optimizer.search.one_position import surely_fails
from optimizer.verify.allowance import settle_held
from optimizer.verify.openings import Settled, valved_runs

_STEPS = (1.0, 1.015, 1.04, 1.08, 1.14, 1.22, 1.35)  # how much more than the targets a guess asks for
_TRIES = 2  # how often what loses least is looked for, at other flows
_GUESSES = 3  # how often the flows of a plan are the next guess
_MOST_SHARE = 4.0  # flows of next to nothing are no guess at how the water splits
_SOLVER_S = 2.0
_STARTS = 2  # combinations that do not stand, the nearest ones, from which others are looked for
_MENDING = 40  # so many, from each of them
_ABOVE = 1.01  # of a least flow: how near to it valves are to hold the water for a guess


class FirstPlans:
    """The combinations of a case tried so far, and the cheapest of them that stands."""

    def __init__(
        self,
        case: FlowCase,
        until: float,
        below_cents: int | None = None,
        walks: bool = True,
        falls_short: bool = False,
    ) -> None:
        self.case, self.until = case, until
        self.walks = walks  # round rings cheaper ways are looked for run by run
        self.falls_short = falls_short  # what stands is known not to serve
        self.below_cents = below_cents  # only plans that cost less are of interest
        self.best: Choice | None = None
        self.settled: Settled | None = None
        self.tried: dict[Choice, Settled | None] = {}
        self.mode = busiest(case, case.ranges)

    @property
    def best_cents(self) -> int | None:
        """Return what the cheapest plan so far costs; without one what a plan has to stay below."""
        return self.below_cents if self.best is None else cents_of(self.case, self.best)

    @property
    def over(self) -> bool:
        return time.monotonic() > self.until

    def search(self) -> None:
        """Try what stands, what loses least, and what flows as of a plan suggest."""
        if not all(self.case.ways.values()) or not all(self.case.tees.values()):
            return
        still = dict.fromkeys(self.case.network.runs, 0.0)
        as_it_stands = self._chosen(still, least_loss=False)
        if as_it_stands is None:
            return
        if self.falls_short and cents_of(self.case, as_it_stands) == 0:
            self.tried[as_it_stands] = None
        elif self.offer(as_it_stands):
            return
        roomy = self._roomiest(as_it_stands)
        if roomy is not None:
            self._down_from(roomy)
        if _feeding(self.case.network) is None:
            if self.best is None:
                self._mend(as_it_stands)
            if self.walks:
                self._walk_down(as_it_stands)

    def _mend(self, as_it_stands: Choice) -> None:
        """Without a plan yet: change one thing after the other where that brings the targets nearer."""
        if self.tried.get(as_it_stands) is None:
            del self.tried[as_it_stands]  # it was only known to fall short
        self.offer(as_it_stands)
        near = {choice: missed[0] for choice in list(self.tried) if (missed := self._missed(choice)) is not None}
        for start in sorted(near, key=near.__getitem__)[:_STARTS]:
            if self.best is not None or self.over:
                return
            mended(self.case, start, self._missed, partial(self._over_after, len(self.tried) + _MENDING))

    def _over_after(self, tried: int) -> bool:
        """Return whether the time is over, or more combinations than this were tried."""
        return self.over or len(self.tried) > tried

    def _missed(self, choice: Choice) -> tuple[float, Mapping[str, float]] | None:
        """Return by how much a combination misses all targets together, 0 where it stands, and its flows."""
        stands = self.offer(choice)
        found = self.tried[choice]
        if found is None:
            return None
        each = (want.miss(found.flows_m3_s[mode.name]) for mode in self.case.modes for want in mode.wants)
        return 0.0 if stands else found.miss + sum(each), found.flows_m3_s[self.case.modes[self.mode].name]

    def _walk_down(self, as_it_stands: Choice) -> None:
        """Take cheaper ways run by run, from the best so far and from the roomiest between the fittings that stand."""
        keeping = self._roomiest(as_it_stands, tees_stay=True)
        for start in dict.fromkeys([keeping, self.best]):
            if start is not None and self.offer(start):
                even = balanced(self.case, start, self._flows_that_stand, lambda: self.over)
                walked_down(self.case, even, self._flows_that_stand, lambda: self.over)

    def _flows_that_stand(self, choice: Choice) -> Mapping[str, float] | None:
        """Return the flows of a combination that stands."""
        if not self.offer(choice):
            return None
        found = self.tried[choice]
        return None if found is None else found.flows_m3_s[self.case.modes[self.mode].name]

    def offer(self, choice: Choice) -> bool:
        """Try a combination on the true network; keep it if it stands and is the cheapest yet."""
        if choice not in self.tried:
            kept = keeps_within(self.case, choice) and not (
                has_valves(self.case, choice) and surely_fails(self.case, choice)
            )
            duties = duties_of(self.case, choice)
            self.tried[choice] = settle_held(duties, self.case.allowances, self.case.conditions) if kept else None
        found = self.tried[choice]
        if found is None or not found.met:
            return False
        if self.best_cents is None or cents_of(self.case, choice) < self.best_cents:
            self.best, self.settled = choice, found
        return True

    def _roomiest(self, as_it_stands: Choice, tees_stay: bool = False) -> Choice | None:
        """Return a combination that stands and loses as little as may be, at the flows of what stands or its own.

        With `tees_stay` its fittings at the tees are those that stand.
        """
        choice = as_it_stands
        for _ in range(_TRIES):
            flows = self._flows_of(choice)
            if flows is None or self.over:
                break
            found = self._chosen(
                self._to_targets(_forwards(flows, self.case.network)), least_loss=True, tees_stay=tees_stay
            )
            if found is None or self.offer(found):
                return found
            choice = found
        return None

    def _down_from(self, roomy: Choice) -> None:
        """Look for cheaper combinations at the flows of one that stands, each time at those of the best one yet."""
        at = roomy
        for _ in range(_GUESSES):
            guess = self._guess(at)
            if guess is None or self.over:
                return
            for step in _STEPS:
                found = self._chosen({name: step * flow for name, flow in guess.items()}, least_loss=False)
                dear = found is None or (self.best_cents is not None and cents_of(self.case, found) >= self.best_cents)
                if found is None or dear or self.offer(found) or self.over:
                    break
            if self.best is None or self.best == at:
                return
            at = self.best

    def _guess(self, choice: Choice) -> dict[str, float] | None:
        """Return the flows of a combination held to its least flows, as far as its valves or less of all holds it.

        Where more flows are asked for than there are valves, these are not tried: it takes long, and luck.
        """
        duties, tried = duties_of(self.case, choice), self.tried[choice]
        asked = sum(want.low_m3_s > 0.0 for duty in duties for want in duty.wants)
        if tried is not None and asked > len(valved_runs(duties[0].network)):
            return self._to_targets(tried.flows_m3_s[duties[self.mode].name])
        held = [replace(duty, wants=tuple(map(_held, duty.wants))) for duty in duties]
        found = settle_held(held, self.case.allowances, self.case.conditions)
        if found is None:
            return None
        name = duties[self.mode].name
        if found.met:
            return dict(found.flows_m3_s[name])
        return self._to_targets((tried or found).flows_m3_s[name])

    def _to_targets(self, flows: Mapping[str, float]) -> dict[str, float]:
        """Return flows that come to the minimum flows, as near to being in proportion to these as may be.

        All whose water meets are made larger or smaller by one share; a run of a tree that then still has too little
        gets its own least flow, and those that feed it as much more.
        """
        wants = self.case.modes[self.mode].wants
        shares: dict[str, float] = {}
        for together in _together(self.case.network, wants):
            own = [w for w in wants if together & set(w.coefficients) and w.low_m3_s > 0.0 < w.amount_m3_s(flows)]
            most = max((w.low_m3_s / w.amount_m3_s(flows) for w in own), default=1.0)
            shares |= dict.fromkeys(together, min(most, _MOST_SHARE))
        out = {name: shares[name] * flow for name, flow in flows.items()}
        feeding = _feeding(self.case.network)
        if feeding is None:
            return out
        for want in wants:
            (name, *others) = want.coefficients
            if not others and want.coefficients[name] == 1.0 and out[name] < want.low_m3_s:
                more = want.low_m3_s - out[name]
                for run in (name, *feeding[name]):
                    out[run] += more
        return out

    def _flows_of(self, choice: Choice) -> Mapping[str, float] | None:
        try:
            return solve_network(built_network(self.case, choice, self.mode)).flows_m3_s
        except NetworkError:
            return None

    def _chosen(self, flows: Mapping[str, float], *, least_loss: bool, tees_stay: bool = False) -> Choice | None:
        """Return the cheapest combination whose losses fit at these flows, or the one that loses least."""
        case = self._carrying(flows, tees_stay)
        if not all(case.ways.values()) or not all(case.tees.values()):
            return None
        box = {(name, self.mode): (flow, flow) for name, flow in flows.items()}
        problem = bound_problem(case, {**self.case.ranges, **box}, self.mode)
        picked = _least_need(problem) if least_loss else _cheapest(problem)
        return None if picked is None else self._choice(case, *picked)

    def _carrying(self, flows: Mapping[str, float], tees_stay: bool) -> FlowCase:
        """Return the case with the ways that may carry these flows, and with all fittings or those that stand."""
        runs = {
            name: [k for k, way in enumerate(ways) if way.alternative.most_m3_s >= abs(flows[name])]
            for name, ways in self.case.ways.items()
        }
        tees = {
            point: [k for k, option in enumerate(found) if option.tee.existing or not tees_stay]
            for point, found in self.case.tees.items()
        }
        return narrowed(self.case, runs, tees)

    def _choice(self, case: FlowCase, runs: Mapping[str, int], tees: Mapping[str, int]) -> Choice:
        """Return a selection of the ways of a narrower case as a combination of this one, pumps at full speed."""
        ways = []
        for name, all_ways in self.case.ways.items():
            taken = case.ways[name][runs[name]]
            ways.append(next(k for k, way in enumerate(all_ways) if way is taken))
        speeds = [max(range(len(mode.speeds)), key=lambda k: sum(mode.speeds[k].values())) for mode in self.case.modes]
        fittings = []
        for point, options in self.case.tees.items():
            option = case.tees[point][tees[point]]
            fittings.append(next(k for k, other in enumerate(options) if other is option))
        return Choice(tuple(ways), tuple(fittings), tuple(speeds))


def _together(network: Network, wants: Sequence[Want]) -> list[set[str]]:
    """Return the runs in groups whose water meets at tees, or that one target is asked of."""
    groups: list[set[str]] = [{name} for name in network.runs]
    met = [{run.name for run, _, _ in network.runs_at(p.name)} for p in network.points.values() if not p.is_fixed]
    for joined in (*met, *(set(want.coefficients) for want in wants)):
        touched = [group for group in groups if group & joined]
        groups = [group for group in groups if not group & joined] + [set().union(*touched)]
    return groups


def _feeding(network: Network) -> dict[str, tuple[str, ...]] | None:
    """Return by run of a tree the runs that its water comes through; None where some point has more than one inlet."""
    into: dict[str, list[str]] = {}
    for run in network.runs.values():
        into.setdefault(run.end.point, []).append(run.name)
    inner = [point.name for point in network.points.values() if not point.is_fixed]
    if any(len(into.get(point, [])) != 1 for point in inner):
        return None
    found: dict[str, tuple[str, ...]] = {}
    for name, run in network.runs.items():
        before: list[str] = []
        point = run.start.point
        while not network.points[point].is_fixed and len(before) <= len(network.runs):
            before.append(into[point][0])
            point = network.runs[before[-1]].start.point
        if not network.points[point].is_fixed:
            return None
        found[name] = tuple(before)
    return found


Picked = tuple[Mapping[str, int], Mapping[str, int]]


def _cheapest(problem: SizingProblem) -> Picked | None:
    if problem.paths and is_tree(problem):
        found = cheapest_within(problem)
        return None if found is None else (found.run_choice, found.tee_choice)
    return _solved(problem)


def _least_need(problem: SizingProblem) -> Picked | None:
    if problem.paths and is_tree(problem):
        selections = MergedTables(problem).selections()
        return (selections[-1].run_choice, selections[-1].tee_choice) if selections else None
    return _solved(_priced_by_loss(problem))


def _priced_by_loss(problem: SizingProblem) -> SizingProblem:
    """Return the problem with all that runs and fittings lose as its price, and heads that limit nothing.

    The worst way of the water alone says nothing of the others: it may be a pump's own loop. Cents break ties.
    """
    runs = {name: tuple(replace(c, cents=c.loss + c.cents) for c in choices) for name, choices in problem.runs.items()}
    tees = {
        point: tuple(replace(c, cents=sum(c.losses.values()) + c.cents) for c in choices)
        for point, choices in problem.tees.items()
    }
    return replace(problem, runs=runs, tees=tees, paths=())


def _solved(problem: SizingProblem) -> Picked | None:
    try:
        found = solve_sizing(problem, time_limit_s=_SOLVER_S)
    except SolverError:
        return None
    return None if found.cents is None else (found.run_choice, found.tee_choice)


def _forwards(flows: Mapping[str, float], network: Network) -> dict[str, float]:
    """Return flows without what runs back where water only runs forwards."""
    one_way = {name for name, run in network.runs.items() if is_one_way(run, network) > 0}
    return {name: max(flow, 0.0) if name in one_way else flow for name, flow in flows.items()}


def _held(want: Want) -> Want:
    """Return a row that asks for hardly more than the least."""
    if want.low_m3_s <= 0.0:
        return want
    return replace(want, high_m3_s=min(want.high_m3_s, _ABOVE * want.low_m3_s))
