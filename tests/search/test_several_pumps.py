"""Several pumps before known flows: plans against every combination solved as a network, heads against scipy."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from listed_choices import cheapest_list_of_all
from networks import fixed_k, network, parabola_pump, pump_part, run, supply, tee_point
from said import said
from scipy.optimize import brentq
from several_pumps_systems import beside, catalog, in_a_row

from optimizer.choices.stations import Station, station_of
from optimizer.errors import FlowsUnknownError
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
from optimizer.model.plan import Status
from optimizer.model.system import System
from optimizer.search.options import Options, options_of
from optimizer.search.pumps_plan import find_pumps_plan
from optimizer.search.station import PumpsChoice, pumps_choices
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


@pytest.mark.parametrize(("build", "targets", "rules"), CASES)
def test_no_combination_of_two_pumps_has_a_list_below_the_bound_of_the_plan(
    build: Callable[[str, str], System], targets: str, rules: str
) -> None:
    system = build(targets, rules)

    plan = find_pumps_plan(system, catalog())

    best = cheapest_list_of_all(system, catalog())
    assert plan.found == math.isfinite(best)
    assert plan.found or (plan.status is Status.INFEASIBLE and said(plan.reasons))
    if plan.found:
        assert plan.bound_cents <= best
        assert (plan.status is Status.OPTIMAL) == (plan.bound_cents == plan.material_cents)
        assert plan.material_cents == plan.cost_cents + plan.effort_cents + plan.energy_cents
        assert verify_plan(system, plan).passed


@pytest.mark.parametrize(
    ("build", "targets", "rules"), [case for case in CASES if in_a_row in getattr(case, "values", case)]
)
def test_pumps_in_a_row_are_planned_to_the_least_list_with_its_proof(
    build: Callable[[str, str], System], targets: str, rules: str
) -> None:
    system = build(targets, rules)

    plan = find_pumps_plan(system, catalog())

    assert plan.status is (Status.OPTIMAL if plan.found else Status.INFEASIBLE)
    assert (plan.material_cents if plan.found else math.inf) <= cheapest_list_of_all(system, catalog())


def posed(system: System) -> tuple[Station, Options]:
    station = station_of(system)
    names = dict.fromkeys([*station.lines, *station.flows.flows_m3_s])
    return station, options_of(system, catalog(), names)


def head_by_scipy(system: System, station: Station, options: Options, choice: PumpsChoice) -> float:
    """Return the head behind the tee where scipy finds the share at which both lines give the same."""
    network, conditions = system.network, conditions_of(system.network)
    item = options.tees[station.join][choice.tee].item
    total = station.flows.total_m3_s
    parts = [way.parts for way in choice.ways]
    pumps = [network.pumps[name] for name in ("first", "second")]

    def heads(first: float) -> tuple[float, float]:
        flows = (first, total - first)
        taken = tee_head_losses_m(item, {Leg.RUN_1: first, Leg.BRANCH: flows[1], Leg.RUN_2: -total}, conditions)
        lost = [
            sum(element_head_loss_m(element_of(part, conditions), flow, conditions) for part in own)
            + entrance_head_loss_m(own[0], flow, conditions)
            for own, flow in zip(parts, flows, strict=True)
        ]
        a, b = (
            pump_head_m(pump, flow, choice.speeds[pump.name]) - loss - taken[leg] - taken[Leg.RUN_2]
            for pump, flow, loss, leg in zip(pumps, flows, lost, (Leg.RUN_1, Leg.BRANCH), strict=True)
        )
        return a, b

    return heads(brentq(lambda q: heads(q)[0] - heads(q)[1], 1e-3 * total, 0.999 * total, xtol=1e-12))[0]


def test_two_lines_give_the_head_at_which_scipy_lets_them_share_the_flow() -> None:
    system = beside("return: at least 2200 L/h", FEW)
    station, options = posed(system)

    choices = pumps_choices(station, options)

    assert choices
    for choice in choices:
        # the crossing is closed to 1e-7 m
        assert choice.head_m == pytest.approx(head_by_scipy(system, station, options, choice), abs=1e-6)
        assert sum(choice.flows_m3_s) == pytest.approx(station.flows.total_m3_s)


def test_pumps_in_a_row_add_their_heads_at_one_flow() -> None:
    # the rule of pumps in series: Karassik et al., Pump Handbook, ch. 2.3 (centrifugal pump performance); from memory
    system = in_a_row("left: at least 900 L/h, right: at least 700 L/h")
    station, options = posed(system)
    flow = 1600e-3 / 3600

    best = max(pumps_choices(station, options), key=lambda choice: choice.head_m)

    pumps = system.network.pumps.values()
    assert best.head_m == pytest.approx(sum(pump_head_m(pump, flow, 1.0) for pump in pumps))


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


def test_a_target_on_one_of_two_lines_is_left_to_the_search_with_unknown_flows() -> None:
    with pytest.raises(FlowsUnknownError, match="what one of two pumps gives"):
        station_of(beside("return: at least 1500 L/h, line 1: at least 700 L/h"))
