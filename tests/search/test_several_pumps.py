"""Several pumps before one tree: plans against every combination solved as a network, how they share it by scipy."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from listed_choices import cheapest_list_of_all
from networks import fixed_k, network, parabola_pump, pump_part, run, supply, tee_point
from said import said
from scipy.optimize import brentq
from several_pumps_systems import beside, catalog, in_a_row

from optimizer.hydraulics import (
    GRAVITY_M_S2,
    conditions_of,
    element_head_loss_m,
    element_of,
    entrance_head_loss_m,
    pump_head_m,
    solve_network,
    tee_head_losses_m,
)
from optimizer.hydraulics.friction import area_m2
from optimizer.model.network import Leg
from optimizer.model.plan import Plan, Status, planned_network
from optimizer.model.system import System
from optimizer.search.engine import solve
from optimizer.search.question import Question
from optimizer.search.watch import Watch
from optimizer.verify.check import verify_plan

FEW = "sizes: [3/4 in], other sizes: no"
FAST = f"{FEW}, velocity limit: 4 m/s"
PRICED = f"{FEW}, electricity: 0.40 USD/kWh, count for: 3 years"


def slow(*case: object) -> object:
    return pytest.param(*case, marks=pytest.mark.slow)


CASES = (
    slow(beside, "return: at least 1900 L/h", PRICED),
    slow(beside, "return: at least 2450 L/h", FEW),
    slow(beside, "return: at least 3600 L/h", FEW),
    (in_a_row, "left: at least 900 L/h, right: at least 700 L/h", PRICED),
    slow(in_a_row, "left: at least 1600 L/h, right: at least 1300 L/h", FAST),
    slow(in_a_row, "left: at least 2100 L/h, right: at least 1400 L/h", FEW),
)


def planned(system: System) -> Plan:
    return solve(Question(system, catalog(), Watch.of(60.0))).plan


@pytest.mark.parametrize(("build", "targets", "rules"), CASES)
def test_the_list_of_a_plan_with_several_pumps_costs_no_more_than_that_of_any_combination(
    build: Callable[[str, str], System], targets: str, rules: str
) -> None:
    system = build(targets, rules)

    plan = planned(system)

    best = cheapest_list_of_all(system, catalog())
    assert plan.found == math.isfinite(best)
    assert plan.found or said(plan.reasons)
    assert plan.status is (Status.OPTIMAL if plan.found else Status.INFEASIBLE)
    if plan.found:
        assert plan.bound_cents == plan.material_cents <= best
        assert plan.material_cents == plan.cost_cents + plan.effort_cents + plan.energy_cents
        assert verify_plan(system, plan).passed


def test_two_lines_share_the_flow_as_scipy_has_them_give_one_head_where_they_join() -> None:
    system = beside("return: at least 2200 L/h", "sizes: [3/4 in, 1 in]")

    plan = planned(system)

    network = planned_network(system.network, plan)
    flows, conditions = verify_plan(system, plan).flows_m3_s, conditions_of(network)
    item, total = network.tees["join"].item, flows["return"]
    lines = [network.runs[name].parts for name in ("line 1", "line 2")]

    def heads(first: float) -> tuple[float, float]:
        both = (first, total - first)
        taken = tee_head_losses_m(item, {Leg.RUN_1: first, Leg.BRANCH: both[1], Leg.RUN_2: -total}, conditions)
        lost = [
            sum(element_head_loss_m(element_of(part, conditions), flow, conditions) for part in parts)
            + entrance_head_loss_m(parts[0], flow, conditions)
            for parts, flow in zip(lines, both, strict=True)
        ]
        a, b = (
            pump_head_m(network.pumps[name], flow, plan.pump_speeds[name]) - loss - taken[leg]
            for name, flow, loss, leg in zip(("first", "second"), both, lost, (Leg.RUN_1, Leg.BRANCH), strict=True)
        )
        return a, b

    assert total >= 2200e-3 / 3600 * (1.0 - 1e-6)
    first = brentq(lambda q: heads(q)[0] - heads(q)[1], 1e-3 * total, 0.999 * total, xtol=1e-12)
    assert flows["line 1"] == pytest.approx(first, rel=1e-4)


def test_pumps_in_a_row_add_their_heads_at_one_flow() -> None:
    # the rule of pumps in series: Karassik et al., Pump Handbook, ch. 2.3 (centrifugal pump performance); from memory
    pumps = [parabola_pump(4.0, 3e6, "a"), parabola_pump(3.0, 2e6, "b")]
    k, bore = 20.0, 0.025
    parts = (pump_part("a"), fixed_k(1e-9, bore), pump_part("b"), fixed_k(k, bore))
    plumbing = network([supply("low", 0.0), supply("high", 2.0)], [run("line", "low", "high", *parts)], pumps=pumps)

    flow = solve_network(plumbing).flows_m3_s["line"]

    # 4 - 3e6 Q² + 3 - 2e6 Q² = 2 + K Q² / (2 g A²)
    square = k / (2.0 * GRAVITY_M_S2 * area_m2(bore) ** 2)
    assert flow == pytest.approx(math.sqrt((4.0 + 3.0 - 2.0) / (3e6 + 2e6 + square)), rel=1e-6)


def test_two_pumps_in_parallel_give_what_a_textbook_says() -> None:
    # White, Fluid Mechanics, 7th/8th ed., Example 11.7 (30,400 gal/min at 430 ft, to the figures printed); from memory
    unit, foot = 1000.0 * 3.785411784e-3 / 60.0, 0.3048
    pumps = [parabola_pump(490.0 * foot, 0.26 * foot / unit**2, name) for name in ("a", "b")]
    square, bore = 0.335 * foot / unit**2, 0.1
    k = square * 2.0 * GRAVITY_M_S2 * area_m2(bore) ** 2
    lines = [run(pump.name, "low", "join", pump_part(pump.name), fixed_k(1e-9, bore)) for pump in pumps]
    points = [supply("low", 0.0), supply("high", 120.0 * foot), tee_point("join")]
    plumbing = network(points, [*lines, run("line", "join", "high", fixed_k(k, bore))], pumps=pumps)

    flow = solve_network(plumbing).flows_m3_s["line"]

    assert flow / unit == pytest.approx(30.4, abs=0.05)
    assert (120.0 * foot + square * flow**2) / foot == pytest.approx(430.0, abs=0.5)
