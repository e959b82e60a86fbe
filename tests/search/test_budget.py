"""What a budget buys: plans whose parts lists keep to it, with proof, and the most flow."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import pytest
from said import said
from small_trees import random_tree, small_catalog
from test_unknown_flow_plans import bare
from test_volume_limit import best_by_enumeration

from optimizer import pipeline
from optimizer.choices.demands import known_flows
from optimizer.choices.scaled import scaled
from optimizer.choices.wants import least_asked, wants_of
from optimizer.errors import PlanError
from optimizer.model.catalog import Catalog
from optimizer.model.plan import Forbidden, Plan, Status
from optimizer.model.system import System
from optimizer.program.solve import solve_sizing
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system
from optimizer.search.cheapest import find_plan
from optimizer.search.options import options_of
from optimizer.search.posing import pose
from optimizer.search.studies.most_flow import STEP, most_for_budget
from optimizer.search.unknown_flows import find_unknown


@cache
def catalog() -> Catalog:
    return load_catalog()


@cache
def single_return() -> System:
    return load_system(data_directory("examples") / "single-return.yaml", catalog())


def within(system: System, cents: int, labour: int = 0) -> System:
    return replace(system, rules=replace(system.rules, budget_cents=cents, labour_cents_per_hour=labour))


def test_where_only_money_is_short_it_is_not_said_how_much_is_reached() -> None:
    plan = find_plan(within(single_return(), 2450), catalog()).plan  # a list comes to $24.56

    assert plan.status is Status.INFEASIBLE
    why = [reason for reason in said(plan.reasons) if "can be met, but not" in reason]
    assert len(why) == 1
    assert "parts for at most 24.50 USD" in why[0]
    assert not any("100 %" in reason for reason in said(plan.reasons))


@pytest.mark.parametrize("seed", [1, 4])
def test_with_unknown_flows_too(seed: int) -> None:
    free = find_unknown(bare(seed), small_catalog()).plan
    assert free.material_cents

    same = find_unknown(within(bare(seed), free.material_cents), small_catalog()).plan
    less = find_unknown(within(bare(seed), free.material_cents - 1), small_catalog(), time_limit_s=10.0).plan

    assert same.material_cents == free.material_cents
    assert not less.found  # that none is proved by the list without a budget, as below


@pytest.mark.parametrize("seed", [1, pytest.param(4, marks=pytest.mark.long)])
def test_where_flows_are_not_known_the_list_keeps_to_budget_and_saw_cuts_with_the_proof_it_has_without(
    seed: int,
) -> None:
    free = pipeline.search(bare(seed), small_catalog())
    assert free.cost_cents
    assert free.total_cents == free.material_cents == free.bound_cents

    cuts = replace(bare(seed), rules=replace(bare(seed).rules, most_cuts=free.cuts))
    for system in (within(bare(seed), free.cost_cents), within(cuts, free.cost_cents + 1)):
        same = pipeline.search(system, small_catalog())
        assert same.status is Status.OPTIMAL
        assert same.total_cents == same.material_cents == same.bound_cents == free.cost_cents

    less = pipeline.search(within(bare(seed), free.cost_cents - 1), small_catalog(), ways_out=False)
    assert less.status is Status.INFEASIBLE
    assert less.forbidden is Forbidden.BY_RULES
    assert any("comes to less than" in reason for reason in said(less.reasons))


@pytest.mark.parametrize("seed", range(4))
def test_where_labour_counts_the_budget_holds_parts_alone_and_the_optimum_is_that_of_enumeration(seed: int) -> None:
    system = within(random_tree(seed, small_catalog(), bends=(0, 0)), 10**6, labour=6000)
    flows = known_flows(system)
    rich = pose(options_of(system, small_catalog(), flows.flows_m3_s), flows, 1.0).problem
    best = solve_sizing(rich)
    if best.cents is None:
        pytest.skip("no plan at all")
    spent = sum(rich.runs[run][k].uses[0] for run, k in best.run_choice.items())
    for budget in (spent // 2, max(0, spent - 1), spent):
        poor = within(system, budget, labour=6000)
        problem = pose(options_of(poor, small_catalog(), flows.flows_m3_s), flows, 1.0).problem

        assert solve_sizing(problem).cents == best_by_enumeration(problem)


def test_too_small_a_budget_is_told_with_what_would_be_enough() -> None:
    system = random_tree(1, small_catalog())
    free = find_plan(system, small_catalog()).plan
    total = pipeline.report(system, free, small_catalog()).bill.total_cents

    told = pipeline.search(within(system, total - 1), small_catalog())

    assert told.status is Status.INFEASIBLE
    assert f"a larger budget (`budget`); the parts would then cost ${total / 100:.2f}" in " ".join(said(told.reasons))
    assert "--most-flow" in " ".join(said(told.reasons))


def test_the_most_flow_for_a_budget_keeps_within_it_and_more_is_proved_out_of_reach() -> None:
    best = pipeline.most_flow(within(single_return(), 3000), catalog())
    report = pipeline.report(best.system, best.plan, catalog())

    assert report.bill.total_cents <= 3000
    assert best.most.scale > 1.0
    assert best.most.scale < best.most.beyond < math.inf
    beyond = scaled(within(single_return(), 3000), best.most.beyond)
    assert find_plan(beyond, catalog(), with_reasons=False).plan.status is Status.INFEASIBLE


def test_the_most_flow_for_nothing_is_what_the_plumbing_gives_as_it_stands() -> None:
    best = pipeline.most_flow(within(single_return(), 0), catalog())
    flows = pipeline.flows(single_return()).flows_m3_s

    assert best.plan.cost_cents == 0
    assert best.system.targets[0].low_m3_s == pytest.approx(flows["return line"], rel=0.011)


def test_the_most_flow_is_asked_of_some_flow_though_no_list_is_found_in_time() -> None:
    def bought(wanted: System) -> Plan:
        asked.append(least_asked(wants_of(wanted))["return line"])
        return Plan(Status.NO_PLAN_FOUND, None, None, "USD", {}, {}, {})

    asked, system = list[float](), single_return()
    least = least_asked(wants_of(system))["return line"]
    best = most_for_budget(within(system, 3000), bought, 0.0, lambda _: Plan(Status.FEASIBLE, 0, 0, "USD", {}, {}, {}))

    assert not best.plan.found
    assert min(asked) == pytest.approx(STEP * least)


def test_most_flow_without_a_budget_asks_for_one() -> None:
    with pytest.raises(PlanError, match="--budget"):
        pipeline.most_flow(single_return(), catalog())
