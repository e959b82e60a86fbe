"""The plan that is proved is the one whose parts list costs least: every selection of small trees, priced."""

from __future__ import annotations

from dataclasses import replace

import pytest
from list_enumeration import cheapest_list
from small_trees import random_tree, small_catalog

from optimizer import pipeline
from optimizer.choices import offers
from optimizer.choices.demands import known_flows
from optimizer.model.plan import Status
from optimizer.search.cheapest import find_plan
from optimizer.search.options import options_of

# a plan within 0.05 mm of the head that is there may fall on either side: losses are rounded up to 0.01 mm a run
_ROUNDED_M = 5e-5


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
@pytest.mark.usefixtures("whole_pipes")
def test_the_least_list_is_that_of_every_selection_priced(seed: int) -> None:
    held_against_all(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 1])
def test_and_where_half_of_a_pipe_may_be_kept(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(offers, "SHARES", (0.5,))  # eighths are too many to be written out
    held_against_all(seed)


@pytest.mark.long
@pytest.mark.parametrize("seed", [4, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (3, 5, 6, 8, 9, 10, 11))])
@pytest.mark.usefixtures("whole_pipes")
def test_and_where_pipe_is_longer_than_any_length_of_the_store(seed: int) -> None:
    held_against_all(seed, longest_m=7.5)


def held_against_all(seed: int, longest_m: float = 1.5) -> None:
    catalog = small_catalog()
    system = random_tree(seed, catalog, bends=(0, 0), longest_m=longest_m)
    flows = known_flows(system)
    options = options_of(system, catalog, flows.flows_m3_s)
    plan = find_plan(system, catalog).plan
    found = [cheapest_list(options, flows, less_m) for less_m in (0.0, _ROUNDED_M)]
    answers = {None if each is None else each[0] for each in found}

    assert plan.cost_cents in answers
    assert plan.status is (Status.OPTIMAL if plan.found else Status.INFEASIBLE)
    if plan.found:
        assert plan.bound_cents == plan.cost_cents == pipeline.report(system, plan, catalog).bill.total_cents


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (3, 4))])
def test_a_budget_of_the_cheapest_list_buys_it_and_a_cent_less_is_proved_too_little(seed: int) -> None:
    catalog = small_catalog()
    system = random_tree(seed, catalog)
    free = find_plan(system, catalog).plan
    assert free.cost_cents

    assert find_plan(system.with_budget(free.cost_cents), catalog).plan.cost_cents == free.cost_cents
    assert find_plan(system.with_budget(free.cost_cents - 1), catalog).plan.status is Status.INFEASIBLE


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 5])
def test_a_list_never_gets_dearer_where_one_price_falls_nor_cheaper_where_it_rises(seed: int) -> None:
    catalog = small_catalog()
    system = random_tree(seed, catalog)
    free = find_plan(system, catalog).plan
    assert free.cost_cents
    bought = {p.item.item_id for one in free.runs.values() for p in one.purchases}
    others = sorted(set(catalog.items) - bought)[seed::23]
    for key in (*sorted(bought), *others):
        item = catalog.items[key]
        for change in (-1, +20):
            price = max(0, item.price_cents + change)
            changed = replace(catalog, items={**catalog.items, key: replace(item, price_cents=price)})
            there = find_plan(system, changed).plan.cost_cents
            assert there is not None
            assert there <= free.cost_cents if change < 0 else there >= free.cost_cents, key
