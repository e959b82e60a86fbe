"""Limits of meters by simulation: clogs read below, breaks above, normal scatter between; the rest is said."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache

import numpy as np
import planned_examples
import pytest
from said import said
from small_aquaria import aquarium

from optimizer import pipeline
from optimizer.documents.settings_card import avoid_lines, note_lines
from optimizer.hydraulics import solve_network
from optimizer.hydraulics.uncertainty import uncertainty
from optimizer.model.catalog import Kind
from optimizer.model.network import Device, Leg, Network, Point, PointKind, RunEnd, Tee
from optimizer.model.outcome import PlanReport
from optimizer.model.system import Setting, System, Target
from optimizer.read.places import data_directory
from optimizer.verify import card as cards_home
from optimizer.verify.card import SettingsCard, settings_card
from optimizer.verify.limits import SCATTER, MeterLimits, Trials, limits_of, orifice_k, trials_of

EXAMPLES = planned_examples.ALL
LOW, HIGH = 1.0 - SCATTER, 1.0 + SCATTER


def report(name: str) -> PlanReport:
    return planned_examples.searched(name)[0]


@cache
def planned(name: str) -> SettingsCard:
    """Return the card of an example's cheapest plan, as it is set."""
    found = report(name)
    return settings_card(as_set(found.system), found.plan, found.verification, known_band=found.band)


@cache
def dialled(name: str) -> SettingsCard:
    """Return the same at all speeds of the dial."""
    return planned_examples.card_of(name)


@cache
def present(name: str) -> SettingsCard:
    system, _ = pipeline.read(data_directory("examples") / f"{name}.yaml")
    return settings_card(as_set(system))


def as_set(system: System) -> System:
    """Return a system whose pumps run as they are set, and no other way."""
    pumps = {name: replace(pump, speeds=()) for name, pump in system.network.pumps.items()}
    return replace(system, network=replace(system.network, pumps=pumps))


def meters(*cards: SettingsCard) -> Iterator[tuple[Network, MeterLimits]]:
    """Yield every meter in every way to run it that has any water to show."""
    for card in cards:
        for mode in card.modes:
            yield from ((mode.network, meter) for meter in mode.meters if meter.flow_m3_s > 1e-7)


def check_low(network: Network, meter: MeterLimits) -> None:
    """A clogged run reads below the low limit and a clean one above it, or it is said why not."""
    clogged = HIGH * trials_of(network, meter.run).clogged_flow_m3_s()  # as a meter that shows too much shows it
    told = " ".join(said(meter.notes))
    if meter.low_m3_s is None:
        assert clogged >= LOW * meter.flow_m3_s
        assert "no low limit can show it" in told
    else:
        assert meter.low_m3_s < LOW * meter.flow_m3_s
        assert clogged < meter.low_m3_s or (meter.low_is_need and "the low limit is the minimum flow" in told)


def check_high(network: Network, meter: MeterLimits) -> int:
    """Every break reads above the high limit or is named as one that can not be seen. Return how many can."""
    told, seen = " ".join(said(meter.notes)), 0
    for place, flow in trials_of(network, meter.run).broken_flows_m3_s():
        if LOW * flow > HIGH * meter.flow_m3_s:
            seen += 1
            assert meter.high_m3_s is not None
            assert LOW * flow > meter.high_m3_s > HIGH * meter.flow_m3_s
        else:
            assert place in meter.unseen
            assert len(meter.unseen) < len(meter.breaks) or "cannot see a break anywhere" in told
    return seen


@pytest.mark.long
@pytest.mark.parametrize("name", planned_examples.each(EXAMPLES))
def test_a_clogged_run_reads_below_the_low_limit_and_a_clean_one_above_it_or_the_card_says_why_not(name: str) -> None:
    found = list(meters(planned(name), present(name)))
    for network, meter in found:
        check_low(network, meter)

    assert any(meter.low_m3_s is not None for _, meter in found)


@pytest.mark.parametrize("name", planned_examples.each(EXAMPLES))
def test_every_break_reads_above_the_high_limit_or_is_named_as_one_that_the_meter_can_not_see(name: str) -> None:
    assert sum(check_high(network, meter) for network, meter in meters(planned(name), present(name))) > 3


@pytest.mark.slow
@pytest.mark.parametrize("name", planned_examples.each(EXAMPLES))
def test_the_limits_hold_at_every_speed_of_the_dial(name: str) -> None:
    for network, meter in meters(dialled(name)):
        check_low(network, meter)
        check_high(network, meter)


@pytest.mark.parametrize("name", planned_examples.each(EXAMPLES))
def test_a_first_reading_lies_within_the_limits_or_the_card_says_that_it_tells_nothing_yet(name: str) -> None:
    mode, lines = planned(name).modes[0], list(note_lines(planned(name)))
    told = next((line for line in lines if "first reading alone will not show" in line), "")
    for meter in mode.meters:
        low, high = meter.band_m3_s
        assert low < meter.flow_m3_s < high
        inside = low >= (meter.low_m3_s or 0.0) and (meter.high_m3_s is None or high <= meter.high_m3_s)
        assert inside or meter.run in told


def test_the_band_of_a_first_reading_is_the_models_own() -> None:
    (mode,) = present("single-return").modes
    bands = pipeline.flow_band(present("single-return").system)

    for meter in (*planned("single-return").modes[0].meters, *mode.meters):
        assert meter.band_m3_s[1] > 1.04 * meter.flow_m3_s
    assert mode.meters[0].band_m3_s == bands["return line"]


@pytest.mark.long
def test_readings_that_were_fitted_narrow_the_band_of_the_first_reading() -> None:
    from optimizer.model.calibration import with_calibration

    system, _ = pipeline.read(data_directory("examples") / "measured-return.yaml")
    fitted = pipeline.calibrate(system).best.calibration
    known = replace(system, network=with_calibration(system.network, fitted), calibration=fitted)
    before, after = (settings_card(as_set(each)).modes[0].meters[0].band_m3_s for each in (system, known))

    assert after[1] - after[0] < 0.5 * (before[1] - before[0])


def shares(clean: Network, other: Network, run: str) -> np.ndarray:
    """Return what a run carries in one plumbing over what it does in another, draw by draw of all that is not known."""
    whole, changed = uncertainty(clean, samples=100), uncertainty(other, samples=100)
    return changed.flows_m3_s[:, changed.run_names.index(run)] / whole.flows_m3_s[:, whole.run_names.index(run)]


def test_the_limits_hold_as_shares_of_ones_own_reading_whatever_the_calculation_is_off() -> None:
    # half the section of the steriliser gone, and every coefficient, bore and curve drawn by chance within its band
    mode = planned("cellar-sump").modes[0]
    meter = next(meter for meter in mode.meters if meter.run == "uv line")
    worn = {
        name: replace(device, curve=tuple((q, 4.0 * h) for q, h in device.curve)) if name == "uv" else device
        for name, device in mode.network.devices.items()
    }
    found = shares(mode.network, replace(mode.network, devices=worn), "uv line")
    assert meter.low_m3_s is not None
    assert (found < meter.low_m3_s / meter.flow_m3_s).mean() > 0.95
    assert meter.band_m3_s[0] < meter.low_m3_s  # as a flow the limit would call that a clog


@pytest.mark.long
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
    flows = [trials_of(network, "return line", clog).clogged_flow_m3_s() for clog in (0.2, 0.5, 0.8)]

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
    assert trials_of(with_loss(0.5), "return line").clogged_flow_m3_s() == pytest.approx(worn)


def test_a_break_is_simulated_at_every_joint_behind_the_pump() -> None:
    network = aquarium().network
    breaks = list(trials_of(network, "return line").broken_flows_m3_s())
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
        assert again == pytest.approx(dict(trials_of(slower, "return line").broken_flows_m3_s()), abs=1e-9)
        clogged = trials.clogged_flow_m3_s(speeds, flows)
        assert clogged == pytest.approx(trials_of(slower, "return line").clogged_flow_m3_s(), abs=1e-9)


def test_in_a_ring_a_break_lets_water_out_from_both_sides() -> None:
    network = ring()
    normal = solve_network(network).flows_m3_s
    breaks = list(trials_of(network, "near").broken_flows_m3_s())

    assert len(breaks) == len(network.runs["near"].parts) - 1
    assert all(flow > 1.05 * normal["near"] for _, flow in breaks)


def ring() -> Network:
    """Return the aquarium with a second way of pipe from a tee behind the pump to one before the display."""
    whole = aquarium().network
    parts = whole.runs["return line"].parts
    line = whole.runs["return line"]
    points = {name: Point(name, PointKind.TEE) for name in ("fork", "join")}
    runs = {
        "riser": replace(line, name="riser", parts=parts[:2], end=RunEnd("fork", Leg.RUN_1)),
        "near": replace(
            line, name="near", parts=parts[2:5], start=RunEnd("fork", Leg.RUN_2), end=RunEnd("join", Leg.RUN_1)
        ),
        "far": replace(
            line, name="far", parts=parts[2:5], start=RunEnd("fork", Leg.BRANCH), end=RunEnd("join", Leg.BRANCH)
        ),
        "return": replace(line, name="return", parts=parts[5:], start=RunEnd("join", Leg.RUN_2)),
    }
    tees = {name: Tee(name, None) for name in points}
    return replace(whole, points={**whole.points, **points}, runs=runs, tees=tees)


def test_a_speed_at_which_the_pump_can_not_lift_the_water_is_one_to_avoid() -> None:
    system = aquarium()
    slow = replace(system.network.pumps["return"], speeds=(0.4, 1.0))
    card = settings_card(replace(system, network=replace(system.network, pumps={"return": slow})))

    assert [mode.is_to_avoid for mode in card.modes] == [False, True]
    assert any("Do not set pump return to 40 %" in line and "cannot lift water" in line for line in avoid_lines(card))


@pytest.mark.parametrize("most", [0, 40_000])
def test_what_is_compiled_for_all_speeds_is_kept_up_to_a_bound(monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    made: list[str] = []

    def counted(network: Network, run: str, clog: float) -> Trials:
        made.append(run)
        return trials_of(network, run, clog)

    monkeypatch.setattr(cards_home, "trials_of", counted)
    monkeypatch.setattr(cards_home, "MOST_KEPT", most)
    system = aquarium()
    dialled = replace(system.network.pumps["return"], speeds=(0.9, 1.0))
    shown = settings_card(replace(system, network=replace(system.network, pumps={"return": dialled})))

    assert made == ["return line"] * (1 if most else 2)
    assert [meter.run for mode in shown.modes for meter in mode.meters] == ["return line"] * 2
    assert shown.modes[0].meters == settings_card(as_set(system)).modes[0].meters


def test_speeds_to_avoid_that_follow_one_another_are_told_as_a_span() -> None:
    system = aquarium()
    slow = replace(system.network.pumps["return"], speeds=(0.38, 0.39, 0.4, 1.0))
    card = settings_card(replace(system, network=replace(system.network, pumps={"return": slow})))

    assert any("Do not set pump return to 38 % to 40 %:" in line for line in avoid_lines(card))


def test_a_setting_of_the_owner_that_is_unsafe_is_told_on_the_card() -> None:
    from optimizer.documents.settings_card import card_blocks

    settings = (Setting("day", {"return": 1.0}, (Target("return line", 1e-4),)), Setting("night", {"return": 0.3}, ()))
    system = replace(aquarium(), settings=settings, targets=())
    card = settings_card(system)

    assert said(card.modes[0].unsafe) == ()
    assert any("dead-headed" in text for text in said(card.modes[1].unsafe))
    assert any("Do not run it so" in str(block) for block in card_blocks(card))


def test_what_is_needed_within_the_scatter_of_the_flow_is_told() -> None:
    system = aquarium()
    flow = solve_network(system.network).flows_m3_s["return line"]

    def lines(low_m3_s: float) -> list[str]:
        card = settings_card(replace(system, targets=(Target("return line", low_m3_s),)))
        return [line for line in note_lines(card) if "within the normal scatter" in line]

    assert lines(0.99 * flow)
    assert not lines(0.5 * flow)


def test_where_a_throttled_valve_takes_all_the_head_a_clog_can_not_be_told_and_the_card_says_so() -> None:
    network = aquarium().network
    run = network.runs["return line"]
    nearly_shut = tuple(replace(p, opening=0.3) if p.kind is Kind.BALL_VALVE else p for p in run.parts)
    limits = limits_of(network.with_runs({"return line": replace(run, parts=nearly_shut)}), "return line", clog=0.2)

    assert limits.low_m3_s is None
    assert any("no low limit can show" in note for note in said(limits.notes))


def test_the_least_flow_that_is_needed_is_the_low_limit_where_it_is_nearer() -> None:
    network = aquarium().network
    flow = solve_network(network).flows_m3_s["return line"]
    limits = limits_of(network, "return line", window_low_m3_s=0.948 * flow)

    assert limits.low_m3_s == 0.948 * flow
    assert limits.low_is_need


def test_a_line_where_nothing_flows_has_no_limits() -> None:
    network = aquarium().network
    run = network.runs["return line"]
    shut = tuple(replace(p, opening=0.0) if p.kind is Kind.BALL_VALVE else p for p in run.parts)
    limits = limits_of(network.with_runs({"return line": replace(run, parts=shut)}), "return line")

    assert limits.low_m3_s is None
    assert limits.high_m3_s is None
    assert said(limits.notes)


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

    card = settings_card(replace(system, network=house))
    assert any("filter is due" in line for line in note_lines(card))


@pytest.mark.long
def test_the_cellars_siphon_has_a_valve_setting_and_every_speed_its_meters() -> None:
    card = dialled("cellar-sump")

    assert len(card.modes) == 4  # the planned speed, and the three others of the dial
    assert card.modes[0].drains[0][0] == "main drain"
