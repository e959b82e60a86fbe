"""Where the runs may hold only so much water the cheapest list is that of every selection that holds so little."""

from __future__ import annotations

import pytest
from list_enumeration import cheapest_list
from small_trees import random_tree, small_catalog

from optimizer.choices import offers
from optimizer.choices.demands import known_flows
from optimizer.clock import TimeIsUp
from optimizer.model.plan import Plan, Status, planned_network
from optimizer.model.system import System
from optimizer.search.cheapest import find_plan
from optimizer.search.options import options_of
from optimizer.search.scarce_water import ScarceWater
from optimizer.verify.drains import part_volume_m3

# a plan within 0.05 mm of the head, or within 1 mL of the room, may fall on either side: both are rounded up
_ROUNDED_M, _ROUNDED_M3 = 5e-5, 1e-6
_STEPS = 3  # each holds less than the one before


def held_m3(system: System, plan: Plan) -> float:
    runs = planned_network(system.network, plan).runs.values()
    return sum(part_volume_m3(part) for run in runs for part in run.parts)


@pytest.mark.long
@pytest.mark.parametrize("seed", [2, *(pytest.param(s, marks=pytest.mark.slow) for s in (1, 4, 9, 12, 14, 22, 23))])
def test_the_least_list_within_the_water_is_that_of_every_selection_priced(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(offers, "SHARES", (0.5,))  # else there are too many to go through
    catalog = small_catalog()
    system = random_tree(seed, catalog, bends=(0, 0))
    flows = known_flows(system)
    options = options_of(system, catalog, flows.flows_m3_s, weigh_water=True)
    plan = find_plan(system, catalog).plan
    for _ in range(_STEPS):
        most_m3 = held_m3(system, plan) - _ROUNDED_M3
        plan = find_plan(system, catalog, most_volume_m3=most_m3, with_reasons=False).plan
        found = [
            cheapest_list(options, flows, less_m, most_m3 - less_m3)
            for less_m, less_m3 in ((0.0, 0.0), (_ROUNDED_M, _ROUNDED_M3))
        ]

        assert plan.cost_cents in {None if each is None else each[0] for each in found}
        assert plan.status is (Status.OPTIMAL if plan.found else Status.INFEASIBLE)
        if not plan.found:
            break
        assert plan.bound_cents == plan.cost_cents
        assert held_m3(system, plan) <= most_m3


def test_where_the_time_comes_before_the_price_of_water_there_is_a_plan_that_holds_little_enough(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    catalog = small_catalog()
    system = random_tree(2, catalog, bends=(0, 0))
    most_m3 = held_m3(system, find_plan(system, catalog).plan) - _ROUNDED_M3
    least = find_plan(system, catalog, most_volume_m3=most_m3, with_reasons=False).plan
    assert least.status is Status.OPTIMAL

    def no_time(*_: object) -> float:
        raise TimeIsUp

    monkeypatch.setattr(ScarceWater, "_rate", no_time)
    plan = find_plan(system, catalog, most_volume_m3=most_m3, with_reasons=False).plan

    assert plan.status is Status.FEASIBLE
    assert held_m3(system, plan) <= most_m3
    assert (plan.bound_cents or 0) <= (least.cost_cents or 0) <= (plan.cost_cents or 0)
