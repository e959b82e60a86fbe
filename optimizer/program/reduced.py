"""Which alternatives can still be in a plan below a given cost: reduced costs of the linear relaxation."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from optimizer.errors import SolverError
from optimizer.program.problem import SizingProblem
from optimizer.program.solve import build_sizing_model

TOLERANCE_CENTS = 0.5  # reduced costs and bounds of the relaxation are good to far better than this


@dataclass(frozen=True)
class ReducedCosts:
    """What a plan costs at least [cents] if it uses an alternative: by run or tee and index; endless if none can."""

    bound: float
    runs: Mapping[str, list[float]]
    tees: Mapping[str, list[float]]

    def useful(self, most_cents: float) -> tuple[dict[str, list[int]], dict[str, list[int]]]:
        """Return the indices of what can be in a plan of at most this cost."""

        def kept(group: Mapping[str, list[float]]) -> dict[str, list[int]]:
            limit = most_cents + TOLERANCE_CENTS
            return {name: [i for i, least in enumerate(costs) if least <= limit] for name, costs in group.items()}

        return kept(self.runs), kept(self.tees)

    @property
    def count(self) -> int:
        """Return how many alternatives can be in a plan at all."""
        groups = (self.runs, self.tees)
        return sum(math.isfinite(cost) for group in groups for costs in group.values() for cost in costs)

    def within(self, most_cents: float) -> int:
        """Return how many alternatives can be in a plan of at most this cost."""
        groups = (self.runs, self.tees)
        return sum(cost <= most_cents + TOLERANCE_CENTS for group in groups for each in group.values() for cost in each)

    def cheapest(self, count: int) -> float:
        """Return the cost up to which about so many alternatives are useful."""
        costs = sorted(cost for group in (self.runs, self.tees) for each in group.values() for cost in each)
        finite = [cost for cost in costs if math.isfinite(cost)]
        return finite[min(count, len(finite)) - 1] if finite else math.inf


def reduced_costs(problem: SizingProblem) -> ReducedCosts | None:
    """Return the bound of the relaxation and, for every alternative, the bound with it; None when nothing serves.

    Over all sets of packs that a plan may open; within a set the bound of an alternative is that of the relaxation
    and its reduced cost (e.g. Nemhauser and Wolsey, Integer and Combinatorial Optimization, 1988, section II.5.2, from
    memory).
    """
    runs = {run: [math.inf] * len(choices) for run, choices in problem.runs.items()}
    tees = {tee: [math.inf] * len(choices) for tee, choices in problem.tees.items()}
    bound = math.inf
    for opened in range(1 << len(problem.packs)):
        opening = sum(price for i, price in enumerate(problem.packs) if opened >> i & 1)
        own_runs = {run: _within((choice.packs for choice in choices), opened) for run, choices in problem.runs.items()}
        own_tees = {tee: _within((choice.packs for choice in choices), opened) for tee, choices in problem.tees.items()}
        if not all(own_runs.values()) or not all(own_tees.values()):
            continue
        relaxed = _relaxation(_part_of(problem, own_runs, own_tees, opened))
        if relaxed is None:
            continue
        least, run_costs, tee_costs = relaxed[0] + opening, relaxed[1], relaxed[2]
        bound = min(bound, least)
        for all_costs, kept, costs in ((runs, own_runs, run_costs), (tees, own_tees, tee_costs)):
            for name, indices in kept.items():
                for i, cost in zip(indices, costs[name], strict=True):
                    all_costs[name][i] = min(all_costs[name][i], least + max(cost, 0.0))
    return ReducedCosts(bound, runs, tees) if math.isfinite(bound) else None


def _within(packs: Iterable[int], opened: int) -> list[int]:
    return [i for i, bits in enumerate(packs) if not bits & ~opened]


def _part_of(
    problem: SizingProblem, runs: Mapping[str, list[int]], tees: Mapping[str, list[int]], opened: int
) -> SizingProblem:
    """Return the problem with only these choices, these packs (bits) opened and no others to open."""
    return SizingProblem(
        runs={run: tuple(problem.runs[run][i] for i in kept) for run, kept in runs.items()},
        tees={tee: tuple(problem.tees[tee][i] for i in kept) for tee, kept in tees.items()},
        paths=problem.paths,
        limits=tuple(limit.with_opened(opened) for limit in problem.limits),
    )


def _relaxation(problem: SizingProblem) -> tuple[float, dict[str, list[float]], dict[str, list[float]]] | None:
    """Return bound and reduced costs of the linear relaxation, None when it has no solution."""
    from ortools.math_opt.python import mathopt

    built = build_sizing_model(problem)
    for variable in built.model.variables():
        variable.integer = False
    try:
        result = mathopt.solve(built.model, mathopt.SolverType.GLOP)
    except Exception as error:  # the binding raises whatever the solver's wrapper raises
        raise SolverError(f"the relaxation: {error}") from error
    reason = mathopt.TerminationReason
    if result.termination.reason in (reason.INFEASIBLE, reason.INFEASIBLE_OR_UNBOUNDED):
        return None
    if result.termination.reason != reason.OPTIMAL:
        raise SolverError(f"the relaxation ended with {result.termination.reason.value}: {result.termination.detail}")
    costs = result.reduced_costs()

    def of(variables: Mapping[str, list[Any]]) -> dict[str, list[float]]:
        return {name: [costs[variable] for variable in group] for name, group in variables.items()}

    return result.objective_value(), of(built.run_vars), of(built.tee_vars)
