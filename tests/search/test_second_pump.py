"""A second pump as a choice: against every combination solved as a network, and what a plan with one says and buys."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from listed_choices import cheapest_list_of_all
from said import said
from second_pump_systems import BESIDE, EITHER, SERIES, TWO_SIZES, one_pump, shop

from optimizer import pipeline
from optimizer.choices.second_pump import two_pumps
from optimizer.documents.payload import plan_json
from optimizer.documents.report import report_page
from optimizer.documents.report_facts import report_facts
from optimizer.documents.work_words import step_text
from optimizer.documents.workbook import workbook_bytes
from optimizer.hydraulics import solve_network
from optimizer.model.catalog import CHECKS, Catalog, Kind
from optimizer.model.network import Network
from optimizer.model.plan import Plan, Status, planned_network
from optimizer.model.quote import Quote, QuotedPrice
from optimizer.model.system import System
from optimizer.pipeline import report, requote, search, settings_card, take_off
from optimizer.search.cheapest import find_plan
from optimizer.search.flow_posing import Choice, FlowCase
from optimizer.search.second_pump import with_second_pump
from optimizer.verify.remarks import pump_stops
from optimizer.verify.running import running
from optimizer.verify.shut_off import shut_off_pressures_pa
from optimizer.wording.notes import notes_words

SHOP = shop(TWO_SIZES)


def fits(case: FlowCase, choice: Choice) -> bool:
    """Return whether every run ends in what the tee there offers."""
    ways = {name: case.ways[name][k].alternative for name, k in zip(case.ways, choice.ways, strict=True)}
    return all(
        (ways[run.name].start if at_start else ways[run.name].end) == case.tees[point][k].states[leg]
        for point, k in zip(case.tees, choice.tees, strict=True)
        for run, leg, at_start in case.network.runs_at(point)
    )


def cheapest_pair(system: System, catalog: Catalog) -> float:
    """Return the least list over every pair of pumps, way, fitting and speed that stands as a network."""
    return min(
        (cheapest_list_of_all(pair.system, catalog, fits) for pair in two_pumps(system, catalog)), default=math.inf
    )


@pytest.mark.parametrize(
    ("rule", "least", "display"),
    [
        (SERIES, "at least 2300 L/h", "1.2 m"),
        (SERIES, "at least 1900 L/h", "1.2 m"),  # one larger size is cheaper than a pump
        (SERIES, "at least 2600 L/h", "0.3 m"),
        (SERIES, "at least 9000 L/h", "1.2 m"),  # out of reach
        (BESIDE, "at least 2300 L/h", "1.2 m"),
        (EITHER, "at least 2600 L/h", "1.2 m"),
        (BESIDE, "at least 2600 L/h", "1.2 m"),
    ],
)
def test_the_plan_costs_what_the_best_of_one_pump_and_of_every_pair_costs(rule: str, least: str, display: str) -> None:
    system = one_pump(rule, least, display)

    plan = search(system, SHOP)

    alone = find_plan(replace(system, second_pump=None), SHOP).plan
    best = min(cheapest_pair(system, SHOP), math.inf if alone.material_cents is None else alone.material_cents)
    assert plan.found == math.isfinite(best)
    assert not plan.found or plan.bound_cents <= best
    if "series" in rule or not plan.found:  # of pumps side by side not all lists are told
        assert (plan.material_cents if plan.found else math.inf) <= best
        assert plan.status is (Status.OPTIMAL if plan.found else Status.INFEASIBLE)
    assert bool(plan.new_pumps) == (plan.found and not alone.found)


@pytest.mark.slow
def test_both_pumps_may_be_new_ones_where_other_pumps_are_allowed() -> None:
    catalog = shop(TWO_SIZES, ("pump-medium-6000", "pump-small-3000"))
    system = one_pump(EITHER, "at least 3000 L/h", "2.6 m", more=", other pumps: yes, keep unions: no")

    plan = search(system, catalog)

    alone = find_plan(replace(system, second_pump=None), catalog).plan
    best = min(cheapest_pair(system, catalog), math.inf if alone.material_cents is None else alone.material_cents)
    assert plan.bound_cents <= best
    assert (plan.status is Status.OPTIMAL) == (plan.bound_cents == plan.material_cents)


def planned(plan: Plan, system: System) -> Network:
    return planned_network(system.network, plan)


@pytest.mark.parametrize("rule", [SERIES, BESIDE])
def test_what_stands_is_cut_apart_without_changing_what_flows_in_it(rule: str) -> None:
    system = one_pump(rule)

    plan = search(system, SHOP)

    assert plan.stands is not None
    before, cut = solve_network(system.network).flows_m3_s, solve_network(plan.stands).flows_m3_s
    assert cut["line"] == pytest.approx(before["line"], rel=1e-6)
    assert all(flow in (0.0, pytest.approx(before["line"], rel=1e-6)) for flow in cut.values())


def test_pumps_side_by_side_have_a_check_valve_each_and_join_at_a_tee() -> None:
    system = one_pump(BESIDE)

    plan = search(system, SHOP)

    network = planned(plan, system)
    lines = [run for run in network.runs.values() if any(part.kind is Kind.PUMP for part in run.parts)]
    assert len(lines) == 2
    assert all(sum(part.kind in CHECKS for part in run.parts) == 1 for run in lines)
    assert {run.end.point for run in lines} == {"pump tee"}
    assert network.tees["pump tee"].item is not None


@pytest.mark.parametrize("rule", [SERIES, BESIDE])
def test_the_second_pump_comes_off_at_its_outlet(rule: str) -> None:
    """By a union, or by the thread of its port."""
    system = one_pump(rule)

    network = planned(search(system, SHOP), system)

    run = next(run for run in network.runs.values() if any(part.name == "return 2" for part in run.parts))
    at = next(i for i, part in enumerate(run.parts) if part.name == "return 2")
    pump = run.parts[at]
    assert pump.ends[-1].form.is_thread or any(part.kind is Kind.UNION for part in run.parts[at + 1 :])
    assert rule == BESIDE or pump.ends[0].form.is_thread or any(part.kind is Kind.UNION for part in run.parts[:at])


def test_the_shut_off_head_of_pumps_in_series_adds_up() -> None:
    # 2.2 m each, fresh from the curves; a metre of sea water of 35 g/kg at 25 °C is 10.03 kPa (design values)
    system = one_pump(SERIES)

    pressure = max(shut_off_pressures_pa(planned(search(system, SHOP), system)).values())

    assert pressure == pytest.approx(4.4 * 10.03e3, rel=0.01)


def test_a_pump_that_must_stand_in_water_is_not_put_into_a_line() -> None:
    assert not two_pumps(one_pump(SERIES, mounting="in water"), SHOP)
    assert two_pumps(one_pump(BESIDE, mounting="in water"), SHOP)
    assert not two_pumps(one_pump(BESIDE, mounting="dry"), SHOP)


def test_a_line_with_a_suction_of_its_own_takes_a_pump_that_stands_dry() -> None:
    rule = "{how: side by side, line: [pipe 4 in, pump second, pipe 10 in], another like it: 55 USD}"

    assert two_pumps(one_pump(rule, mounting="dry"), SHOP)
    assert not two_pumps(one_pump(rule, mounting="in water"), SHOP)


def test_a_plan_with_two_pumps_says_what_happens_when_one_stops() -> None:
    system = one_pump(BESIDE)

    told = said(report(system, search(system, SHOP), SHOP).verification.warnings)

    assert any("when pump 'return' stops, 'display' still gets" in words for words in told)
    assert any("if the check valve of pump 'return 2' sticks open" in words for words in told)
    assert not any("give its line a check valve" in words for words in told)


def test_two_pumps_without_check_valves_are_told_to_get_them() -> None:
    system = one_pump(BESIDE)
    network = planned(search(system, SHOP), system)
    bare = {
        name: replace(run, parts=tuple(part for part in run.parts if part.kind not in CHECKS))
        for name, run in network.runs.items()
    }

    told = notes_words(pump_stops(system, running(network.with_runs(bare))), system.units)

    assert all("run back through it: give its line a check valve" in words for words in told)
    assert len(told) == 2


@pytest.mark.parametrize(("rule", "what"), [(SERIES, "comes out for the"), (BESIDE, "where the tee goes")])
def test_the_work_order_says_where_the_pipe_is_sawn_and_the_bill_has_the_pump(rule: str, what: str) -> None:
    system = one_pump(rule)
    plan_report = report(system, search(system, SHOP), SHOP)

    taken = take_off(plan_report, SHOP)

    (cut,) = [step for run in taken.work for step in run.steps if step.kind == "cut"]
    assert cut.lengths_m["whole"] == pytest.approx(0.305, abs=1e-3)  # the 12 in pipe, in both rules
    assert what in step_text(cut, system.units)
    assert sum(line.quantity for line in plan_report.bill.lines if line.item_id == "another-return") == 1
    assert plan_report.bill.total_cents == sum(line.extended_cents for line in plan_report.bill.lines)


def test_electricity_of_both_pumps_counts() -> None:
    price = ", electricity: 0.40 USD/kWh, count for: 3 years"
    free, priced = (search(one_pump(SERIES, more=more), SHOP) for more in ("", price))

    # two pumps of 30 W for three years of 8766 h
    assert priced.energy_cents == pytest.approx(2 * 0.030 * 3 * 8766 * 40, abs=2)
    assert priced.material_cents == (free.material_cents or 0) + priced.energy_cents


def test_a_plan_without_a_second_pump_says_that_one_was_weighed() -> None:
    plan = search(one_pump(SERIES, "at least 1900 L/h"), SHOP)

    assert "a second pump was considered too: no plan with one costs less" in said(plan.notes)
    assert plan.stands is None


@pytest.mark.parametrize("rule", [SERIES, BESIDE])
def test_every_document_of_a_plan_with_a_second_pump_can_be_written(rule: str) -> None:
    system = one_pump(rule)
    plan_report = report(system, search(system, SHOP), SHOP)
    taken, card = take_off(plan_report, SHOP), settings_card(plan_report.system, plan_report)
    facts = report_facts(plan_report, card=card)

    page = report_page(facts)
    book = workbook_bytes(plan_report, taken=taken, card=card, facts=facts)

    assert "return 2" in page
    assert book.startswith(b"PK")
    assert [pump["pump"] for pump in plan_json(plan_report)["pumps"]] == ["return", "return 2"]


def test_a_store_s_price_of_another_pump_is_counted_when_the_plan_is_sought_anew() -> None:
    system = one_pump(BESIDE)
    listed = report(system, search(system, SHOP), SHOP)
    dearer = {"another-return": QuotedPrice(7000, "I11")}

    found = requote(listed, Quote("USD", dearer), SHOP)

    assert found.bill.total_cents == listed.bill.total_cents + 1500
    assert found.other.bill.total_cents == found.bill.total_cents


def test_ctrl_c_among_the_pairs_leaves_them_open_and_says_so() -> None:
    system = one_pump(SERIES)

    def stop(stage: str, best: int | None, bound: int | None) -> None:
        raise KeyboardInterrupt

    alone = find_plan(replace(system, second_pump=None), SHOP).plan
    plan = with_second_pump(system, SHOP, alone, progress=stop)

    assert alone.status is Status.INFEASIBLE
    assert plan.status is Status.NO_PLAN_FOUND


@pytest.mark.parametrize("rule", [SERIES, BESIDE])
def test_every_study_considers_the_second_pump_and_names_the_cost_of_the_plan(rule: str) -> None:
    system = one_pump(rule)
    plan = pipeline.search(system, shop())
    kinds = pipeline.kinds_of_plan(system, shop())
    money = pipeline.frontier(system, shop())

    assert plan.stands is not None
    assert kinds[0].plan is not None
    assert kinds[0].plan.cost_cents == plan.cost_cents
    assert next(step.plan.cost_cents for step in money.plans if step.meets_targets) == plan.cost_cents
    assert pipeline.explain(system, shop()).plan.cost_cents == plan.cost_cents
