"""Other pumps where the flows are not known: the cheapest over all pumps, against every combination as a network."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from said import said
from unknown_systems import branches, catalog, cheapest_of_all, day_and_night, line

from optimizer.model.catalog import Kind
from optimizer.model.plan import Status
from optimizer.model.system import Rules, Setting, System, Target
from optimizer.search.unknown_pumps import find_any, pump_variants
from optimizer.verify.check import verify_plan


def free_to_change(system: System, **rules: object) -> System:
    return replace(system, rules=replace(system.rules, other_pumps=True, **rules))  # type: ignore[arg-type]


def one_size(system: System, **rules: object) -> System:
    """Return the system with so little to choose from that every combination can be tried."""
    return free_to_change(system, sizes=("3/4 in",), resize=False, **rules)


PRICED = {"electricity_cents_per_kwh": 40.0, "horizon_h": 26_298.0}  # three years
WANTED = (
    ("  line: at least 2600 L/h", {}),
    pytest.param("  line: at least 2600 L/h", PRICED, marks=pytest.mark.slow),
    pytest.param("  line: 1500 to 1600 L/h", PRICED, marks=pytest.mark.slow),
    ("  line: 3200 to 3300 L/h", {}),
    ("  line: at least 9000 L/h", {}),
)


@pytest.mark.long
@pytest.mark.parametrize(("targets", "rules"), WANTED)
def test_the_plan_over_all_pumps_costs_what_the_best_of_all_combinations_costs(targets: str, rules: dict) -> None:  # type: ignore[type-arg]
    system = one_size(line(targets), **rules)

    found = find_any(system, catalog())

    assert (found.cents if found.plan.found else math.inf) == cheapest_of_all(system, catalog())
    assert found.plan.status is (Status.OPTIMAL if found.plan.found else Status.INFEASIBLE)


@pytest.mark.long
def test_a_pump_is_bought_where_the_old_one_can_not_do_it_and_the_old_one_comes_out() -> None:
    system = free_to_change(branches("  left: at least 2100 L/h\n  right: at least 1900 L/h"))

    found = find_any(system, catalog())
    riser = found.plan.runs["riser"]

    assert found.plan.status is Status.OPTIMAL
    assert [part.name for part in riser.removed if part.kind is Kind.PUMP] == ["return"]
    assert [bought.item.item_id for bought in riser.purchases if bought.item.kind is Kind.PUMP] == ["pump-medium-6000"]
    assert set(found.plan.new_pumps) == {"return"}
    assert verify_plan(system, found.plan).passed


def test_with_electricity_at_a_price_each_speed_is_looked_at_below_the_cost_so_far() -> None:
    system = replace(line("  line: 1200 to 1500 L/h"), rules=replace(line("  line: any").rules, **PRICED))

    speeds = [variant.speeds for variant in pump_variants(system, catalog())]
    found = find_any(system, catalog())

    assert speeds == [{"return": 1.0}, {"return": 0.8}]
    assert found.plan.status is Status.OPTIMAL
    assert found.cents == cheapest_of_all(system, catalog())
    assert found.plan.pump_speeds == {"return": 0.8}
    assert found.plan.energy_cents == 24237  # 45 W × 0.8³ × 26,298 h × 0.40 USD/kWh, rounded up, by hand
    assert verify_plan(system, found.plan).passed


@pytest.mark.parametrize("other_pumps", [False, True])
def test_with_several_settings_a_plan_says_once_that_electricity_is_not_counted(other_pumps: bool) -> None:
    rules = replace(day_and_night().rules, other_pumps=other_pumps, **PRICED)
    priced, free = replace(day_and_night(), rules=rules), day_and_night()

    notes = said(find_any(priced, catalog()).plan.notes)

    assert sum("electricity is not counted" in note for note in notes) == 1
    assert not any("electricity" in note for note in said(find_any(free, catalog()).plan.notes))


def test_without_the_rule_only_the_own_pump_counts() -> None:
    system = branches("  left: at least 2100 L/h\n  right: at least 1900 L/h")

    assert find_any(system, catalog()).plan.status is Status.INFEASIBLE


def test_a_pump_that_costs_more_than_the_budget_is_not_searched_with() -> None:
    prices = sorted(item.price_cents for item in catalog().of_kind(Kind.PUMP))
    for budget in (prices[0] - 1, prices[0], prices[-1]):
        variants = pump_variants(free_to_change(line("  line: at least 2600 L/h"), budget_cents=budget), catalog())
        assert [variant.cents for variant in variants] == [0, *(price for price in prices if price <= budget)]


def test_where_no_pump_serves_every_one_was_tried() -> None:
    system = free_to_change(branches("  left: at least 9000 L/h\n  right: at least 1900 L/h"))

    plan = find_any(system, catalog()).plan

    assert plan.status is Status.INFEASIBLE
    assert f"each of the {len(catalog().of_kind(Kind.PUMP))} other choices of pumps" in said(plan.reasons)[-1]


def test_in_settings_a_pump_must_have_their_speeds() -> None:
    day = Setting("day", {"return": 1.0}, (Target("line", 5e-4),))
    night = Setting("night", {"return": 0.7}, (Target("line", 2e-4),))
    system = replace(line("  line: any"), targets=(), settings=(day, night), rules=Rules(other_pumps=True))

    tried = {item.item_id for variant in pump_variants(system, catalog()) for item in variant.items.values()}

    assert "pump-medium-6000" in tried
    assert "pump-tall-8000" not in tried  # runs at full speed only


def test_no_time_leaves_every_pump_open_and_says_so() -> None:
    system = free_to_change(branches("  left: at least 2100 L/h\n  right: at least 1900 L/h"))

    plan = find_any(system, catalog(), time_limit_s=0.0).plan

    assert plan.status is Status.NO_PLAN_FOUND
    assert "your own pump" in said(plan.reasons)[0]


@pytest.mark.long
def test_a_stop_by_hand_leaves_the_pumps_not_looked_at_open() -> None:
    system = free_to_change(branches("  left: at least 1350 L/h\n  right: at least 1350 L/h"))

    def stop_at_the_first_plan(stage: str, best: int | None, bound: int | None) -> None:
        if best is not None:
            raise KeyboardInterrupt

    found = find_any(system, catalog(), progress=stop_at_the_first_plan)

    assert found.by_hand
    assert found.plan.found
    assert found.bound_cents is not None
    assert found.cents is not None
    assert found.bound_cents <= found.cents
    assert "the search was stopped" in said(found.plan.notes)[0]
