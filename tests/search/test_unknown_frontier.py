"""Cost against reach where the flows are not known: every step is the cheapest combination for what it gives."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from functools import cache

import pytest
from brute_force import all_paths
from list_enumeration import Shop, ends_loss, merged, pieces_of
from said import said
from unknown_systems import branches, catalog, day_and_night, line

from optimizer.choices.graph import Arc
from optimizer.choices.scaled import scaled
from optimizer.hydraulics import conditions_of, part_head_loss_m, pump_head_m
from optimizer.joints.bores import run_steps
from optimizer.model.catalog import PIPES
from optimizer.model.network import Part
from optimizer.model.plan import Status
from optimizer.search.engine import solve
from optimizer.search.options import Options, options_of
from optimizer.search.question import Answer, Question
from optimizer.search.studies.frontier import Frontier, best_for_budget, frontier
from optimizer.search.watch import Watch
from optimizer.takeoff.fitted import RunEnds
from optimizer.verify.check import verify_plan

GAIN = 0.02


@cache
def found() -> Frontier:
    return frontier(day_and_night(), catalog(), Watch.of(100.0), least_gain=GAIN)


@cache
def ways() -> list[tuple[int, tuple[Arc, ...], tuple[Part, ...]]]:
    """Return every way to plumb the one run, the cheapest without its pipe and packs first: (cents, steps, parts)."""
    graph = options().graphs["line"]
    found = []
    for start in graph.starts.values():
        for end in graph.ends.values():
            for path in all_paths(graph, start, end):
                parts = tuple(merged([part for arc in path for part in arc.parts]))
                bought = (p.item for p in parts if not p.existing and p.item and p.kind not in PIPES)
                found.append((sum(item.price_cents for item in bought), path, parts))
    return sorted(found, key=lambda way: way[0])


@cache
def options() -> Options:
    return options_of(day_and_night(), catalog(), {"line": None})


@cache
def list_cents(number: int) -> int:
    """Return what the list of a way costs, by its number in `ways`."""
    cents, path, parts = ways()[number]
    run, ends = options().graphs["line"].run, RunEnds((None, None), (True, True))
    pieces = [(item.item_id, length_m) for item, length_m in pieces_of(run, list(parts), ends, ends, options())]
    joints = Counter(joint for arc in path for joint in arc.joints if joint[0] != "stub")
    return cents + shop().packs(joints) + shop().pipe(pieces)


@cache
def shop() -> Shop:
    return Shop(options())


def serves(path: tuple[Arc, ...], parts: tuple[Part, ...], share: float) -> bool:
    """Return whether a way loses no more at a share of its least flows, by day and by night, than the pump gives."""
    network = day_and_night().network
    conditions = conditions_of(network)
    rise_m = (network.points["left tank"].head_m or 0.0) - (network.points["sump"].head_m or 0.0)
    run = replace(network.runs["line"], parts=parts)
    joints = conditions.loss_factor * sum(forwards for forwards, _ in run_steps(run, network))
    for speed, least_m3_s in ((1.0, 7.8e-4), (0.8, 5.2e-4)):
        flow = share * least_m3_s
        loss_m = sum(part_head_loss_m(part, flow, conditions) for part in parts) + ends_loss(path, flow, conditions)
        if loss_m + joints * flow**2 > pump_head_m(network.pumps["return"], flow, speed) - rise_m:
            return False
    return True


def least_list(share: float) -> float:
    """Return what the cheapest list of the one run costs that carries a share of its targets by day and by night."""
    best = math.inf
    for number, (cents, path, parts) in enumerate(ways()):
        if cents >= best:
            break
        if serves(path, parts, share):
            best = min(best, list_cents(number))
    return best


@pytest.mark.slow
def test_every_plan_has_the_cheapest_list_of_all_that_reach_as_much() -> None:
    """The enumeration knows no velocity limit: the last plan alone is one that buys larger pipe for that."""
    plans = found().plans
    least = [least_list(0.998 * plan.reach) for plan in plans]

    assert all(plan.plan.status is Status.OPTIMAL for plan in plans)
    assert [plan.plan.material_cents for plan in plans[:-1]] == least[:-1]
    assert plans[-1].plan.material_cents == plans[-1].plan.cost_cents
    assert (plans[-1].plan.cost_cents or 0) >= least[-1]


@pytest.mark.slow
def test_no_combination_beats_a_step_by_more_than_the_gain_that_was_asked_for() -> None:
    """But for the last plan, whose larger pipe the velocity limit wants: the enumeration knows none."""
    *steps, last = zip(found().plans, found().plans[1:], strict=False)
    for plan, after in steps:
        assert least_list(1.001 * (1 + GAIN) * plan.reach) >= (after.plan.material_cents or 0)
    assert least_list(1.001 * (1 + GAIN) * last[0].reach) <= (last[1].plan.material_cents or 0)
    assert found().complete


@pytest.mark.long
def test_each_plan_stands_its_check_at_what_it_reaches() -> None:
    for plan in found().plans:
        assert verify_plan(scaled(day_and_night(), 0.999 * plan.reach), plan.plan).passed


@pytest.mark.long
def test_more_money_reaches_more_and_a_budget_takes_the_best_within_it() -> None:
    plans = found().plans
    costs = [plan.plan.cost_cents or 0 for plan in plans]

    assert costs == sorted(costs)
    assert [plan.reach for plan in plans] == sorted(plan.reach for plan in plans)
    assert best_for_budget(plans, costs[1]) is plans[1]


@pytest.mark.long
def test_the_first_that_meets_the_targets_is_the_cheapest_plan() -> None:
    cheapest = solve(Question(day_and_night(), catalog(), Watch.of(100.0))).plan

    assert next(plan for plan in found().plans if plan.meets_targets).plan.material_cents == cheapest.material_cents


@pytest.mark.long
def test_a_window_is_reached_whole_and_no_further() -> None:
    system = line("  line: 2400 to 2600 L/h")

    money = frontier(system, catalog(), Watch.of(100.0))

    assert money.plans[-1].reach == 1.0
    assert money.complete
    assert not any("no plan reaches" in note for note in said(money.notes))


def test_without_time_nothing_is_claimed() -> None:
    money = frontier(day_and_night(), catalog(), Watch.of(0.0))

    assert money.plans == ()
    assert not money.complete
    assert "the time limit came" in said(money.notes)[0]


@pytest.mark.slow
def test_a_price_of_electricity_that_is_not_counted_is_told() -> None:
    rules = replace(day_and_night().rules, electricity_cents_per_kwh=40.0, horizon_h=8766.0)

    priced = frontier(replace(day_and_night(), rules=rules), catalog(), Watch.of(100.0), least_gain=0.5)

    assert "What the pumps draw is not counted here." in said(priced.notes)
    assert not any("draw" in note for note in said(found().notes))


@pytest.mark.long
def test_a_stop_by_hand_shows_what_was_found_and_what_was_left_open() -> None:
    calls = []

    def stop_later(stage: str, best: int | None, bound: int | None) -> None:
        calls.append(stage)
        if len(calls) > 8:
            raise KeyboardInterrupt

    money = frontier(day_and_night(), catalog(), Watch.of(100.0, stop_later))

    assert money.plans
    assert not money.complete
    assert any("not settled" in note for note in said(money.notes))


@pytest.mark.long
def test_less_than_nothing_is_not_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int | None] = []

    def noted(question: Question) -> Answer:
        asked.append(question.ceiling_cents)
        return solve(question)

    monkeypatch.setattr("optimizer.search.studies.frontier.solve", noted)
    found = frontier(branches("  left: at least 1700 L/h"), catalog(), Watch.of(2.0))

    assert found.plans[0].plan.cost_cents == 0
    assert 0 not in asked
