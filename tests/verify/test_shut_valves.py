"""A valve that someone shuts: the plumbing solved with it shut, by hand where one line is left or none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from said import said, worded

from optimizer.hydraulics import pump_head_m, solve_network
from optimizer.model.safety import Scenario, Verdict
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.units import show_flow
from optimizer.verify.drains import together_m3_s
from optimizer.verify.floor import floor_facts, shut_valves

LINE = """
system: A line, invented
units: metric
water: {salinity: 0 g/kg, temperature: 20 degC}
surfaces: {sump: 0 m, display: 1 m}
pumps: {p: {curve: [[0 L/h, 4 m], [6000 L/h, 0 m]], ports: 1 in NPT male}}
runs:
  line:
    from: sump
    to: display
    size: 1 in sch 40 PVC
    parts: [pump p, adapter NPT female x socket, union, pipe 1 m, ball valve, pipe 20 cm, elbow, pipe 10 cm]
tanks:
  display: {area: 0.5 m2, overflow edge: 40 cm, rim above edge: 30 mm, return outlet depth: 10 mm, start volume: 2 L}
  sump: {free volume: FREE, pump reserve: 20 L}
targets: {line: any}
"""
BRANCHES = """
system: Two branches, invented
units: metric
water: {salinity: 0 g/kg, temperature: 20 degC}
surfaces: {sump: 0 m, display: 20 cm}
pumps: {p: {curve: [[0 L/h, 4 m], [6000 L/h, 0 m]], ports: 1 in NPT male}}
runs:
  riser: {from: sump, to: tee 1, size: 1 in sch 40 PVC, parts: [pump p, adapter NPT female x socket, union, pipe 50 cm]}
  back: {from: tee 1 branch, to: sump, size: 1 in sch 40 PVC, parts: [pipe 20 cm, ball valve, pipe 20 cm]}
  line: {from: tee 1, to: display, size: 1 in sch 40 PVC, parts: [pipe 50 cm, elbow, pipe 10 cm]}
tanks:
  display: {area: 0.5 m2, overflow edge: 40 cm, rim above edge: 30 mm, return outlet depth: 10 mm, start volume: 2 L}
  sump: {free volume: 40 L, pump reserve: 20 L}
drains:
  main drain: {from: display, mode: full siphon, size: MAIN sch 40 PVC, drop: 0.9 m, parts: [bulkhead, pipe 900 mm]}
  emergency drain: {from: display, mode: emergency, size: 1-1/2 in sch 40 PVC, drop: 0.9 m, head over lip: LIP,
    parts: [bulkhead, pipe 900 mm]}
targets: {line: any}
"""
UPPER = """
system: An upper tank, invented
units: metric
water: {salinity: 0 g/kg, temperature: 20 degC}
surfaces: {sump: 0 m, upper: 1 m}
pumps: {p: {curve: [[0 L/h, 4 m], [3000 L/h, 0 m]], ports: 1 in NPT male}}
runs:
  line: {from: sump, to: upper, size: 1 in sch 40 PVC, parts: [pump p, adapter NPT female x socket, union, pipe 1 m]}
  gravity line: {from: upper, to: sump, size: 1-1/2 in sch 40 PVC, parts: [bulkhead, pipe 50 cm, gate valve, pipe 5 cm]}
tanks:
  upper: {area: 0.2 m2, overflow edge: 30 cm, rim above edge: 25 mm, return outlet depth: 10 mm, start volume: 2 L,
    mouths: {gravity line: 10 mm}}
  sump: {free volume: 40 L, pump reserve: 20 L}
targets: {line: any}
"""


def system(tmp_path: Path, text: str) -> System:
    file = tmp_path / "system.yaml"
    file.write_text(text, encoding="utf-8")
    return load_system(file, load_catalog())


def shut(there: System, run: str) -> Scenario:
    (found,) = (one for one in floor_facts(there, there.network).mishaps if f"a valve in {run!r}" in worded(one.title))
    return found


def over_edge_m(flow_m3_s: float, edge_m: float) -> float:
    """Return the head over an edge by Q = 1.66 L h^1.5 (Texas Hydraulic Design Manual, eq. 10-30)."""
    return float((flow_m3_s / (1.66 * edge_m)) ** (2 / 3))


def test_a_pump_against_a_shut_valve_stands_at_its_shut_off_head_and_the_tank_falls_to_its_edge(tmp_path: Path) -> None:
    # By hand: 4 m at no flow; 0.5 m² times the head over 40 cm of edge runs down into the sump and no more comes.
    there = system(tmp_path, LINE.replace("FREE", "40 L"))
    flow = solve_network(there.network).flows_m3_s["line"]

    row = shut(there, "line")

    assert "stands against 4.00 m" in worded(row.where)
    assert row.water_m3 == pytest.approx(0.5 * over_edge_m(flow, 0.4), rel=1e-6)
    assert (row.spilled_m3, row.verdict) == (0.0, Verdict.CLOSE)


def test_a_sump_that_does_not_hold_what_falls_over_the_edge_runs_over(tmp_path: Path) -> None:
    there = system(tmp_path, LINE.replace("FREE", "2 L"))
    flow = solve_network(there.network).flows_m3_s["line"]

    row = shut(there, "line")

    assert row.spilled_m3 == pytest.approx(0.5 * over_edge_m(flow, 0.4) - 0.002, rel=1e-6)
    assert (row.verdict, "rim of the sump" in worded(row.where)) == (Verdict.UNSAFE, True)


def test_a_shut_valve_on_the_suction_leaves_the_pump_dry(tmp_path: Path) -> None:
    text = LINE.replace("ball valve, pipe 20 cm, elbow", "elbow").replace("FREE", "40 L")
    suction = "[bulkhead, pipe 20 cm, ball valve, pipe 10 cm, adapter socket x NPT female, pump p,"

    row = shut(system(tmp_path, text.replace("[pump p,", suction)), "line")

    assert "gets no water and runs dry" in worded(row.where)
    assert row.verdict is Verdict.CLOSE


def test_each_mode_is_solved_and_the_gravest_is_told_with_the_head_it_has_there(tmp_path: Path) -> None:
    # By the affinity law 4 m times 0.8² and 0.9²; more stands over the edge at 90 %.
    modes = "settings: {night: {p: 80 %}, day: {p: 90 %}}\n"
    row = shut(system(tmp_path, LINE.replace("FREE", "40 L") + modes), "line")

    assert worded(row.title).endswith("is shut, in mode 'day'")
    assert "stands against 3.24 m" in worded(row.where)


def test_what_a_shut_branch_no_longer_takes_goes_where_a_plumbing_without_it_sends_it(tmp_path: Path) -> None:
    # The same line from pump to tank without the tee's branch: what flows there is the solution without that run.
    there = system(tmp_path, BRANCHES.replace("MAIN", "2 in").replace("LIP", "30 mm"))
    line, riser = there.network.runs["line"], there.network.runs["riser"]
    alone = replace(
        there.network, runs={"line": replace(line, start=riser.start, parts=(*riser.parts, *line.parts))}, tees={}
    )
    points = {name: point for name, point in alone.points.items() if name in ("sump", "display")}
    without = solve_network(replace(alone, points=points)).flows_m3_s["line"]
    before = solve_network(there.network).flows_m3_s["line"]
    assert 0.0 < before < without
    assert shut(there, "back").verdict is Verdict.SAFE
    told = shut_valves(there, there.network, solve_network(there.network).flows_m3_s)["back"].where
    assert worded(told) == f"'line' goes from {show_flow(before, 'metric')} to {show_flow(without, 'metric')}"

    narrow = system(tmp_path, BRANCHES.replace("MAIN", "3/4 in").replace("LIP", "30 mm"))
    main, both = (together_m3_s(narrow.drains[:n], narrow.network.water) for n in (1, 2))
    assert main is not None
    assert both is not None
    assert main < without < both
    row = shut(narrow, "back")
    assert (row.verdict, worded(row.where)) == (Verdict.CLOSE, "down the emergency drain of 'display' as well")


def test_a_tank_that_gets_more_than_all_its_drains_take_runs_over_with_what_the_sump_gives(tmp_path: Path) -> None:
    # By hand: 20 L of the sump less what fills 0.5 m² from the head over the edge up to 30 mm.
    there = system(tmp_path, BRANCHES.replace("MAIN", "1/2 in").replace("LIP", "2 mm"))
    before = solve_network(there.network).flows_m3_s["line"]

    row = shut(there, "back")

    assert row.spilled_m3 == pytest.approx(0.020 - 0.5 * (0.030 - over_edge_m(before, 0.4)), rel=1e-6)
    assert (row.verdict, worded(row.where)) == (Verdict.UNSAFE, "over the rim of 'display'")


def test_an_upper_tank_whose_gravity_line_is_shut_runs_over(tmp_path: Path) -> None:
    # By hand: all 20 L of the sump but for 0.2 m² filled from its edge to the rim 25 mm above: nothing stood over it.
    there = system(tmp_path, UPPER)
    assert pump_head_m(there.network.pumps["p"], 0.0) == pytest.approx(4.0)

    row = shut(there, "gravity line")

    assert row.spilled_m3 == pytest.approx(0.020 - 0.2 * 0.025, abs=1e-5)
    assert row.verdict is Verdict.UNSAFE


def test_a_tank_with_no_drain_stated_is_not_checked_where_it_would_get_more(tmp_path: Path) -> None:
    text = BRANCHES.split("drains:")[0] + "targets: {line: any}\n"
    no_rim = text.replace(" rim above edge: 30 mm,", "")

    row = shut(system(tmp_path, no_rim), "back")

    assert (row.verdict, said(row.missing)) == (Verdict.UNCHECKED, ("a drain of 'display'",))
