"""A sizing problem with each set of packs opened → the bound and the reduced costs of its linear relaxation."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from optimizer.errors import SolverError
from optimizer.program.build import build_sizing_model
from optimizer.program.problem import SizingProblem

TOLERANCE_CENTS = 0.5  # reduced costs and bounds of the relaxation are good to far better than this


@dataclass(frozen=True)
class Branch:
    """The problem with one set of packs opened, its relaxation's bound, and reduced costs by run and tee."""

    problem: SizingProblem
    runs: Mapping[str, list[int]]  # original index of each choice
    tees: Mapping[str, list[int]]
    opening_cents: int
    bound: float
    run_costs: Mapping[str, list[float]]
    tee_costs: Mapping[str, list[float]]


def pack_branches(problem: SizingProblem) -> Iterable[Branch]:
    """Yield one branch for every set of packs whose relaxation has a solution."""
    for opened in range(1 << len(problem.packs)):
        cents = sum(price for i, price in enumerate(problem.packs) if opened >> i & 1)
        runs = {run: _within((choice.packs for choice in choices), opened) for run, choices in problem.runs.items()}
        tees = {tee: _within((choice.packs for choice in choices), opened) for tee, choices in problem.tees.items()}
        if all(runs.values()) and all(tees.values()):
            part = part_of(problem, runs, tees, opened)
            relaxed = _relaxation(part)
            if relaxed is not None:
                yield Branch(part, runs, tees, cents, relaxed[0] + cents, relaxed[1], relaxed[2])


def _within(packs: Iterable[int], opened: int) -> list[int]:
    return [i for i, bits in enumerate(packs) if not bits & ~opened]


def part_of(
    problem: SizingProblem, runs: Mapping[str, list[int]], tees: Mapping[str, list[int]], opened: int = 0
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
