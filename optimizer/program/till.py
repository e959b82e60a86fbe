"""The choice that costs least at the till: pipe in the lengths in which it is sold, not by the length used.

What a stick is cut into is the take-off's business: here only all sticks of a pipe together must be as long as all its
pieces. So the least cost found is one that no bill of these choices is under.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from optimizer.program.build import SizingModel, build_sizing_model
from optimizer.program.problem import Selection, SizingProblem
from optimizer.program.solve import solve_model


@dataclass(frozen=True)
class PipeSold:
    """How pipe is used and sold. All lengths in whole millimetres, by item id.

    Attributes
    ----------
    used
        By run and alternative: the pipe that it takes, rounded up.
    cents
        By run and alternative: what the alternative's cost counts for that pipe.
    sticks
        Of every pipe the lengths in which it is sold, rounded down, with their price in whole cents.
    owned
        What lies there already.
    """

    used: Mapping[str, tuple[Mapping[str, int], ...]]
    cents: Mapping[str, tuple[int, ...]]
    sticks: Mapping[str, tuple[tuple[int, int], ...]]
    owned: Mapping[str, int]


def solve_at_till(
    problem: SizingProblem, pipe: PipeSold, *, solver: str | None = None, time_limit_s: float = 60.0
) -> Selection:
    """Return the selection that costs least where pipe is bought in sticks; `cents` still is by the length used.

    Parameters
    ----------
    problem
        Whole numbers only; every run and tee has a choice.
    pipe
        The pipe of every alternative, and how it is sold.
    solver, time_limit_s
        As for `solve_sizing`.

    Raises
    ------
    SolverError
        When no solver answers.
    """
    built = build_sizing_model(problem)
    _sell_in_sticks(built, problem, pipe)
    return solve_model(built, problem, solver, time_limit_s, by_cost=False)


def _sell_in_sticks(built: SizingModel, problem: SizingProblem, pipe: PipeSold) -> None:
    """Charge sticks in place of lengths: all sticks of a pipe are as long as its pieces, less what is owned."""
    from ortools.math_opt.python import mathopt

    used: dict[str, list[Any]] = {}
    change: list[Any] = []
    for run in problem.runs:
        for variable, lengths, cents in zip(built.run_vars[run], pipe.used[run], pipe.cents[run], strict=True):
            change.append(-cents * variable)
            for item, length_mm in lengths.items():
                used.setdefault(item, []).append(length_mm * variable)
    for item, terms in used.items():
        bought = []
        for length_mm, cents in pipe.sticks[item]:
            count = built.model.add_integer_variable(lb=0.0, name=f"{item} {length_mm} mm")
            bought.append(length_mm * count)
            change.append(cents * count)
        left = mathopt.fast_sum(bought) + pipe.owned.get(item, 0) - mathopt.fast_sum(terms)
        built.model.add_linear_constraint(left >= 0)
    built.model.minimize(built.cost + mathopt.fast_sum(change))
