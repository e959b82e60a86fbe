"""Lines of a list with what each store asks for them → which store each is bought at, at the least cost, proved."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from optimizer.errors import SolverError
from optimizer.program.answers import answer_of, first_answer, is_optimal
from optimizer.program.problem import Outcome

_SOLVERS = ("HIGHS", "GSCIP")
_TIME_S = 20.0


@dataclass(frozen=True, slots=True)
class Terms:
    """What an order at a store costs beside its lines [cents]: charged is no less than `least`, and `delivery`."""

    least: int = 0
    delivery: int = 0

    def charged(self, lines_cents: int, is_used: bool) -> int:
        """Return what is paid at the store for lines that come to so much [cents]; nothing where none is bought."""
        return max(lines_cents, self.least) + self.delivery if is_used else 0


@dataclass(frozen=True, slots=True)
class Split:
    """The store of every line, by its place in the list of stores, and what that costs with all charges [cents].

    No other split of the same lines costs less than `bound_cents`.
    """

    stores: tuple[int, ...]
    cents: int
    bound_cents: int


def cents_of(lines: Sequence[Sequence[int | None]], terms: Sequence[Terms], stores: Sequence[int]) -> int:
    """Return what a split costs [cents], each line bought at the store named for it."""
    total = 0
    for store, own in enumerate(terms):
        bought = [line[store] or 0 for line, at in zip(lines, stores, strict=True) if at == store]
        total += own.charged(sum(bought), bool(bought))
    return total


def solve_split(lines: Sequence[Sequence[int | None]], terms: Sequence[Terms]) -> Split | None:
    """Return the cheapest split of a list between stores; None where a line can be had at none of them.

    Sets        l in lines, s in stores
    Parameters  price[l,s] (cents; a pair without one is left out), least[s], delivery[s] (cents)
    Variables   at[l,s] in {0, 1}, used[s] in {0, 1}, short[s] >= 0

    min   sum price[l,s] at[l,s] + sum delivery[s] used[s] + sum short[s]
    s.t.  sum_s at[l,s] = 1                                            for each line      (bought_once)
          used[s] >= at[l,s]                                           for each pair      (opened)
          short[s] >= least[s] used[s] - sum_l price[l,s] at[l,s]      for each store     (charged)

    Parameters
    ----------
    lines
        What each store asks for each line, all of its pieces together [cents]; None: it does not have it.
    terms
        What an order at each store costs beside.

    Raises
    ------
    SolverError
        When no solver answers.
    """
    if any(all(price is None for price in line) for line in lines):
        return None
    if not lines:
        return Split((), 0, 0)
    return first_answer(_SOLVERS, lambda name: _answered(lines, terms, name))


def _answered(lines: Sequence[Sequence[int | None]], terms: Sequence[Terms], name: str) -> Split:
    from ortools.math_opt.python import mathopt

    model = mathopt.Model()
    at = [[None if price is None else model.add_binary_variable() for price in line] for line in lines]
    cost = []
    for each in at:
        model.add_linear_constraint(mathopt.fast_sum([one for one in each if one is not None]) == 1.0)
    for store, own in enumerate(terms):
        used, short = model.add_binary_variable(), model.add_variable(lb=0.0)
        bought = []
        for line, each in zip(lines, at, strict=True):
            one, price = each[store], line[store]
            if one is not None and price is not None:
                model.add_linear_constraint(used - one >= 0.0)
                bought.append(price * one)
        spent = mathopt.fast_sum(bought)
        model.add_linear_constraint(short + spent - own.least * used >= 0.0)
        cost += [spent, own.delivery * used, short]
    model.minimize(mathopt.fast_sum(cost))
    answer = answer_of(model, name, _TIME_S)
    if answer.ended is Outcome.INFEASIBLE:
        raise SolverError("a list whose every line can be had is called impossible")
    if answer.ended is not None:
        raise SolverError("no split in its time")
    values = answer.result.variable_values()
    stores = tuple(
        max((store for store, one in enumerate(line) if one is not None), key=lambda k: values[line[k]]) for line in at
    )
    cents = cents_of(lines, terms, stores)
    least = answer.result.objective_value() if is_optimal(answer.result) else answer.result.dual_bound()
    return Split(stores, cents, min(cents, math.ceil(least - 1e-4)))
