"""Solve a sizing problem on the few alternatives that can be in an optimum, with the same proof as on all of them.

Branch on which packs are opened. In a branch the linear relaxation gives a bound and reduced costs; a plan that is
cheaper than one already known can not use an alternative whose reduced cost exceeds the difference (reduced-cost
fixing; e.g. Nemhauser and Wolsey, Integer and Combinatorial Optimization, 1988, section II.5.2, from memory).
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from optimizer.errors import SolverError
from optimizer.program.build import build_sizing_model
from optimizer.program.merge import efficient_selections
from optimizer.program.problem import Outcome, Selection, SizingProblem

FIRST_ALTERNATIVES = (150, 500)  # how many alternatives the first, quick programs of a branch get
TOLERANCE_CENTS = 0.5  # reduced costs and bounds of the relaxation are good to far better than this
Solve = Callable[[SizingProblem, float], Selection]


@dataclass(frozen=True)
class _Branch:
    """The problem with one set of packs opened, its relaxation's bound, and reduced costs by run and tee."""

    problem: SizingProblem
    runs: Mapping[str, list[int]]  # original index of each choice
    tees: Mapping[str, list[int]]
    opening_cents: int
    bound: float
    run_costs: Mapping[str, list[float]]
    tee_costs: Mapping[str, list[float]]


def solve_narrowed(
    problem: SizingProblem, solve: Solve, time_limit_s: float, most_cents: int | None = None
) -> Selection:
    """Return the least-cost selection, proved over all alternatives but solved on few.

    Parameters
    ----------
    problem
        Whole numbers only.
    solve
        Solves a (smaller) problem without packs to optimality within a time [s].
    time_limit_s
        Wall time for all branches together [s]; when it runs out the bound is that of what is left open.
    most_cents
        Plans that cost more are of no interest: INFEASIBLE then means that none costs as little.
    """
    until = time.monotonic() + time_limit_s
    least = math.inf if most_cents is None else most_cents + 1.0
    best = _merged(problem, least)
    least = least if best is None else _cents(best)
    open_bounds: list[float] = []
    for branch in sorted(pack_branches(problem), key=lambda branch: branch.bound):
        if branch.bound > least - 1 + TOLERANCE_CENTS:
            continue
        found, bound = _solve_branch(branch, least, solve, until)
        if found is not None:
            best, least = found, _cents(found)
        if bound is not None:
            open_bounds.append(bound)
    if best is None:
        outcome = Outcome.NO_PLAN_FOUND if open_bounds else Outcome.INFEASIBLE
        return Selection(outcome, {}, {}, None, None, "relaxation")
    bound_cents = min([_cents(best), *(math.ceil(value - TOLERANCE_CENTS) for value in open_bounds)])
    outcome = Outcome.OPTIMAL if bound_cents == _cents(best) else Outcome.FEASIBLE
    return replace(best, outcome=outcome, bound_cents=bound_cents)


def _merged(problem: SizingProblem, least: float) -> Selection | None:
    """Return what the merged tables of the tree give below `least` [cents]: a start that the program then proves."""
    head = max(path.head for path in problem.paths)
    for found in efficient_selections(problem, head):
        if found.need <= head and found.cents < least:
            return Selection(Outcome.FEASIBLE, found.run_choice, found.tee_choice, found.cents, None, "merged tables")
    return None


def _cents(selection: Selection) -> int:
    assert selection.cents is not None
    return selection.cents


def pack_branches(problem: SizingProblem) -> Iterable[_Branch]:
    """Yield one branch for every set of packs whose relaxation has a solution."""
    for opened in range(1 << len(problem.packs)):
        cents = sum(price for i, price in enumerate(problem.packs) if opened >> i & 1)
        runs = {run: _within((choice.packs for choice in choices), opened) for run, choices in problem.runs.items()}
        tees = {tee: _within((choice.packs for choice in choices), opened) for tee, choices in problem.tees.items()}
        if all(runs.values()) and all(tees.values()):
            part = _part_of(problem, runs, tees, opened)
            relaxed = _relaxation(part)
            if relaxed is not None:
                yield _Branch(part, runs, tees, cents, relaxed[0] + cents, relaxed[1], relaxed[2])


def _within(packs: Iterable[int], opened: int) -> list[int]:
    return [i for i, bits in enumerate(packs) if not bits & ~opened]


def _part_of(
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


def _solve_branch(branch: _Branch, least: float, solve: Solve, until: float) -> tuple[Selection | None, float | None]:
    """Return a selection of a branch that costs less than `least`, if any, and the bound left open, if any."""
    best: Selection | None = None
    steps = [_few(branch, count) for count in FIRST_ALTERNATIVES] if math.isinf(least) else []
    for most in [*steps, math.inf]:
        useful = least - 1 - branch.bound + TOLERANCE_CENTS
        found = _solve_within(branch, min(most, useful), solve, until)
        if found is not None and found.cents is not None and found.cents < least:
            best, least = found, found.cents
    proved = found is None or found.outcome in (Outcome.OPTIMAL, Outcome.INFEASIBLE)
    return best, None if proved else branch.bound


def _few(branch: _Branch, count: int) -> float:
    """Return the reduced cost up to which a quick program takes its alternatives."""
    costs = sorted(cost for group in [*branch.run_costs.values(), *branch.tee_costs.values()] for cost in group)
    return costs[min(len(costs), count) - 1]


def _solve_within(branch: _Branch, most: float, solve: Solve, until: float) -> Selection | None:
    """Solve a branch on the alternatives of at most this reduced cost; None when no plan is made of them."""
    runs = {run: [i for i, cost in enumerate(costs) if cost <= most] for run, costs in branch.run_costs.items()}
    tees = {tee: [i for i, cost in enumerate(costs) if cost <= most] for tee, costs in branch.tee_costs.items()}
    if not all(runs.values()) or not all(tees.values()):
        return None
    small = solve(_part_of(branch.problem, runs, tees), max(0.1, until - time.monotonic()))
    if small.cents is None:
        return None if small.outcome is Outcome.INFEASIBLE else small
    run_choice = {run: branch.runs[run][runs[run][k]] for run, k in small.run_choice.items()}
    tee_choice = {tee: branch.tees[tee][tees[tee][k]] for tee, k in small.tee_choice.items()}
    return replace(small, run_choice=run_choice, tee_choice=tee_choice, cents=small.cents + branch.opening_cents)
