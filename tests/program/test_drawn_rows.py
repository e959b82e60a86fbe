"""Rows draw by draw, and what a pipe is to cost: the cheapest choice that keeps to them, against every choice."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from optimizer.program.list_program import Chosen, DrawnRows, ListProblem, Priced, SoldPipe, solve_list
from optimizer.program.problem import NO_LIMIT, Outcome, Path, RunChoice, SizingProblem

DRAWS, CHOICES = 12, 5


@pytest.mark.parametrize("seed", range(4))
def test_the_choice_is_the_cheapest_of_all_that_fail_in_few_enough_draws(seed: int) -> None:
    dice = np.random.default_rng(seed)
    cents = {run: dice.integers(1, 60, CHOICES).tolist() for run in ("riser", "outlet")}
    lost = {run: dice.uniform(0.0, 100.0, (CHOICES, DRAWS)) for run in cents}
    head, may_fail = dice.uniform(90.0, 110.0, DRAWS), int(dice.integers(0, 5))
    runs = {run: tuple(RunChoice(0, 0, each, 0) for each in some) for run, some in cents.items()}
    sizing = SizingProblem(runs, {}, (Path("outlet", ("riser", "outlet"), (), NO_LIMIT - 1),))
    rows = DrawnRows(may_fail, {"outlet": head}, {run: list(table) for run, table in lost.items()}, {})
    nothing = {run: [{}] * CHOICES for run in cents}

    def price(chosen: Chosen) -> Priced:
        return Priced(sum(cents[run][k] for run, k in chosen.runs.items()), True, ())

    found = solve_list(ListProblem(sizing, nothing, nothing, {}, (), drawn=rows), price, 1000, 10.0)

    works = [
        cents["riser"][i] + cents["outlet"][k]
        for i, k in product(range(CHOICES), repeat=2)
        if (lost["riser"][i] + lost["outlet"][k] > head).sum() <= may_fail
    ]
    if works:
        assert (found.outcome, found.cents, found.bound_cents) == (Outcome.OPTIMAL, min(works), min(works))
    else:
        assert (found.outcome, found.bound_cents) == (Outcome.INFEASIBLE, 1000)


@pytest.mark.parametrize("seed", range(4))
def test_lists_told_apart_by_what_a_pipe_costs_have_the_cheapest_of_all_among_them(seed: int) -> None:
    dice = np.random.default_rng(seed)
    cents = {run: dice.integers(1, 400, CHOICES).tolist() for run in ("riser", "outlet")}
    takes = {run: dice.integers(1, 2500, CHOICES).tolist() for run in cents}
    runs = {run: tuple(RunChoice(0, 0, each, 0) for each in some) for run, some in cents.items()}
    sizing = SizingProblem(runs, {}, (Path("outlet", ("riser", "outlet"), (), NO_LIMIT - 1),))
    nothing = {run: [{}] * CHOICES for run in cents}
    pipe = {run: [{"pipe": each} for each in some] for run, some in takes.items()}
    sold = {"pipe": SoldPipe(((1000, 100), (2500, 240)))}

    def lengths(units: int) -> int:
        """Return what whole lengths cost that are as long together."""
        return min(100 * i + 240 * k for i in range(6) for k in range(4) if 1000 * i + 2500 * k >= units)

    def price(chosen: Chosen) -> Priced:
        own = sum(cents[run][k] for run, k in chosen.runs.items())
        return Priced(own + lengths(sum(takes[run][k] for run, k in chosen.runs.items())), True, ())

    every = [(dict(zip(cents, pair, strict=True))) for pair in product(range(CHOICES), repeat=2)]
    priced = [(lengths(sum(takes[run][k] for run, k in one.items())), price(Chosen(one, {})).cents) for one in every]
    bounds = []
    for least, most in ((100, 100), (200, float("inf"))):
        problem = ListProblem(sizing, pipe, nothing, sold, (), between={"pipe": (least, most)})
        found = solve_list(problem, price, 10_000, 10.0)
        bounds.append(found.bound_cents)
        assert found.bound_cents <= min((whole for own, whole in priced if least <= own <= most), default=10_000)
    assert min(bounds) == min(whole for _, whole in priced)
