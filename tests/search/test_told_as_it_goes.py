"""A search with known flows tells how far it is, and stopped by hand it gives the best plan that it has told of."""

from __future__ import annotations

from dataclasses import replace

import pytest
from said import free, said
from small_trees import random_tree, small_catalog

from optimizer import pipeline
from optimizer.model.plan import Status
from optimizer.search.watch import Telling

SEED = 3  # of a tree whose cheapest list is proved only by all ways of its runs
Line = tuple[str, int | None, int | None]


def course(limit: int = 10**6, **rules: object) -> tuple[list[Line], object]:
    """Return what a search told, and how it ended; it is stopped by hand as it tells for the `limit`th time."""
    catalog = small_catalog()
    system = random_tree(SEED, catalog)
    system = replace(system, rules=replace(system.rules, **rules))  # type: ignore[arg-type]
    told: list[Line] = []

    def tell(stage: str, best: int | None, bound: int | None) -> None:
        told.append((stage, best, bound))
        if len(told) >= limit:
            raise KeyboardInterrupt

    return told, pipeline.search(system, catalog, progress=tell)


@pytest.mark.parametrize("rules", [{}, {"other_pumps": True}, {"electricity_cents_per_kwh": 30.0, "horizon_h": 9000.0}])
def test_best_so_far_and_least_possible_close_in_on_the_cost_of_the_plan(rules: dict[str, object]) -> None:
    told, plan = course(**rules)
    best = [cents for _, cents, _ in told if cents is not None]
    bound = [cents for _, _, cents in told if cents is not None]

    assert plan.status is Status.OPTIMAL
    assert best == sorted(best, reverse=True)
    assert bound == sorted(bound)
    assert len(bound) > 1
    assert best[-1] == plan.material_cents
    assert all(one is None or other is None or other <= one for _, one, other in told)
    assert bound[-1] <= plan.material_cents


@pytest.mark.long
@pytest.mark.parametrize("step", [100, pytest.param(1, marks=pytest.mark.slow)])
def test_stopped_by_hand_it_gives_the_best_plan_that_it_told_of(step: int) -> None:
    whole, proved = course()
    first = next(place for place, (_, best, _) in enumerate(whole) if best is not None)
    dearer = 0
    for limit in (*range(first + 1, len(whole), step), len(whole)):
        told, plan = course(limit)

        assert plan.found
        assert plan.material_cents == told[-1][1]
        assert plan.bound_cents <= proved.material_cents
        assert plan.status is (Status.OPTIMAL if plan.bound_cents == plan.material_cents else Status.FEASIBLE)
        dearer += plan.material_cents > proved.material_cents

    assert dearer > 0


def test_stopped_before_any_plan_it_says_so_and_looks_for_nothing_else() -> None:
    told, plan = course(1)

    assert len(told) == 1
    assert plan.status is Status.NO_PLAN_FOUND
    assert said(plan.reasons, free(plan)) == ("it was stopped; no plan came before that",)


def test_what_is_told_stays_true_whatever_is_said_after_it() -> None:
    told: list[Line] = []
    telling = Telling(lambda *line: told.append(line), outside_cents=900.0)
    telling.say("one", 2000.0, 500.0)
    telling.say("two")
    telling.say("three", 1500.0, 1200.0)  # no more than what is not looked at yet costs at the least
    telling.outside_cents = 5000.0
    telling.say("four", 1600.0, 1700.0)

    assert told == [("one", 2000, 500), ("two", 2000, 500), ("three", 1500, 900), ("four", 1500, 1500)]
