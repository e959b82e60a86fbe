"""Solve the program with MathOpt, and read the answer back without trusting the solver's arithmetic."""

from __future__ import annotations

from typing import Any

from optimizer.errors import SolverError
from optimizer.program.answers import answer_of, first_answer, is_optimal
from optimizer.program.build import SizingModel, build_sizing_model
from optimizer.program.problem import Outcome, Selection, SizingProblem, cost_of, exceeded, excess_of

SOLVERS = ("GSCIP", "HIGHS", "CP_SAT")  # in the order in which they are tried


def solve_sizing(
    problem: SizingProblem, *, solver: str | None = None, time_limit_s: float = 60.0, least_excess: bool = False
) -> Selection:
    """Solve a sizing problem and return the selection with what is proved about it.

    Parameters
    ----------
    problem
        Whole numbers only; every run needs at least one alternative.
    solver
        One of `SOLVERS`; None tries them in that order until one answers.
    time_limit_s
        Wall time for one solver [s].
    least_excess
        Minimise the worst path's excess of loss over head instead of the cost: `cents` then still is the selection's
        cost.

    Raises
    ------
    SolverError
        When no solver answers, or an answer breaks the problem's own rows.
    """
    if any(not choices for choices in [*problem.runs.values(), *problem.tees.values()]):
        return Selection(Outcome.INFEASIBLE, {}, {}, None, None, "none needed")
    built = build_sizing_model(problem, least_excess)
    return first_answer(
        (solver,) if solver else SOLVERS, lambda name: _solve_with(name, built, problem, time_limit_s, least_excess)
    )


def _solve_with(
    name: str, built: SizingModel, problem: SizingProblem, time_limit_s: float, least_excess: bool
) -> Selection:
    answer = answer_of(built.model, name, time_limit_s)
    if answer.ended is not None:
        return Selection(answer.ended, {}, {}, None, None, name)
    return _extract(name, built, problem, answer.result, least_excess)


def _extract(name: str, built: SizingModel, problem: SizingProblem, result: Any, least_excess: bool) -> Selection:
    values = result.variable_values()
    runs = {run: max(range(len(xs)), key=lambda k: values[xs[k]]) for run, xs in built.run_vars.items()}
    tees = {tee: max(range(len(ys)), key=lambda k: values[ys[k]]) for tee, ys in built.tee_vars.items()}
    if not least_excess and excess_of(problem, runs, tees) > 0:
        raise SolverError(f"the answer exceeds a head by {excess_of(problem, runs, tees)} loss units")
    if over := exceeded(problem, runs, tees):
        raise SolverError(f"the answer uses {', '.join(over)}")
    cents = cost_of(problem, runs, tees)
    optimal = is_optimal(result)
    bound = result.dual_bound()
    if not least_excess and cents > result.objective_value() + 0.5:
        raise SolverError(f"the answer costs {cents} cents, the solver said {result.objective_value()}")
    bound_cents = None if least_excess else (cents if optimal else max(0, int(-(-(bound - 1e-6) // 1))))
    return Selection(Outcome.OPTIMAL if optimal else Outcome.FEASIBLE, runs, tees, cents, bound_cents, name)
