"""A pump that draws from a tank and sends the water lower: nothing holds that back once the pumps stop."""

from __future__ import annotations

from pathlib import Path

import pytest
from said import said, worded
from small_aquaria import catalog

from optimizer.hydraulics import solve_network
from optimizer.model.checks import Check
from optimizer.model.circuits import mouths_when_off
from optimizer.model.safety import Scenario, Verdict
from optimizer.model.system import System
from optimizer.read.systems import load_system
from optimizer.verify.balance import balances
from optimizer.verify.drain_back import drain_back
from optimizer.verify.floor import floor_facts
from optimizer.verify.safety import safety_today

TEXT = """
system: A chiller that is fed from the display, invented
units: metric
surfaces: {sump: 0 m, display: 1.2 m}
pumps:
  main: {curve: [0 L/h at 4 m, 2000 L/h at 3 m, 4000 L/h at 0 m], ports: 1 in NPT male}
  side: {curve: [0 L/h at 2 m, 500 L/h at 1.5 m, 1500 L/h at 0 m], ports: 3/4 in NPT male, mounting: dry}
runs:
  line:
    from: sump
    to: display
    size: 1 in sch 40 PVC
    parts: [pump main, adapter NPT female x socket, ball valve, pipe 2 m]
  chiller line:
    from: display
    to: END
    size: 3/4 in sch 40 PVC
    parts: [bulkhead, pipe 500 mm, adapter socket x NPT female, pump side, adapter NPT female x socket, pipe 4 m,
      ball valve 30 % open, elbow, pipe 50 mm]
tanks:
  display: {area: 0.5 m2, overflow edge: 60 cm, rim above edge: 40 mm, return outlet depth: 20 mm, start volume: 2 L
    MOUTH}
  sump: {free volume: 400 L, pump reserve: 200 L}
drains:
  main drain: {from: display, mode: full siphon, size: 1-1/2 in sch 40 PVC, drop: 1.1 m, parts: [bulkhead, pipe 1 m]}
  spare: {from: display, mode: emergency, size: 2 in sch 40 PVC, drop: 1.1 m, head over lip: 30 mm, parts: [pipe 1 m]}
targets: {line: any}
"""
AREA_M2 = 0.5


def read(tmp_path: Path, mouth: str = "", end: str = "sump") -> System:
    path = tmp_path / "system.yaml"
    path.write_text(TEXT.replace("MOUTH", mouth).replace("END", end), encoding="utf-8")
    return load_system(path, catalog())


def rows(system: System) -> dict[str, Scenario]:
    found = floor_facts(system, system.network, safety_today(system).checks).mishaps
    return {worded(one.title): one for one in found}


def test_with_the_pumps_off_the_tank_falls_to_where_the_stopped_pump_draws_from_it(tmp_path: Path) -> None:
    # by hand: 300 mm instead of the 20 mm of the return outlet, of 0.5 m²
    backs = []
    for mouth in (", mouths: {chiller line: 20 mm}", ", mouths: {chiller line: 300 mm}"):
        system = read(tmp_path, mouth)
        flows = solve_network(system.network).flows_m3_s
        backs.append(drain_back(system.network, flows, system.tanks, system.drains).total_m3)
    assert backs[1] - backs[0] == pytest.approx(AREA_M2 * 0.280, rel=1e-9)


def test_without_the_depth_of_its_mouth_nothing_of_it_is_safe(tmp_path: Path) -> None:
    system = read(tmp_path)
    (check,) = (check for check in safety_today(system).checks if "drain-back" in worded(check.title))
    assert check.verdict is Verdict.UNCHECKED
    assert "depth of the mouth of 'chiller line'" in worded(check.why)
    for title, row in rows(system).items():
        if "power" in title or "'chiller line'" in title or title == "a valve in 'line' is shut":
            assert row.verdict is not Verdict.SAFE, title


def test_with_its_feed_shut_the_pump_goes_on_and_the_sump_gets_what_stood_above_the_mouth(tmp_path: Path) -> None:
    row = rows(read(tmp_path, ", mouths: {chiller line: 300 mm}"))["a valve in 'line' is shut"]
    assert row.water_m3 is not None
    assert AREA_M2 * 0.300 < row.water_m3 < AREA_M2 * (0.300 + 0.015)  # and the few mm over the edge
    row = rows(read(tmp_path))["a valve in 'line' is shut"]
    assert row.verdict is Verdict.UNCHECKED
    assert "depth of the mouth of 'chiller line'" in " ".join(said(row.missing))


def test_a_joint_behind_such_a_pump_lets_out_the_tank(tmp_path: Path) -> None:
    row = rows(read(tmp_path, ", mouths: {chiller line: 300 mm}"))["a joint comes apart at the pump in 'chiller line'"]
    assert row.water_m3 is not None
    assert row.water_m3 > AREA_M2 * 0.300


def test_what_a_pump_only_stirs_stays_in_the_tank(tmp_path: Path) -> None:
    assert mouths_when_off(read(tmp_path, end="display").network, "display") == ()
    assert mouths_when_off(read(tmp_path).network, "display") == ("chiller line",)


def weak(tmp_path: Path) -> System:
    """Return the same with a main pump that brings less than the side pump takes."""
    text = TEXT.replace("2000 L/h at 3 m, 4000 L/h at 0 m", "200 L/h at 3 m, 400 L/h at 0 m")
    path = tmp_path / "weak.yaml"
    path.write_text(text.replace("MOUTH", "").replace("END", "sump"), encoding="utf-8")
    return load_system(path, catalog())


def test_a_tank_out_of_which_more_is_pumped_than_comes_in_is_said_and_unsafe(tmp_path: Path) -> None:
    system = weak(tmp_path)
    solution = solve_network(system.network)
    comes, goes = solution.flows_m3_s["line"], solution.flows_m3_s["chiller line"]
    assert goes > comes

    (told,) = (one for one in solution.warnings if one.code == "tank falls short")
    assert dict(told.values)["short_m3_s"] == pytest.approx(goes - comes, rel=1e-9)
    (check,) = (check for check in safety_today(system).checks if check.check is Check.RUNS_DRY)
    assert (check.now, check.limit_now) == pytest.approx((goes, comes), rel=1e-9)
    assert check.verdict_now is Verdict.UNSAFE
    assert not [check for check in safety_today(read(tmp_path)).checks if check.check is Check.RUNS_DRY]


def test_what_such_a_tank_loses_makes_the_sump_rise(tmp_path: Path) -> None:
    system = weak(tmp_path)
    flows = solve_network(system.network).flows_m3_s
    display, sump = balances(system, system.network, flows)
    lost = flows["chiller line"] - flows["line"]
    assert (display.left_m3_s, sump.left_m3_s) == pytest.approx((-lost, lost), rel=1e-9)
