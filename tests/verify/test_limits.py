"""Limits of meters by simulation: clogs read below, breaks above, normal scatter between; the rest is said."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from small_aquaria import aquarium

from optimizer import pipeline
from optimizer.hydraulics import solve_network
from optimizer.model.catalog import Kind
from optimizer.model.network import Device, Network, Point, PointKind
from optimizer.model.outcome import PlanReport
from optimizer.read.places import data_directory
from optimizer.verify.card import SettingsCard, settings_card
from optimizer.verify.limits import SCATTER, MeterLimits, broken_flows, clogged_flow_m3_s, limits_of
from optimizer.verify.trials import orifice_k, trials_of

EXAMPLES = ("cellar-sump", "metric-unions", "single-return", "starter")


@cache
def report(name: str) -> PlanReport:
    system, catalog = pipeline.read(data_directory("examples") / f"{name}.yaml")
    return pipeline.plan(system, catalog)


@cache
def planned(name: str) -> SettingsCard:
    """Return the card of an example's cheapest plan."""
    return pipeline.settings_card(report(name).system, report(name))


@cache
def present(name: str) -> SettingsCard:
    system, _ = pipeline.read(data_directory("examples") / f"{name}.yaml")
    return settings_card(system)


def meters(name: str) -> list[tuple[Network, MeterLimits]]:
    cards = (planned(name), present(name))
    return [(mode.network, meter) for card in cards for mode in card.modes for meter in mode.meters]


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_clog_reads_below_the_low_limit_and_normal_running_above_it(name: str) -> None:
    told = [(network, meter) for network, meter in meters(name) if meter.low_m3_s is not None]

    assert told
    for network, meter in told:
        assert meter.low_m3_s is not None
        assert meter.low_m3_s < meter.flow_m3_s * (1 - SCATTER)
        if not any("least flow that is needed" in note for note in meter.notes):
            assert clogged_flow_m3_s(network, meter.run) < meter.low_m3_s


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_break_reads_above_the_high_limit_or_is_reported_as_one_that_the_meter_can_not_see(name: str) -> None:
    told = 0
    for network, meter in meters(name):
        for place, flow in broken_flows(network, meter.run) if meter.flow_m3_s > 0 else ():
            if place in meter.unseen:
                continue
            told += 1
            assert meter.high_m3_s is not None
            assert flow > meter.high_m3_s > meter.flow_m3_s * (1 + SCATTER)

    assert told > 3


@pytest.mark.parametrize("name", EXAMPLES)
def test_where_no_limit_can_tell_the_card_says_why(name: str) -> None:
    for _, meter in meters(name):
        if meter.low_m3_s is None or meter.high_m3_s is None or meter.unseen:
            assert meter.notes


def test_the_plan_of_every_example_has_the_flows_that_its_check_found() -> None:
    for name in EXAMPLES:
        flows = report(name).verification.flows_m3_s
        for meter in planned(name).modes[0].meters:
            assert meter.flow_m3_s == pytest.approx(flows[meter.run], rel=1e-3)


def test_half_the_section_costs_what_the_published_orifice_does() -> None:
    # K = (1/(s Cc) - 1)^2 with Weisbach's Cc = 0.62 + 0.38 s^3 (from memory): s = 0.5, Cc = 0.6675, K = 3.985.
    assert orifice_k(0.5) == pytest.approx(3.985, rel=1e-3)
    assert orifice_k(1.0) == 0.0


def test_a_larger_clog_leaves_less_flow() -> None:
    network = aquarium().network
    flows = [clogged_flow_m3_s(network, "return line", clog) for clog in (0.2, 0.5, 0.8)]

    assert solve_network(network).flows_m3_s["return line"] > flows[0] > flows[1] > flows[2]


def test_a_clogged_device_loses_four_times_as_much_at_half_its_section() -> None:
    system = aquarium()
    run = system.network.runs["return line"]
    fitted = replace(run.parts[0], kind=Kind.DEVICE, name="uv")
    row = replace(run, parts=(*run.parts, fitted))

    def with_loss(head_m: float) -> Network:
        device = Device("uv", ((3e-4, head_m),), run.parts[0].ends)  # type: ignore[arg-type]
        return replace(system.network.with_runs({"return line": row}), devices={"uv": device})

    worn = solve_network(with_loss(2.0)).flows_m3_s["return line"]
    assert clogged_flow_m3_s(with_loss(0.5), "return line") == pytest.approx(worn)


def test_a_break_is_simulated_at_every_joint_behind_the_pump() -> None:
    network = aquarium().network
    breaks = list(broken_flows(network, "return line"))
    normal = solve_network(network).flows_m3_s["return line"]

    assert len(breaks) == len(network.runs["return line"].parts) - 1
    assert breaks[0][1] > normal
    assert [flow for _, flow in breaks[:3]] == sorted((flow for _, flow in breaks[:3]), reverse=True)


def test_trials_compiled_once_find_at_every_speed_what_a_plumbing_of_that_speed_does() -> None:
    network = aquarium().network
    trials = trials_of(network, "return line")
    for speed in (0.9, 0.75):
        slower = replace(network, pumps={name: replace(pump, speed=speed) for name, pump in network.pumps.items()})
        speeds, flows = dict.fromkeys(network.pumps, speed), solve_network(slower).flows_m3_s

        again = dict(trials.broken_flows_m3_s(speeds, flows))
        assert again == pytest.approx(dict(broken_flows(slower, "return line")), abs=1e-9)
        clogged = trials.clogged_flow_m3_s(speeds, flows)
        assert clogged == pytest.approx(clogged_flow_m3_s(slower, "return line"), abs=1e-9)


def test_where_a_throttled_valve_takes_all_the_head_a_clog_can_not_be_told_and_the_card_says_so() -> None:
    network = aquarium().network
    run = network.runs["return line"]
    nearly_shut = tuple(replace(p, opening=0.3) if p.kind is Kind.BALL_VALVE else p for p in run.parts)
    limits = limits_of(network.with_runs({"return line": replace(run, parts=nearly_shut)}), "return line", clog=0.2)

    assert limits.low_m3_s is None
    assert any("no low limit can tell" in note for note in limits.notes)


def test_the_least_flow_that_is_needed_is_the_low_limit_where_it_is_nearer() -> None:
    network = aquarium().network
    flow = solve_network(network).flows_m3_s["return line"]
    limits = limits_of(network, "return line", window_low_m3_s=0.948 * flow)

    assert limits.low_m3_s == 0.948 * flow


def test_a_line_where_nothing_flows_has_no_limits() -> None:
    network = aquarium().network
    run = network.runs["return line"]
    shut = tuple(replace(p, opening=0.0) if p.kind is Kind.BALL_VALVE else p for p in run.parts)
    limits = limits_of(network.with_runs({"return line": replace(run, parts=shut)}), "return line")

    assert limits.low_m3_s is None
    assert limits.high_m3_s is None
    assert limits.notes


def test_a_house_water_line_says_at_which_flow_its_filter_is_due() -> None:
    system = aquarium()
    run = system.network.runs["return line"]
    fitted = replace(run.parts[0], kind=Kind.DEVICE, name="filter")
    device = Device("filter", ((3e-4, 5.0),), run.parts[0].ends)  # type: ignore[arg-type]
    points = {**system.network.points, "sump": Point("sump", PointKind.SUPPLY, 30.0, 0.0)}
    house = replace(
        system.network.with_runs({"return line": replace(run, parts=(fitted, *run.parts[1:]))}),
        points=points,
        pumps={},
        devices={"filter": device},
    )
    limits = limits_of(house, "return line")

    assert limits.filter_line
    assert limits.low_m3_s is not None

    from optimizer.documents.settings_card import note_lines

    card = settings_card(replace(system, network=house))
    assert any("filter is due" in line for line in note_lines(card))


def test_the_cellars_siphon_has_a_valve_setting_and_every_speed_its_meters() -> None:
    card = planned("cellar-sump")

    assert len(card.modes) == 4  # the planned speed, and the three others of the dial
    assert card.modes[0].drains[0][0] == "main drain"
