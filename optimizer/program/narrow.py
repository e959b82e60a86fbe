"""Solve a sizing problem on the few alternatives that can be in an optimum, with the same proof as on all of them.

In a tree where head alone is limited, merged tables tell what a plan costs at least with any alternative, to the cent.
The program gets those that can be in a plan about as cheap as the cheapest, and must agree with the tables.

Elsewhere branch on which packs are opened. In a branch the linear relaxation gives a bound and reduced costs; a plan
cheaper than one already known can not use an alternative whose reduced cost exceeds the difference (reduced-cost
fixing; e.g. Nemhauser and Wolsey, Integer and Combinatorial Optimization, 1988, section II.5.2, from memory).
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import replace

from optimizer.errors import SolverError
from optimizer.program.branches import TOLERANCE_CENTS, Branch, pack_branches, part_of
from optimizer.program.merge import MergedTables, greatest_head
from optimizer.program.problem import Outcome, Selection, SizingProblem
from optimizer.program.through import is_tree, through_costs

FEW_ALTERNATIVES = 200  # about how many alternatives the program gets where the tables tell what can be in an optimum
_NEARLY = 1.1  # ... of those in plans that cost at most so many times what the cheapest does
FIRST_ALTERNATIVES = (150, 500)  # how many the first, quick programs of a branch get elsewhere
Solve = Callable[[SizingProblem, float], Selection]


def solve_narrowed(
    problem: SizingProblem,
    solve: Solve,
    time_limit_s: float,
    most_cents: int | None = None,
    tables: MergedTables | None = None,
) -> Selection:
    """Return the least-cost selection, proved over all alternatives but solved on few.

    Parameters
    ----------
    problem
        Whole numbers only; a tree.
    solve
        Solves a (smaller) problem to optimality within a time [s].
    time_limit_s
        Wall time for all programs together [s]; when it runs out the bound is that of what is left open.
    most_cents
        Plans that cost more are of no interest: INFEASIBLE then means that none costs as little.
    tables
        Merged tables of the same choices, where they are known already.
    """
    tables = MergedTables(problem, greatest_head(problem)) if tables is None else tables.at(problem)
    if is_tree(problem) and not problem.limits:
        return _solve_tree(problem, solve, time_limit_s, most_cents, tables)
    return _solve_branches(problem, solve, time_limit_s, most_cents, tables)


def _solve_tree(
    problem: SizingProblem, solve: Solve, time_limit_s: float, most_cents: int | None, tables: MergedTables
) -> Selection:
    """Return the cheapest selection of the tables once a program on what can be in one as cheap has confirmed it."""
    best = _merged(problem, tables, math.inf if most_cents is None else most_cents + 1.0)
    costs = None if best is None else through_costs(problem, tables, math.floor(_NEARLY * _cents(best)))
    if costs is None or best is None:
        return Selection(Outcome.INFEASIBLE, {}, {}, None, None, "merged tables")
    runs, tees = costs.useful(max(costs.bound, costs.cheapest(FEW_ALTERNATIVES)))
    few = replace(
        problem,
        runs={run: tuple(problem.runs[run][k] for k in kept) for run, kept in runs.items()},
        tees={tee: tuple(problem.tees[tee][k] for k in kept) for tee, kept in tees.items()},
    )
    return _confirmed(best, costs.bound, solve(few, time_limit_s))


def _confirmed(best: Selection, bound: float, found: Selection) -> Selection:
    """Return the selection of the tables with what the program proves of it; SolverError where the two disagree."""
    cents = _cents(best)
    if cents != bound or (found.outcome is Outcome.OPTIMAL and found.cents != cents) or _cheaper(found, cents):
        raise SolverError(f"{found.solver} has {found.cents} cents for the least, the tables {cents} and {bound}")
    if found.outcome is Outcome.INFEASIBLE:
        raise SolverError(f"{found.solver} finds no plan where the tables have one for {cents} cents")
    bound_cents = cents if found.outcome is Outcome.OPTIMAL else min(cents, found.bound_cents or 0)
    outcome = Outcome.OPTIMAL if bound_cents == cents else Outcome.FEASIBLE
    return replace(best, outcome=outcome, bound_cents=bound_cents, solver=found.solver)


def _cheaper(found: Selection, cents: int) -> bool:
    return found.cents is not None and found.cents < cents


def _solve_branches(
    problem: SizingProblem, solve: Solve, time_limit_s: float, most_cents: int | None, tables: MergedTables
) -> Selection:
    """Return the least-cost selection, sought in one branch for every set of packs, the most promising first."""
    until = time.monotonic() + time_limit_s
    least = math.inf if most_cents is None else most_cents + 1.0
    best = _merged(problem, tables, least)
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


def _merged(problem: SizingProblem, tables: MergedTables, least: float) -> Selection | None:
    """Return what the merged tables of the tree give below `least` [cents]: a start that the program then proves."""
    head = greatest_head(problem)
    for found in tables.selections():
        if found.need <= head and found.cents < least:
            return Selection(Outcome.FEASIBLE, found.run_choice, found.tee_choice, found.cents, None, "merged tables")
    return None


def _cents(selection: Selection) -> int:
    assert selection.cents is not None
    return selection.cents


def _solve_branch(branch: Branch, least: float, solve: Solve, until: float) -> tuple[Selection | None, float | None]:
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


def _few(branch: Branch, count: int) -> float:
    """Return the reduced cost up to which a quick program takes its alternatives."""
    costs = sorted(cost for group in [*branch.run_costs.values(), *branch.tee_costs.values()] for cost in group)
    return costs[min(len(costs), count) - 1]


def _solve_within(branch: Branch, most: float, solve: Solve, until: float) -> Selection | None:
    """Solve a branch on the alternatives of at most this reduced cost; None when no plan is made of them."""
    runs = {run: [i for i, cost in enumerate(costs) if cost <= most] for run, costs in branch.run_costs.items()}
    tees = {tee: [i for i, cost in enumerate(costs) if cost <= most] for tee, costs in branch.tee_costs.items()}
    if not all(runs.values()) or not all(tees.values()):
        return None
    small = solve(part_of(branch.problem, runs, tees), max(0.1, until - time.monotonic()))
    if small.cents is None:
        return None if small.outcome is Outcome.INFEASIBLE else small
    run_choice = {run: branch.runs[run][runs[run][k]] for run, k in small.run_choice.items()}
    tee_choice = {tee: branch.tees[tee][tees[tee][k]] for tee, k in small.tee_choice.items()}
    return replace(small, run_choice=run_choice, tee_choice=tee_choice, cents=small.cents + branch.opening_cents)
