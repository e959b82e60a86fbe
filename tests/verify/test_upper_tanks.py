"""Tanks above tanks, gravity lines and rings: their water counts where it goes, and no unknown depth is called safe."""

from __future__ import annotations

from pathlib import Path

import pytest
from said import said, worded
from small_aquaria import catalog

from optimizer import pipeline
from optimizer.errors import InputError
from optimizer.model.safety import SafetyCheck, Scenario, Verdict
from optimizer.model.system import System
from optimizer.read.systems import load_system
from optimizer.verify.drain_back import drain_back
from optimizer.verify.leaks import leak_places
from optimizer.verify.safety import safety_today
from optimizer.verify.scenarios import scenarios_of

BOX = """
system: A settling box above the display, invented
units: metric
surfaces: {sump: 0 m, display: 1.2 m, box: 1.9 m}
pumps:
  main: {curve: [0 L/h at 4 m, 2000 L/h at 3 m, 4000 L/h at 0 m], ports: 1 in NPT male}
  lift: {curve: [0 L/h at 4 m, 1500 L/h at 3 m, 3000 L/h at 0 m], ports: 1 in NPT male}
runs:
  line: {from: sump, to: display, size: 1 in sch 40 PVC, parts: [pump main, adapter NPT female x socket, pipe 2 m]}
  lift line:
    {from: sump, to: box, size: 1 in sch 40 PVC, parts: [pump lift, adapter NPT female x socket, pipe 3 m, elbow]}
LINES
tanks:
  display: {area: 0.5 m2, overflow edge: 60 cm, rim above edge: 40 mm, return outlet depth: 20 mm, start volume: 2 L}
  box: {area: 0.1 m2, overflow edge: 30 cm, rim above edge: 30 mm, return outlet depth: 10 mm, start volume: 1 L MOUTH}
  sump: {free volume: 90 L, pump reserve: 20 L}
drains:
  main drain: {from: display, mode: full siphon, size: 1-1/2 in sch 40 PVC, drop: 1.1 m, parts: [bulkhead, pipe 1 m]}
  spare: {from: display, mode: emergency, size: 2 in sch 40 PVC, drop: 1.1 m, head over lip: 30 mm, parts: [pipe 1 m]}
DRAINS
targets: {line: at least 500 L/h}
"""
GRAVITY = "  down: {from: box, to: display, size: 1-1/2 in sch 40 PVC, parts: [bulkhead, pipe 700 mm]}"
DRAIN = (
    "  box drain: {from: box, to: display, mode: full siphon, size: 1-1/2 in sch 40 PVC, drop: 700 mm, "
    "parts: [bulkhead, pipe 700 mm]}"
)
RING = """
  wave:
    from: display
    to: tee
    size: 1 in sch 40 PVC
    parts: [bulkhead, pipe 200 mm, adapter socket x NPT female, pump wave, adapter NPT female x socket, pipe 500 mm]
  jet 1: {from: tee, to: display, size: 1 in sch 40 PVC, parts: [pipe 500 mm, bulkhead]}
  jet 2: {from: tee branch, to: display, size: 1 in sch 40 PVC, parts: [pipe 900 mm, bulkhead]}"""


def read(
    tmp_path: Path, *, lines: str = GRAVITY, drains: str = "", mouth: str = "", ring: bool = False, low: str = ""
) -> System:
    text = BOX.replace("LINES", lines + (RING if ring else "")).replace("DRAINS", drains).replace("MOUTH", mouth)
    text = text.replace("start volume: 2 L}", f"start volume: 2 L{low}}}")
    if ring:
        wave = "  wave: {curve: [0 L/h at 3 m, 3000 L/h at 2 m, 6000 L/h at 0 m], ports: 1 in NPT male}"
        text = text.replace("runs:", wave + "\nruns:", 1)
    path = tmp_path / "system.yaml"
    path.write_text(text, encoding="utf-8")
    return load_system(path, catalog())


def check_of(system: System, words: str) -> SafetyCheck:
    return next(check for check in safety_today(system).checks if words in worded(check.title))


def test_the_display_gets_what_the_box_is_fed_and_no_more(tmp_path: Path) -> None:
    system = read(tmp_path)
    flows = pipeline.flows(system).flows_m3_s
    into = check_of(system, "into 'display' (limit: main").after
    assert into == pytest.approx(flows["line"] + flows["lift line"], rel=1e-9)


def test_a_gravity_line_has_to_take_all_that_its_tank_gets(tmp_path: Path) -> None:
    wide, narrow = read(tmp_path), read(tmp_path, lines=GRAVITY.replace("1-1/2 in sch", "1/2 in sch"))
    assert check_of(wide, "gravity lines").verdict is Verdict.SAFE
    assert check_of(narrow, "gravity lines").verdict is Verdict.UNSAFE


def test_an_emergency_drain_beside_gravity_lines_has_to_take_what_comes_with_these_blocked(tmp_path: Path) -> None:
    box = "from: box, to: display, mode: emergency, size: SIZE sch 40 PVC, drop: 700 mm, parts: [pipe 700 mm]"
    spare = f"  spare box: {{{box}}}"
    wide = read(tmp_path, drains=spare.replace("SIZE", "2 in").replace("parts", "head over lip: 30 mm, parts"))
    flows = pipeline.flows(wide).flows_m3_s
    comes = flows["lift line"]
    told = check_of(wide, "into 'box' (limit: emergency")
    assert told.after == pytest.approx(comes, rel=1e-9)
    assert told.verdict is Verdict.SAFE
    assert check_of(wide, "gravity lines").verdict is Verdict.SAFE
    assert not [one for one in safety_today(wide).checks if "'box' (limit: main" in worded(one.title)]
    named = {
        worded(one.title): one.verdict for one in scenarios_of(wide, wide.network, pipeline.flows(wide).flows_m3_s)
    }
    assert named["the gravity lines of 'box' are blocked, pump at its highest safe setting"] is Verdict.SAFE
    narrow = read(tmp_path, drains=spare.replace("SIZE", "1/2 in").replace("parts", "head over lip: 2 mm, parts"))
    assert check_of(narrow, "into 'box' (limit: emergency").verdict is Verdict.UNSAFE


def test_when_one_pump_stops_valves_stand_as_the_plan_sets_them(tmp_path: Path) -> None:
    read(tmp_path)
    path = tmp_path / "system.yaml"
    text = path.read_text("utf-8").replace("socket, pipe 2 m]", "socket, pipe 1 m, ball valve, pipe 1 m]")
    path.write_text(text.replace("{line: at least 500 L/h}", "{line: 800 to 900 L/h}"), encoding="utf-8")
    system = load_system(path, catalog())
    report = pipeline.plan(system, catalog())
    set_m3_s = report.verification.settings[0].flows_m3_s["line"]
    stops = [dict(one.values) for one in report.verification.warnings if one.code == "one pump stops"]
    (lift,) = (one for one in stops if one["pump"] == "lift")

    assert 3.6e6 * set_m3_s == pytest.approx(850, abs=51)
    tanks = [dict(one.values) for one in lift["left"]]
    (display,) = (one for one in tanks if one["tank"] == "display")
    assert display["still_m3_s"] == pytest.approx(set_m3_s, rel=1e-3)  # the box gives nothing then


def test_what_runs_back_is_not_known_without_the_depth_of_the_mouth(tmp_path: Path) -> None:
    told = check_of(read(tmp_path), "drain-back")
    assert told.verdict is Verdict.UNCHECKED
    assert "depth of the mouth of 'down'" in worded(told.why)
    assert told.after is None


def test_whatever_may_fail_and_is_not_checked_says_what_to_state(tmp_path: Path) -> None:
    system = read(tmp_path)
    flows = pipeline.flows(system).flows_m3_s
    told = scenarios_of(system, system.network, flows, checks=safety_today(system).checks)
    unchecked = [one for one in told if one.verdict is Verdict.UNCHECKED]

    assert all(one.missing for one in unchecked)
    back = next(one for one in unchecked if one.title.code == "power comes back")
    assert any("depth of the mouth of 'down'" in worded(each) for each in back.missing)


def test_a_tank_empties_down_to_the_deeper_of_return_and_mouth(tmp_path: Path) -> None:
    # 0.1 m² of box: 150 mm instead of 10 mm under the edge are 14 L more
    def back(mouth: str) -> float:
        system = read(tmp_path, mouth=mouth)
        return drain_back(system.network, {}, system.tanks, system.drains).total_m3

    deep, shallow = back(", mouths: {down: 150 mm}"), back(", mouths: {down: 5 mm}")
    assert deep - shallow == pytest.approx(0.1 * 0.140)
    assert check_of(read(tmp_path, mouth=", mouths: {down: 150 mm}"), "drain-back").verdict is Verdict.SAFE


def test_too_much_is_unsafe_even_where_more_is_not_known(tmp_path: Path) -> None:
    text = (tmp_path / "system.yaml", read(tmp_path))[0].read_text(encoding="utf-8")
    (tmp_path / "small.yaml").write_text(text.replace("free volume: 90 L", "free volume: 9 L"), encoding="utf-8")
    told = check_of(load_system(tmp_path / "small.yaml", catalog()), "drain-back")
    assert told.verdict is Verdict.UNSAFE


def test_a_drain_may_end_in_another_tank_and_counts_there(tmp_path: Path) -> None:
    system = read(tmp_path, lines="", drains=DRAIN)
    flows = pipeline.flows(system).flows_m3_s
    into = check_of(system, "into 'display' (limit: main").after
    assert into == pytest.approx(flows["line"] + flows["lift line"], rel=1e-9)
    assert check_of(system, "into 'box' (limit: main").after == pytest.approx(flows["lift line"])


def test_a_drain_that_says_sump_is_one_that_says_nothing(tmp_path: Path) -> None:
    said = read(tmp_path, lines="", drains=DRAIN.replace("to: display", "to: sump"))
    assert said.network.falls == ()
    assert said.drains[-1].to == ""


@pytest.mark.parametrize("to", ["attic", "box"])
def test_a_drain_ends_in_a_tank_below(to: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=f"a drain into '{to}'"):
        read(tmp_path, lines="", drains=DRAIN.replace("to: display", f"to: {to}"))


def test_a_mouth_is_that_of_a_line_that_opens_into_the_tank(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="the mouth of 'line' in tank 'box'"):
        read(tmp_path, mouth=", mouths: {line: 10 mm}")


def test_a_ring_in_the_display_changes_no_check_of_tanks(tmp_path: Path) -> None:
    with_ring, without = (safety_today(read(tmp_path, mouth=", mouths: {down: 50 mm}", ring=ring)) for ring in (1, 0))
    there = {worded(check.title): check for check in with_ring.checks}
    for check in without.checks:
        if check.quantity in ("flow", "volume", "height"):
            other = there[worded(check.title)]
            assert other.after == pytest.approx(check.after, rel=1e-6), worded(check.title)
            assert (other.verdict, other.limit) == (check.verdict, check.limit), worded(check.title)


MOUTHS = ", mouths: {wave: 250 mm, jet 1: 100 mm, jet 2: 80 mm}"
AT_THE_RING = "a joint comes apart at the pump in 'wave'"


def mishap(system: System, title: str) -> Scenario | None:
    flows = pipeline.flows(system).flows_m3_s
    return next((one for one in scenarios_of(system, system.network, flows) if worded(one.title) == title), None)


def test_a_joint_of_a_ring_lets_its_tank_run_down_to_its_deepest_mouth_and_all_that_comes_in(tmp_path: Path) -> None:
    # By hand: 0.5 m² times the head over 60 cm of edge (Q = 1.66 L h^1.5, Texas Hydraulic Design Manual, eq. 10-30) and
    # 250 mm; the box above runs down 50 mm of its 0.1 m²; the pumps bring the 20 L of the sump until they suck air.
    system = read(tmp_path, mouth=", mouths: {down: 50 mm}", ring=True, low=MOUTHS)
    into = sum(pipeline.flows(system).flows_m3_s[run] for run in ("line", "lift line"))
    by_hand = 0.5 * ((into / (1.66 * 0.6)) ** (2 / 3) + 0.250) + 0.1 * 0.050 + 0.020
    for title in (AT_THE_RING, "a joint comes apart on the suction of 'wave'"):
        row = mishap(system, title)
        assert row is not None
        assert row.water_m3 == row.spilled_m3 == pytest.approx(by_hand, rel=1e-6)
        assert row.verdict is Verdict.UNSAFE

    worst = leak_places(system, system.network, pipeline.flows(system).flows_m3_s)[0]
    assert (worst.run, worst.water_m3) == ("wave", pytest.approx(by_hand, rel=1e-6))


def test_what_a_ring_lets_out_is_not_told_without_its_mouths_and_nothing_where_it_lies_in_the_water(
    tmp_path: Path,
) -> None:
    row = mishap(read(tmp_path, ring=True), AT_THE_RING)
    assert row is not None
    assert (row.water_m3, row.verdict) == (None, Verdict.UNCHECKED)
    assert "depth of the mouth of 'wave' ('mouths' of tank 'display')" in said(row.missing)

    system = read(tmp_path, ring=True)
    path = tmp_path / "system.yaml"
    dry = "[bulkhead, pipe 200 mm, adapter socket x NPT female, pump wave,"
    path.write_text(path.read_text("utf-8").replace(dry, "[pump wave,"), encoding="utf-8")
    system = load_system(path, catalog())
    assert mishap(system, AT_THE_RING) is None
    assert not [
        one for one in leak_places(system, system.network, pipeline.flows(system).flows_m3_s) if "jet" in one.run
    ]


def test_mouths_of_a_ring_change_nothing_of_what_runs_back(tmp_path: Path) -> None:
    told = [
        check_of(read(tmp_path, mouth=", mouths: {down: 50 mm}", ring=True, low=low), "drain-back").after
        for low in ("", MOUTHS)
    ]
    assert told[0] == told[1]


def test_a_joint_of_a_gravity_line_lets_out_what_its_tank_gets_and_holds(tmp_path: Path) -> None:
    # By hand: 20 L of the sump, and 0.1 m² times the 50 mm down to the mouth: no head over an edge, the line takes all.
    system = read(tmp_path, mouth=", mouths: {down: 50 mm}")
    places = leak_places(system, system.network, pipeline.flows(system).flows_m3_s)
    told = [one.water_m3 for one in places if one.run == "down"]
    assert told
    assert told == pytest.approx([0.020 + 0.1 * 0.050] * len(told), rel=1e-6)


JETS = """
system: A lagoon that two jets above the water feed, invented
units: metric
surfaces: {sump: 0 m, lagoon: 0.95 m}
outlets: {jet 1: 1.0 m, jet 2: 1.0 m}
pumps:
  main: {curve: [0 L/h at 4 m, 2000 L/h at 3 m, 4000 L/h at 0 m], ports: 1 in NPT male}
runs:
  line: {from: sump, to: tee, size: 1 in sch 40 PVC, parts: [pump main, adapter NPT female x socket, pipe 800 mm]}
  left: {from: tee, to: jet 1, size: 1 in sch 40 PVC, parts: [pipe 100 mm, elbow]}
  right: {from: tee branch, to: jet 2, size: 1 in sch 40 PVC, parts: [pipe 200 mm]}
tanks:
  lagoon: {area: 1.2 m2, overflow edge: 60 cm, rim above edge: 40 mm, fed by: [jet 1, jet 2], start volume: 8 L}
  sump: {free volume: 60 L, pump reserve: 25 L}
drains:
  main drain: {from: lagoon, mode: full siphon, size: 1-1/2 in sch 40 PVC, drop: 850 mm, parts: [bulkhead, pipe 700 mm]}
targets: {left: at least 500 L/h}
"""


def test_a_tank_that_only_outlets_above_it_feed_is_checked_like_any_other(tmp_path: Path) -> None:
    path = tmp_path / "jets.yaml"
    path.write_text(JETS, encoding="utf-8")
    system = load_system(path, catalog())
    flows = pipeline.flows(system).flows_m3_s

    assert check_of(system, "into 'lagoon' (limit: main").after == pytest.approx(flows["line"], rel=1e-9)
    over = check_of(system, "water depth at the overflow of 'lagoon'").after
    back = check_of(system, "drain-back").after
    assert over is not None
    assert back is not None
    # 1.1 m of 1 in. schedule 40, 26.6 mm (ASTM D1785): 0.61 L; 0.7 m of 1-1/2 in., 40.9 mm, in the siphon: 0.92 L;
    # nothing comes back through the air
    assert back == pytest.approx(1.2 * over + 1.53e-3, abs=0.1e-3)


def test_a_tank_that_nothing_feeds_or_drains_is_a_slip(tmp_path: Path) -> None:
    path = tmp_path / "jets.yaml"
    path.write_text(JETS.replace("lagoon: 0.95 m}", "lagoon: 0.95 m, bin: 2 m}"), encoding="utf-8")
    with pytest.raises(InputError, match="'bin', which no run reaches"):
        load_system(path, catalog())
