"""A solver that fails or talks nonsense: the next one is asked, and if none answers the error is our own."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from flow_cases import random_case
from ortools.math_opt.python import mathopt
from small_trees import random_tree, small_catalog

from optimizer.errors import PlanError, SolverError
from optimizer.program.problem import Outcome, Path, RunChoice, SizingProblem
from optimizer.program.relaxation import FLOW_SOLVERS, solve_relaxation
from optimizer.program.solve import SOLVERS, solve_sizing
from optimizer.search.flow_posing import flow_problem
from optimizer.search.unknown_flows import find_unknown

# two ways: 700 cents that lose 5 units, 300 cents that lose 9; only 6 are there
GOOD, LOSSY = RunChoice(0, 0, 700, 5), RunChoice(0, 0, 300, 9)
PATHS = (Path("line", ("line",), (), 6),)
PROBLEM = SizingProblem({"line": (GOOD, LOSSY)}, {}, PATHS)
Solve = Callable[..., Any]


def broken(*names: str, how: Solve) -> Solve:
    """Return `mathopt.solve` with these solvers broken in one way."""
    real, kinds = mathopt.solve, [getattr(mathopt.SolverType, name) for name in names]

    def solve(model: Any, kind: Any, **words: Any) -> Any:
        return how(model) if kind in kinds else real(model, kind, **words)

    return solve


def raising(_: Any) -> Any:
    raise RuntimeError("out of memory")


def answering(value: float, objective: float) -> Solve:
    """Return a solver that says the same value of every variable, and calls that optimal."""

    def solve(model: Any) -> Any:
        return SimpleNamespace(
            termination=SimpleNamespace(reason=mathopt.TerminationReason.OPTIMAL, detail=""),
            has_primal_feasible_solution=lambda: True,
            variable_values=lambda: dict.fromkeys(model.variables(), value),
            objective_value=lambda: objective,
            dual_bound=lambda: objective,
        )

    return solve


def test_where_the_first_solver_raises_the_next_one_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mathopt, "solve", broken(SOLVERS[0], how=raising))

    found = solve_sizing(PROBLEM)

    assert (found.outcome, found.cents, found.solver) == (Outcome.OPTIMAL, 700, SOLVERS[1])


def test_where_every_solver_raises_the_error_names_each_with_its_own_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mathopt, "solve", broken(*SOLVERS, how=raising))

    with pytest.raises(SolverError, match="no solver gave an answer") as told:
        solve_sizing(PROBLEM)

    assert all(f"{name}: out of memory" in str(told.value) for name in SOLVERS)


def test_a_choice_that_breaks_a_row_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    swapped = SizingProblem({"line": (LOSSY, GOOD)}, {}, PATHS)  # of equal values the first counts as chosen
    monkeypatch.setattr(mathopt, "solve", broken("GSCIP", how=answering(1.0, 300.0)))

    with pytest.raises(SolverError, match="exceeds a head by 3 loss units"):
        solve_sizing(swapped, solver="GSCIP")


def test_a_choice_that_costs_more_than_the_solver_says_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mathopt, "solve", broken("GSCIP", how=answering(0.0, 0.0)))

    with pytest.raises(SolverError, match="the answer costs 700 cents, the solver said 0"):
        solve_sizing(PROBLEM, solver="GSCIP")


@pytest.mark.parametrize("value", [0.0, math.nan, 1.0])
def test_a_relaxation_that_makes_no_sense_is_refused(monkeypatch: pytest.MonkeyPatch, value: float) -> None:
    case = random_case(27)
    problem = flow_problem(case, case.ranges)
    monkeypatch.setattr(mathopt, "solve", broken(*FLOW_SOLVERS, how=answering(value, -1e6)))

    with pytest.raises(SolverError, match="the solver said" if value == 1.0 else "chooses nothing"):
        solve_relaxation(problem)


def test_a_solver_of_whole_numbers_is_refused_where_flows_are_unknown_with_those_that_can() -> None:
    system = random_tree(1, small_catalog())

    with pytest.raises(PlanError, match=r"cp_sat works in whole numbers alone, .*; take gscip or highs"):
        find_unknown(system, small_catalog(), solver="CP_SAT")
