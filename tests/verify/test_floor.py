"""Floods that a careful person thinks of, by hand; safe ranges of pumps by a sweep; weak joints in order."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from said import free, said, worded

from optimizer import pipeline
from optimizer.documents.answer import safety_words
from optimizer.documents.drawing.labels import PROBE, Shown, run_lines
from optimizer.documents.floor_text import probe_runs, probe_words
from optimizer.documents.safety_text import result_words
from optimizer.errors import NoPlanError
from optimizer.hydraulics import solve_network
from optimizer.model.checks import Check
from optimizer.model.circuits import fed_surfaces
from optimizer.model.network import Network
from optimizer.model.safety import SafetyCheck, Scenario, Verdict
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.verify.drains import drain_capacity_m3_s
from optimizer.verify.floor import floor_facts
from optimizer.verify.leaks import LIKELIHOOD, OLD, leak_places
from optimizer.verify.limits import NOTHING_M3_S
from optimizer.verify.remarks import warnings_of
from optimizer.verify.running import running
from optimizer.verify.safe_range import safe_ranges
from optimizer.verify.safety import flow_checks, unsafe_when
from optimizer.verify.scenarios import scenarios_of

EXAMPLES = Path(__file__).parents[2] / "examples"

FILE = """
system: line
units: metric
currency: USD
water: {salinity: 35 g/kg, temperature: 25 degC}
surfaces: {sump: 0 m, display: 1 m}
pumps:
  p:
    curve: [[0 L/h, 4 m], [6000 L/h, 0 m]]
    ports: 1 in NPT male
    speed: 90 %
    speeds: [40 %, 60 %, 80 %, 90 %, 100 %]
runs:
  line:
    from: sump
    to: display
    size: 1 in sch 40 PVC
    parts: [pump p, adapter NPT female x socket, union, pipe 1 m, ball valve, pipe 20 cm, elbow, pipe 10 cm]
tanks:
  display:
    area: 0.5 m2
    overflow edge: 40 cm
    rim above edge: 30 mm
    return outlet depth: 100 mm
    siphon break depth: 10 mm
    start volume: 2 L
  sump: {free volume: 40 L, pump reserve: 20 L<more>}
drains:
  main drain:
    {from: display, mode: full siphon, size: 1-1/2 in sch 40 PVC, drop: 0.9 m, parts: [bulkhead, elbow, pipe 900 mm]}
  emergency drain:
    from: display
    mode: emergency
    size: 1-1/2 in sch 40 PVC
    drop: 0.9 m
    head over lip: <lip>
    parts: [bulkhead, elbow, pipe 900 mm]
targets: {line: at least 900 L/h}
"""


def system(tmp_path: Path, lip: str = "30 mm", more: str = "") -> System:
    file = tmp_path / "line.yaml"
    file.write_text(FILE.replace("<more>", more).replace("<lip>", lip), encoding="utf-8")
    return load_system(file, load_catalog())


def told(there: System, flow_m3_s: float) -> dict[str, Scenario]:
    return {worded(one.title): one for one in scenarios_of(there, there.network, {"line": flow_m3_s})}


FLOW = 1000 / 3.6e6  # 1,000 L/h


def over_edge_m(flow_m3_s: float, edge_m: float) -> float:
    """Return the head over an edge by Q = 1.66 L h^1.5 (Texas Hydraulic Design Manual, eq. 10-30)."""
    return float((flow_m3_s / (1.66 * edge_m)) ** (2 / 3))


def test_a_clogged_siphon_break_lets_the_tank_run_down_to_its_outlet(tmp_path: Path) -> None:
    # By hand: 0.5 m² times the head over 40 cm of edge and 10 mm to the hole, or 100 mm to the outlet; 45 L more, of
    # which pipe and drain water (the same in both) come on top.
    rows = told(system(tmp_path), FLOW)
    open_, clogged = rows["the power fails"], rows["the power fails and the siphon break is clogged"]
    assert open_.water_m3 is not None
    assert clogged.water_m3 is not None
    assert clogged.water_m3 - open_.water_m3 == pytest.approx(0.5 * 0.090, rel=1e-9)
    assert open_.water_m3 > 0.5 * (over_edge_m(FLOW, 0.4) + 0.010)
    assert clogged.spilled_m3 == pytest.approx(clogged.water_m3 - 0.040, rel=1e-9)
    assert (open_.spilled_m3, open_.verdict, clogged.verdict) == (0.0, Verdict.SAFE, Verdict.CLOSE)


def written(tmp_path: Path, *changes: tuple[str, str]) -> System:
    """Return the line with other things written into its file."""
    text = FILE.replace("<more>", "").replace("<lip>", "30 mm")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    file = tmp_path / "other.yaml"
    file.write_text(text, encoding="utf-8")
    return load_system(file, load_catalog())


# Inside of 1 in. and 1-1/2 in. schedule 40 pipe, average wall: 26.1 and 40.4 mm (ASTM D1785, from memory).
LINE_M3 = 1.3 * np.pi / 4 * 0.0261**2
DRAIN_M3 = 0.9 * np.pi / 4 * 0.0404**2
FITTINGS_M3 = 1.0e-3  # what elbows, valve, union and bulkheads may hold besides


def test_a_power_cut_drains_the_tank_to_its_siphon_break_and_what_stands_in_the_pipes(tmp_path: Path) -> None:
    # By hand: 0.5 m² times 5.59 mm over the edge and 10 mm to the hole are 7.8 L; 0.7 L in 1.3 m of line, 1.2 L in the
    # drain that runs.
    by_hand = 0.5 * (over_edge_m(FLOW, 0.4) + 0.010) + LINE_M3 + DRAIN_M3
    row = told(system(tmp_path), FLOW)["the power fails"]
    assert row.water_m3 is not None
    assert by_hand <= row.water_m3 <= by_hand + FITTINGS_M3
    assert (row.spilled_m3, row.verdict) == (0.0, Verdict.SAFE)


def test_a_check_valve_that_sticks_lets_back_what_no_check_valve_would_hold(tmp_path: Path) -> None:
    there = written(tmp_path, ("pipe 1 m, ball valve", "pipe 1 m, swing check valve, pipe 10 cm, ball valve"))
    rows = told(there, FLOW)
    by_hand = 0.5 * (over_edge_m(FLOW, 0.4) + 0.010) + LINE_M3 * 1.4 / 1.3 + DRAIN_M3
    row = rows["the power fails and the check valve sticks open"]
    assert row.water_m3 is not None
    assert by_hand <= row.water_m3 <= by_hand + FITTINGS_M3
    assert row.water_m3 <= 0.040  # the room in the sump
    assert row.verdict is Verdict.SAFE


def test_a_joint_on_the_suction_lets_out_what_the_pump_would_draw_and_no_more(tmp_path: Path) -> None:
    # The sump runs out down to the pump's intake, 20 L; what is above runs back by the return, not out here.
    there = written(tmp_path, ("parts: [pump p,", "parts: [pipe 20 cm, adapter socket x NPT female, pump p,"))
    rows = told(there, FLOW)
    row = rows["a joint comes apart on the suction of 'line'"]
    assert (row.water_m3, row.spilled_m3) == pytest.approx((0.020, 0.020))
    assert row.verdict is Verdict.UNSAFE
    assert "a joint comes apart on the suction of 'line'" not in told(system(tmp_path), FLOW)  # in the water


def test_a_joint_at_a_device_lets_out_as_much_as_one_at_the_pump(tmp_path: Path) -> None:
    # By hand: 20 L of the sump, 7.8 L of the tank, what stands in the line, and the 3 L of the device itself.
    old = "ball valve, pipe 20 cm"
    new = "ball valve, pipe 10 cm, adapter socket x NPT female, device uv, adapter NPT female x socket, pipe 10 cm"
    file = "runs:\n  line:"
    uv = "devices:\n  uv: {loss: [0.3 m at 1000 L/h, 1.0 m at 2000 L/h], volume: 3 L, ports: 1 in NPT male}\n"
    there = written(tmp_path, (file, uv + file), (old, new))
    rows = told(there, FLOW)
    by_hand = 0.020 + 0.5 * (over_edge_m(FLOW, 0.4) + 0.010) + LINE_M3 + 0.003
    row = rows["a joint comes apart at the device in 'line'"]
    assert row.water_m3 is not None
    assert by_hand <= row.water_m3 <= by_hand + FITTINGS_M3
    assert row.water_m3 == rows["a joint comes apart at the pump in 'line'"].water_m3
    assert row.verdict is Verdict.UNSAFE


def test_a_clogged_siphon_break_has_one_verdict_everywhere_and_is_refused_where_the_rule_says_so(
    tmp_path: Path,
) -> None:
    # 40 L of room; 0.5 m² down 100 mm and the head over the edge is 50 L and more: with the break clogged it floods.
    there = system(tmp_path)
    plan = pipeline.plan(there, load_catalog())
    assert plan.verification.safety is not None
    (row,) = (each for each in plan.verification.safety.checks if worded(each.title).endswith("siphon break clogged"))
    (mishap,) = (each for each in plan.mishaps if worded(each.title).endswith("siphon break is clogged"))
    assert (row.verdict, mishap.verdict) == (Verdict.CLOSE, Verdict.CLOSE)
    assert mishap.spilled_m3 is not None
    assert mishap.spilled_m3 > 0.0
    assert (row.needs_two, result_words(row)) == (True, "if both fail")
    assert "not safe once a second thing fails: power-off drain-back" in safety_words(plan)
    assert "siphon break clogged" not in safety_words(plan).split("not safe")[0]

    file = tmp_path / "line.yaml"
    rule = "rules: {count on siphon breaks: no}\n"
    file.write_text(FILE.replace("<more>", "").replace("<lip>", "30 mm") + rule, encoding="utf-8")
    with pytest.raises(NoPlanError, match=r"sump runs over|drain-back"):
        pipeline.plan(load_system(file, load_catalog()), load_catalog())


def test_a_safety_check_and_the_mishap_of_the_same_name_agree_on_every_example() -> None:
    pairs = {"the power fails": Check.DRAIN_BACK, "the power comes back": Check.PUMP_RESERVE}
    seen = 0
    for name in ("cellar-sump", "metric-unions"):
        there = load_system(EXAMPLES / f"{name}.yaml", load_catalog())
        checks = tuple(flow_checks(there, running(there.network), running(there.network)))
        for row in floor_facts(there, there.network, checks).mishaps:
            told = [each.verdict for each in checks if each.check is pairs.get(worded(row.title))]
            assert all(verdict is row.verdict for verdict in told)
            seen += len(told)
    assert seen >= 4


HOUSE = """
supplies: {house: {pressure: 3 bar, elevation: 0.5 m}}
"""


def test_house_water_whose_valve_sticks_fills_the_sump_and_then_the_floor(tmp_path: Path) -> None:
    # By hand: what the network gives the line in an hour, less the 40 L that the sump has room for.
    file = tmp_path / "line.yaml"
    text = FILE.replace("<more>", "").replace("<lip>", "30 mm").replace("tanks:\n", "TANKS\ntanks:\n")
    line = "  top off: {from: house, to: sump, size: 1/2 in sch 40 PVC, parts: [pipe 50 cm, elbow, pipe 70 cm]}"
    text = text.replace("TANKS", line).replace("targets: {line", "targets: {top off: any, line")
    file.write_text(text.replace("\npumps:", HOUSE + "pumps:", 1), encoding="utf-8")
    there = load_system(file, load_catalog())
    flows = running(there.network).flows_m3_s

    (row,) = (one for one in floor_facts(there, there.network).mishaps if "house water" in worded(one.title))

    assert row.water_m3 == pytest.approx(3600 * flows["top off"])
    assert row.spilled_m3 == pytest.approx(3600 * flows["top off"] - 0.040)
    assert row.verdict is Verdict.UNSAFE


def test_an_emergency_drain_takes_no_more_than_water_up_to_the_rim(tmp_path: Path) -> None:
    # By hand: 1.66 pi 0.0404 m (1-1/2 in., average wall) times 0.01^1.5, however high the owner would let it stand.
    def emergency(lip: str) -> float | None:
        there = system(tmp_path, lip=lip)
        return drain_capacity_m3_s(there.drains[1], there.network.water)

    by_hand = 1.66 * np.pi * 0.0404 * 0.010**1.5
    assert emergency("30 mm\n    lip below rim: 10 mm") == pytest.approx(by_hand, rel=0.02)
    assert emergency("10 mm\n    lip below rim: 30 mm") == pytest.approx(by_hand, rel=0.02)
    assert emergency("30 mm") > 1.5 * by_hand  # type: ignore[operator]
    title = "the main drain of 'display' is blocked, pump at its highest safe setting"
    assert told(system(tmp_path, lip="30 mm\n    lip below rim: 10 mm"), FLOW)[title].verdict is Verdict.UNSAFE
    unsaid = told(system(tmp_path), FLOW)["the lip of 'emergency drain' stands too near to the rim of 'display'"]
    assert said(unsaid.missing) == ("'lip below rim' of 'emergency drain'",)


def test_half_of_the_teeth_blocked_lifts_the_water_by_the_two_thirds_power(tmp_path: Path) -> None:
    # By hand: h over 20 cm is 2^(2/3) of h over 40 cm; at 1,000 L/h 8.88 mm against 5.59 mm, over 0.5 m².
    row = told(system(tmp_path), FLOW)["half of the overflow of 'display' is blocked"]
    whole = over_edge_m(FLOW, 0.4)
    assert whole == pytest.approx(5.59e-3, abs=0.01e-3)
    assert row.water_m3 == pytest.approx(0.5 * whole * (2 ** (2 / 3) - 1), rel=1e-6)
    assert row.verdict is Verdict.SAFE


def test_half_of_the_teeth_blocked_at_a_low_rim_spills_what_the_sump_gives_less_what_fills_the_tank(
    tmp_path: Path,
) -> None:
    # By hand: the rim 7 mm over the edge; half the edge takes 1.66 * 0.2 * 0.007^1.5, the flow is more. The sump gives
    # 20 L; 0.5 m² up from 5.59 to 7 mm takes 0.7 L of them.
    there = system(tmp_path)
    low = replace(there, tanks=tuple(replace(t, rim_m=0.007) if t.rim_m else t for t in there.tanks))
    row = told(low, FLOW)["half of the overflow of 'display' is blocked"]
    assert row.spilled_m3 == pytest.approx(0.020 - 0.5 * (0.007 - over_edge_m(FLOW, 0.4)), rel=1e-6)
    assert row.verdict is Verdict.UNSAFE


def test_a_blocked_main_drain_leaves_the_emergency_drain_alone(tmp_path: Path) -> None:
    # By hand: 1.66 pi 0.0404 m (1-1/2 in., average wall) times 0.01^1.5 takes 760 L/h at 10 mm, a fifth of 3 cm's.
    title = "the main drain of 'display' is blocked, pump at its highest safe setting"
    assert told(system(tmp_path), FLOW)[title].verdict is Verdict.SAFE
    over = told(system(tmp_path, lip="10 mm"), FLOW)[title]
    assert over.verdict is Verdict.UNSAFE
    assert over.spilled_m3 == pytest.approx(0.020 - 0.5 * (0.030 - over_edge_m(FLOW, 0.4)), rel=1e-6)
    none = replace(system(tmp_path), drains=system(tmp_path).drains[:1])
    assert told(none, FLOW)[title].verdict is Verdict.UNSAFE


def test_an_open_joint_at_the_pump_lets_out_the_sump_and_what_runs_back(tmp_path: Path) -> None:
    rows = told(system(tmp_path), FLOW)
    back = rows["the power fails"].water_m3
    assert back is not None
    drains = 0.9 * np.pi / 4 * 0.0404**2  # what stands in the drain's pipe goes to the sump, not to the joint
    row = rows["a joint comes apart at the pump in 'line'"]
    assert row.water_m3 == pytest.approx(0.020 + back - drains, abs=0.6e-3)  # its bulkhead and elbow hold 0.3 L or so
    assert row.verdict is Verdict.UNSAFE


def test_what_the_file_does_not_say_is_named_with_its_key(tmp_path: Path) -> None:
    title = "the sump leaks and the top-up goes on"
    silent = told(system(tmp_path), FLOW)[title]
    assert silent.verdict is Verdict.UNCHECKED
    assert said(silent.missing) == ("'top-up volume' of the sump (0 where there is none)",)
    stated = told(system(tmp_path, more=", top-up volume: 15 L"), FLOW)[title]
    assert stated.spilled_m3 == pytest.approx(0.015)
    assert title not in told(system(tmp_path, more=", top-up volume: 0 L"), FLOW)


def test_the_start_takes_what_gathers_before_the_drains_pull(tmp_path: Path) -> None:
    assert told(system(tmp_path), FLOW)["the power comes back"].water_m3 == pytest.approx(0.002)


def test_a_check_is_close_where_only_the_upper_end_of_the_flow_is_too_much() -> None:
    def verdict(after: float, high: float | None, second: bool = False) -> Verdict:
        return SafetyCheck(
            Check.MAIN_DRAIN, free(""), "flow", 1.0, after, 10.0, free("why"), high=high, second=second
        ).verdict

    assert [verdict(9.3, None), verdict(9.3, 9.9), verdict(9.3, 10.2)] == [Verdict.SAFE, Verdict.SAFE, Verdict.CLOSE]
    assert [verdict(11.0, 12.0), verdict(11.0, None, second=True)] == [Verdict.UNSAFE, Verdict.CLOSE]
    assert SafetyCheck(Check.MAIN_DRAIN, free(""), "flow", 1.0, 9.3, 10.0, free(""), high=10.2).spare == pytest.approx(
        -0.02
    )


def at_speed(network: Network, name: str, speed: float) -> Network:
    return replace(network, pumps={**network.pumps, name: replace(network.pumps[name], speed=speed)})


@pytest.mark.parametrize("lip", ["30 mm", "15 mm"])
def test_a_sweep_over_the_dial_finds_the_same_safe_range(tmp_path: Path, lip: str) -> None:
    check_range(system(tmp_path, lip=lip))


@pytest.mark.long
@pytest.mark.parametrize("name", ["cellar-sump", "metric-unions"])
def test_a_sweep_over_the_dial_finds_the_same_safe_range_of_examples(name: str) -> None:
    check_range(load_system(EXAMPLES / f"{name}.yaml", load_catalog()))


def check_range(there: System) -> None:
    """Hold the range against every percent of the dial, each solved and judged by the checks of plans."""
    (found,) = safe_ranges(there, there.network)
    (pump,) = there.network.pumps.values()
    assert found.low is not None
    assert found.high is not None
    bottom, top = min(pump.speeds), max(pump.speeds)
    fed = fed_surfaces(there.network)
    good = []
    for percent in range(round(100 * bottom), round(100 * top) + 1):
        network = at_speed(there.network, pump.name, percent / 100)
        now = running(network)
        free = solve_network(replace(network, tanks_balance=False)).flows_m3_s  # tanks that give what they have not
        back = [run for run in network.runs.values() if run.end.point in fed and free[run.name] < -NOTHING_M3_S]
        if back:
            continue
        wrong = unsafe_when(there, now)
        if not [words for words in wrong if "start-up" not in worded(words)]:
            good.append(percent / 100)
    assert found.low == pytest.approx(min(good), abs=0.01)
    assert found.high == pytest.approx(max(good), abs=0.01)


def test_what_is_not_checked_for_a_device_says_what_to_state() -> None:
    text = FILE.replace("<more>", "").replace("<lip>", "30 mm")
    text = text.replace("runs:\n", "devices: {uv: {loss: 0.2 m at 3000 L/h, ports: 1 in socket}}\nruns:\n", 1)
    text = text.replace("pipe 20 cm, elbow", "pipe 20 cm, device uv, pipe 20 cm, elbow")
    there = load_system(Path("line.yaml"), load_catalog(), text.encode())
    facts = floor_facts(there, there.network, flow_checks(there, running(there.network), running(there.network)))
    missing = [one for one in facts.mishaps if one.verdict is Verdict.UNCHECKED]

    assert missing
    assert all(one.missing for one in missing)


def test_joints_come_in_the_order_of_the_trade(tmp_path: Path) -> None:
    # Thread before union before barb before cement, old before new: common practice, no source.
    assert LIKELIHOOD["thread"] > LIKELIHOOD["union"] > LIKELIHOOD["barb"] > LIKELIHOOD["cement"]
    assert OLD > 1.0
    there = system(tmp_path)
    places = leak_places(there, there.network, running(there.network).flows_m3_s)
    assert [place.method for place in places[:1]] == ["union"]  # the pump's thread is under water
    likelihoods = [place.likelihood * (place.water_m3 or 0.0) for place in places]
    assert likelihoods == sorted(likelihoods, reverse=True)
    dry = replace(there, network=replace(there.network, pumps={"p": replace(there.network.pumps["p"], mounting="dry")}))
    first = leak_places(dry, dry.network, running(dry.network).flows_m3_s)[0]
    assert (first.method, first.old) == ("thread", True)
    assert first.pressure_m == pytest.approx(1.0, abs=0.6)  # the display's height, and what the line loses


def test_joints_of_house_water_count_with_an_hour_of_it_and_hose_has_no_union_and_what_is_open_no_joint() -> None:
    # 3 gph in the tube from the house are 11.36 L in an hour; the hose behind the mixer is clamped on barbs.
    there = load_system(EXAMPLES / "house-water.yaml", load_catalog())
    places = leak_places(there, there.network, {"pure water": 3 * 3.785411784e-3 / 3600, "mixing": 6e-5})
    house = [place for place in places if place.run == "pure water"]
    assert house
    assert all(place.water_m3 == pytest.approx(11.36e-3, rel=1e-3) for place in house)
    assert not [place for place in places if "hose" in place.words and place.method == "union"]
    assert not [place for place in places if "open joint" in place.words]


def test_a_pump_outside_the_water_without_a_valve_before_it_is_remarked(tmp_path: Path) -> None:
    def is_said(parts: str) -> bool:
        file = tmp_path / "line.yaml"
        text = FILE.replace("<more>", "").replace("<lip>", "30 mm")
        file.write_text(text.replace("[pump p, adapter NPT female x socket,", parts), encoding="utf-8")
        there = load_system(file, load_catalog())
        return any("no valve between 'sump'" in words for words in said(warnings_of(there, running(there.network))))

    head = "[bulkhead, pipe 10 cm, %sadapter socket x NPT female, pump p, adapter NPT female x socket,"
    assert is_said(head % "")
    assert not is_said(head % "ball valve, pipe 5 cm, ")
    assert not is_said("[pump p, adapter NPT female x socket,")


def test_a_leak_probe_belongs_below_the_run_with_the_worst_joint_in_words_and_in_the_schematic(tmp_path: Path) -> None:
    report = pipeline.plan(system(tmp_path), load_catalog())
    worst = report.leaks[0].run

    assert probe_runs(report.leaks)[0] == worst
    assert f"below {worst!r}" in probe_words(report.leaks)
    assert PROBE in run_lines(Shown(report.system.network, "metric", {}, probes=tuple(probe_runs(report.leaks))), worst)
    assert probe_runs([replace(place, water_m3=None) for place in report.leaks]) == []
