"""A MathOpt model, a solver's name → its answer, or how it ended without one; the first of several that answers."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from optimizer.clock import left_s, look
from optimizer.errors import SolverError
from optimizer.program.problem import Outcome

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Answer:
    """MathOpt's result; `ended` says how the solver ended where no solution is in it, None where one is."""

    result: Any
    ended: Outcome | None


def answer_of(model: Any, name: str, time_limit_s: float, *, cuts: bool = True) -> Answer:
    """Return what one solver answers, its gaps closed; without `cuts` it adds none of its own.

    Raises
    ------
    SolverError
        When the solver fails, or ends otherwise than with an answer, a proof that there is none or the time limit.
    """
    from ortools.math_opt.python import mathopt

    look()
    parameters = mathopt.SolveParameters(
        time_limit=datetime.timedelta(seconds=min(time_limit_s, left_s())),
        relative_gap_tolerance=0.0,
        absolute_gap_tolerance=0.0,
        cuts=None if cuts else mathopt.Emphasis.OFF,
    )
    if (
        name == "GSCIP"
    ):  # with it the solver called a plan optimal that was not: three lines that share nothing but money
        parameters.gscip.bool_params["constraints/linear/dualpresolving"] = False
    try:
        result = mathopt.solve(model, getattr(mathopt.SolverType, name), params=parameters)
    except Exception as error:  # the binding raises whatever the solver's wrapper raises
        raise SolverError(str(error)) from error
    reason = mathopt.TerminationReason
    if result.termination.reason in (reason.INFEASIBLE, reason.INFEASIBLE_OR_UNBOUNDED):
        return Answer(result, Outcome.INFEASIBLE)
    if result.has_primal_feasible_solution():
        return Answer(result, None)
    if result.termination.reason != reason.NO_SOLUTION_FOUND:
        raise SolverError(f"ended with {result.termination.reason.value}: {result.termination.detail}")
    return Answer(result, Outcome.NO_PLAN_FOUND)


def is_optimal(result: Any) -> bool:
    """Return whether the solver calls its solution optimal."""
    from ortools.math_opt.python import mathopt

    return bool(result.termination.reason == mathopt.TerminationReason.OPTIMAL)


def first_answer(names: Sequence[str], ask: Callable[[str], T], none: str = "no solver gave an answer") -> T:
    """Return what the first solver says that does not fail; SolverError with each one's words when all do."""
    failures: list[str] = []
    for name in names:
        try:
            return ask(name)
        except SolverError as error:
            failures.append(f"{name}: {error}")
    raise SolverError(f"{none}: " + "; ".join(failures))
