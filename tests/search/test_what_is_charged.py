"""A contractor's price of a plan: an hourly rate, a mark-up, a minimum order; what is made least is what is charged."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.documents.status_words import status_words
from optimizer.model.money import Money
from optimizer.model.plan import Plan, Status
from optimizer.model.rules import Rules
from optimizer.read.places import data_directory
from optimizer.search.assemble import with_charge

SMALL = data_directory("examples") / "single-return.yaml"
SPEEDS = (90, 95, 100)  # percent; each of them has a plan


def searched(folder: Path, rules: str, speeds: tuple[int, ...] = (100,), keys: str = "") -> Plan:
    text = SMALL.read_text(encoding="utf-8")
    dial = f"    speed: {max(speeds)} %\n    speeds: [{', '.join(f'{each} %' for each in speeds)}]\n"
    text = text.replace("    power: 45 W\n", f"    power: 45 W\n{dial}").replace(
        "at least 700 gal/h", "at least 650 gal/h"
    )
    path = folder / "file.yaml"
    path.write_text(f"{text.replace('runs:', f'{keys}runs:', 1)}\nrules:\n{rules}", encoding="utf-8")
    return pipeline.search(*pipeline.read(path))


@pytest.mark.parametrize(("order", "charged"), [(0, 0), (1, 4000), (3999, 4000), (4000, 4000), (4001, 4001)])
def test_an_order_is_charged_no_less_than_the_minimum_by_hand(order: int, charged: int) -> None:
    rules = Rules(minimum_order_cents=4000)

    assert rules.charged_cents(order) == charged
    for other in (
        0,
        1,
        3999,
        4000,
        4001,
        5000,
    ):  # below the limit are those orders that are charged less, and no others
        assert (other < rules.order_below(charged)) == (rules.charged_cents(other) < charged)


@pytest.mark.parametrize(("minimum", "topped_up", "charged"), [(4000, 1420, 4000), (2000, 0, 2000), (1000, 0, 1874)])
def test_a_minimum_order_is_charged_above_the_list_and_not_above_what_is_used_by_hand(
    minimum: int, topped_up: int, charged: int
) -> None:
    """Where flows are not known a plan may be proved by what it uses, here $18.74 of a list of $25.80."""
    plan = Plan(Status.OPTIMAL, 2580, 1874, "USD", {}, {}, {}, material_cents=1874)
    found = with_charge(Rules(minimum_order_cents=minimum), plan)

    assert found.topped_up_cents == topped_up  # 40.00 - 25.80
    assert found.total_cents == 2580 + topped_up
    assert found.material_cents == found.bound_cents == charged
    assert found.status is Status.OPTIMAL


def test_what_the_minimum_order_covers_is_proved_though_the_order_without_it_is_not() -> None:
    plan = Plan(Status.FEASIBLE, 2580, 1200, "USD", {}, {}, {}, material_cents=2580)

    assert with_charge(Rules(minimum_order_cents=4000), plan).status is Status.OPTIMAL
    assert with_charge(Rules(minimum_order_cents=2000), plan).status is Status.FEASIBLE


@pytest.mark.long
def test_where_flows_are_not_known_the_list_is_charged_no_less_than_the_minimum(tmp_path: Path) -> None:
    modes = "modes: {day: {return: 100 %}, night: {return: 90 %, targets: {return line: any}}}\n"
    free = searched(tmp_path, "  buy pipe: by the foot\n", SPEEDS, keys=modes)
    found = searched(tmp_path, "  buy pipe: by the foot\n  minimum order: 60 USD\n", SPEEDS, keys=modes)

    assert 0 < (free.cost_cents or 0) < 6000
    assert found.total_cents == found.material_cents == found.bound_cents == 6000
    assert found.status is Status.OPTIMAL


def test_a_mark_up_is_on_every_price_and_on_what_a_store_asks_by_hand() -> None:
    money = Money("USD", {}, 0.1, tax_included=False, mark_up=0.2)

    assert money.cents(1000, "USD") == 1320  # 10.00, 12.00 with the mark-up, 13.20 with the tax
    assert money.marked_up(1000) == 1200


@pytest.mark.slow
@pytest.mark.parametrize("minimum", [10, 60, 200])
def test_of_all_speeds_the_one_is_taken_that_is_charged_least(tmp_path: Path, minimum: int) -> None:
    work = "  labor: 60 USD/h\n  electricity: 0.10 USD/kWh\n  count for: 4000 h\n"
    alone = [searched(tmp_path, work, (speed,)) for speed in SPEEDS]
    least = min(
        max(minimum * 100 * (found.cost_cents + found.effort_cents > 0), found.cost_cents + found.effort_cents)
        + found.energy_cents
        for found in alone
        if found.cost_cents is not None
    )

    found = searched(tmp_path, f"{work}  minimum order: {minimum} USD\n", SPEEDS)

    assert sum(found.cost_cents is not None for found in alone) > 1
    assert found.status is Status.OPTIMAL
    assert found.material_cents == found.bound_cents == least


@pytest.mark.long
def test_a_plan_says_what_parts_work_and_minimum_order_come_to(tmp_path: Path) -> None:
    rules = "  labor: 60 USD/h\n  minimum order: 200 USD\n"
    found = searched(tmp_path, rules, keys="mark-up: 15 %\n")

    assert found.status is Status.OPTIMAL
    assert found.material_cents == found.bound_cents == 20000
    assert found.topped_up_cents == 20000 - (found.cost_cents or 0) - found.effort_cents
    assert "to reach the minimum order" in status_words(found)
    assert "$200.00" in status_words(found)


@pytest.mark.long
def test_on_the_frontier_no_plan_is_shown_beside_one_that_gives_more_for_the_same_order(tmp_path: Path) -> None:
    system, catalog = pipeline.read(SMALL)
    low, rules = replace(system.targets[0], low_m3_s=2e-3), replace(system.rules, minimum_order_cents=3000)
    free = pipeline.frontier(replace(system, targets=(low,)), catalog).plans
    told = pipeline.frontier(replace(system, targets=(low,), rules=rules), catalog).plans

    under = [one for one in free if 0 < (one.plan.cost_cents or 0) <= 3000]
    assert len(under) > 1
    # of all that the order covers the one that gives the most; what costs more, and nothing at all, stay
    least = [one.plan.cost_cents or 0 for one in free if one not in under[:-1]]
    assert [one.plan.cost_cents for one in told] == least
