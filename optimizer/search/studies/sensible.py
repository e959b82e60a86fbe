"""The plan that a careful person would choose: it works often, is quiet, and is built as the trade builds.

Whole legs in one size, opened up from the pump on, beside what stays; no single wide fittings. What carries most is
widened first: as flow only falls on its way from the pump, that is what lies next to it. For every size the fewest legs
are sought that serve; the cheapest of these plans is the one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from optimizer.choices.demands import flows_if_known
from optimizer.errors import NetworkError
from optimizer.hydraulics import solve_network
from optimizer.model.catalog import JOINERS, PIPES, Kind
from optimizer.model.kinds import MACHINES
from optimizer.model.network import Condition, Network, Part, Run
from optimizer.model.note import note
from optimizer.model.plan import Plan
from optimizer.model.rules import LARGER_SIZES, QUIET_M_S
from optimizer.model.system import System
from optimizer.search.engine import solve
from optimizer.search.question import Answer, Question

OFTEN = 0.8  # of all cases: what a careful person would ask for; common practice, no source
_MOST_SIZES = 2  # of pipe that is bought
_LEFT_OUT = note("other sets of legs")
_SHARE = 0.3  # of the time left, for one set of legs
_SAME = 1e-6  # flows as good as equal: such legs are widened together


def sensible(question: Question) -> tuple[Answer | None, bool]:
    """Return the sensible plan for a question's system, None where none was found, and whether that is settled."""
    study = _Sensible(question, _careful(question.system))
    return study.find(), study.settled


def _careful(system: System) -> System:
    rules = system.rules
    limit, certainty = min(rules.velocity_limit_m_s, QUIET_M_S), max(rules.certainty, OFTEN)
    return replace(system, rules=replace(rules, velocity_limit_m_s=limit, certainty=certainty), second_pump=None)


def _from_the_pump_on(system: System) -> list[tuple[str, ...]]:
    """Return the runs of the plan in groups of one flow, the largest first."""
    known = flows_if_known(system)
    try:
        flows: Mapping[str, float] = known.flows_m3_s if known else solve_network(system.network).flows_m3_s
    except NetworkError:
        return []
    planned = [name for part in system.planned_parts for name in part if flows.get(name, 0.0) > 0.0]
    groups: list[tuple[str, ...]] = []
    for name in sorted(planned, key=lambda run: -flows[run]):
        if groups and flows[name] >= flows[groups[-1][0]] * (1.0 - _SAME):
            groups[-1] = (*groups[-1], name)
        else:
            groups.append((name,))
    return groups


def _sizes(question: Question, network: Network) -> Iterator[str]:
    """Yield the sizes that legs may be widened to: those that the rules allow and that some run has not yet."""
    rules, steps = question.system.rules, dict[str, int]()
    for run in network.runs.values() if rules.resize else ():
        names = _sizes_of(question, run)
        if run.size in names:
            larger = names[names.index(run.size) + 1 :]
            for size in [size for size in larger if size in rules.sizes] if rules.sizes else larger[:LARGER_SIZES]:
                steps[size] = names.index(size)
    yield from sorted(steps, key=lambda size: steps[size])


def _sizes_of(question: Question, run: Run) -> list[str]:
    """Return the sizes that the catalogs know of what a run is made of, rising."""
    return list(dict.fromkeys(item.ends[0].size for item in question.catalog.pipes_known(run.family)))


class _Sensible:
    """One study: `settled` as long as every set of legs that was asked for has its plan or the proof of none."""

    def __init__(self, question: Question, careful: System) -> None:
        self.question, self.careful = question, careful
        self.settled = True

    def find(self) -> Answer | None:
        as_it_is = self._asked((), "", None)
        if as_it_is is not None:
            return as_it_is
        groups, best = _from_the_pump_on(self.careful), None
        for size in _sizes(self.question, self.careful.network):
            found = self._fewest_legs(groups, size, best)
            if found is not None:  # a larger size is only cheaper where it takes fewer legs
                groups, best = groups[: found[0] - 1], found[1]
        return None if best is None else replace(best, plan=replace(best.plan, left_out=(_LEFT_OUT,)))

    def _fewest_legs(self, groups: list[tuple[str, ...]], size: str, best: Answer | None) -> tuple[int, Answer] | None:
        """Return (how many groups, plan) of the fewest legs in one size that serve, fewer than the best so far.

        A leg of a family that is not made in the size is left as it is.
        """
        runs = self.careful.network.runs
        made = {name for group in groups for name in group if size in _sizes_of(self.question, runs[name])}
        for count in range(1, len(groups) + 1):
            if made.isdisjoint(groups[count - 1]):
                continue  # nothing more to be widened
            legs = tuple(name for group in groups[:count] for name in group if name in made)
            there = self._asked(legs, size, best)
            if there is not None:
                return count, there
        return None

    def _asked(self, legs: tuple[str, ...], size: str, best: Answer | None) -> Answer | None:
        """Return the answer where just these legs are built anew in a size, all else kept; None: no time, or none."""
        if self.question.clock.over:
            self.settled = False
            return None
        built = _in_one_size(self.careful, legs, size)
        ceiling = None if best is None else best.cents
        share = _SHARE * self.question.share
        asked = replace(self.question, system=built, ceiling_cents=ceiling, with_reasons=False, share=share)
        there = solve(asked)
        self.settled = self.settled and (there.found or there.proved_none)
        return there if there.found and _few_sizes(there.plan) else None


def _in_one_size(system: System, legs: tuple[str, ...], size: str) -> System:
    """Return the system with every leg that is smaller to be built anew in a size, and everything else kept."""
    network = system.network
    kept = pipe_kept(system, but=PIPES | JOINERS).network  # what stays is joined anew where it ends
    runs = {name: _torn_out(network.runs[name], size) for name in legs if network.runs[name].size != size}
    rules = replace(system.rules, resize=False)  # no other sizes: of what is torn out the new one is its own
    return replace(system, network=replace(kept.with_runs(runs), tees=network.tees), rules=rules)


def _torn_out(run: Run, size: str) -> Run:
    """Return a run that is of this size, all that may change in it to be taken out."""

    def gone(part: Part) -> Part:
        stays = part.kind in MACHINES or part.condition is not Condition.MAY_CHANGE
        wide = part.kind in PIPES and all(end.size == size for end in part.ends)
        return part if stays or wide else replace(part, condition=Condition.MUST_GO)

    return replace(run, size=size, parts=tuple(gone(part) for part in run.parts))


def _few_sizes(plan: Plan) -> bool:
    bought = [part for run in plan.runs.values() for part in run.parts if part.kind in PIPES and not part.existing]
    return len({part.ends[0].size for part in bought}) <= _MOST_SIZES


def pipe_kept(system: System, but: frozenset[Kind] = frozenset()) -> System:
    """Return the system with all parts kept but what must go, is not connected yet, or is of these kinds."""

    def kept(run: Run) -> Run:
        may = (Condition.MAY_CHANGE,)
        return replace(
            run,
            parts=tuple(
                replace(part, condition=Condition.KEEP)
                if part.condition in may and part.kind not in but | {Kind.OPEN_JOINT}
                else part
                for part in run.parts
            ),
        )

    network = system.network
    tees = {
        name: replace(tee, condition=Condition.KEEP) if tee.condition is Condition.MAY_CHANGE else tee
        for name, tee in network.tees.items()
    }
    runs = {name: kept(run) for name, run in network.runs.items()}
    return replace(system, network=replace(network.with_runs(runs), tees=tees))
