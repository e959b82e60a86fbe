"""Cost against reach where the flows are not known: every step is the cheapest combination for what it gives."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import pytest
from unknown_systems import catalog, cheapest_of_all, day_and_night, line

from optimizer.choices.scaled import scaled
from optimizer.model.plan import Status
from optimizer.search.studies.frontier import Frontier, best_for_budget, frontier
from optimizer.search.unknown_pumps import find_any
from optimizer.search.watch import Watch
from optimizer.verify.check import verify_plan

GAIN = 0.02


@cache
def found() -> Frontier:
    return frontier(day_and_night(), catalog(), Watch.of(100.0), least_gain=GAIN)


def test_every_plan_costs_what_the_best_of_all_combinations_costs_for_its_reach() -> None:
    assert len(found().plans) >= 3
    for plan in found().plans:
        assert plan.plan.status is Status.OPTIMAL
        assert plan.plan.material_cents == cheapest_of_all(scaled(day_and_night(), 0.998 * plan.reach), catalog())


@pytest.mark.xfail(strict=False, reason="the enumeration counts pipe by the length used, a step by its list")
def test_no_combination_beats_a_step_by_more_than_the_gain_that_was_asked_for() -> None:
    for plan, after in zip(found().plans, found().plans[1:], strict=False):
        just_above = scaled(day_and_night(), 1.001 * (1 + GAIN) * plan.reach)
        assert cheapest_of_all(just_above, catalog()) >= (after.plan.material_cents or 0)
    last = found().plans[-1]
    assert math.isinf(cheapest_of_all(scaled(day_and_night(), (1 + GAIN) * last.reach), catalog()))
    assert found().complete


def test_each_plan_stands_its_check_at_what_it_reaches() -> None:
    for plan in found().plans:
        assert verify_plan(scaled(day_and_night(), 0.999 * plan.reach), plan.plan).passed


def test_more_money_reaches_more_and_a_budget_takes_the_best_within_it() -> None:
    plans = found().plans
    costs = [plan.plan.cost_cents or 0 for plan in plans]

    assert costs == sorted(costs)
    assert [plan.reach for plan in plans] == sorted(plan.reach for plan in plans)
    assert best_for_budget(plans, costs[1]) is plans[1]


def test_the_first_that_meets_the_targets_is_the_cheapest_plan() -> None:
    cheapest = find_any(day_and_night(), catalog()).plan

    assert next(plan for plan in found().plans if plan.meets_targets).plan.material_cents == cheapest.material_cents


def test_a_window_is_reached_whole_and_no_further() -> None:
    system = line("  line: 2400 to 2600 L/h")

    money = frontier(system, catalog(), Watch.of(100.0))

    assert money.plans[-1].reach == 1.0
    assert money.complete
    assert not any("no plan reaches" in note for note in money.notes)


def test_without_time_nothing_is_claimed() -> None:
    money = frontier(day_and_night(), catalog(), Watch.of(0.0))

    assert money.plans == ()
    assert not money.complete
    assert "the time limit came" in money.notes[0]


def test_a_price_of_electricity_that_is_not_counted_is_told() -> None:
    rules = replace(day_and_night().rules, electricity_cents_per_kwh=40.0, horizon_h=8766.0)

    priced = frontier(replace(day_and_night(), rules=rules), catalog(), Watch.of(100.0), least_gain=0.5)

    assert "What the pumps draw is not counted here." in priced.notes
    assert not any("draw" in note for note in found().notes)


def test_a_stop_by_hand_shows_what_was_found_and_what_was_left_open() -> None:
    calls = []

    def stop_later(stage: str, best: int | None, bound: int | None) -> None:
        calls.append(stage)
        if len(calls) > 8:
            raise KeyboardInterrupt

    money = frontier(day_and_night(), catalog(), Watch.of(100.0, stop_later))

    assert money.plans
    assert not money.complete
    assert any("not settled" in note for note in money.notes)
