"""Valves that nobody has to turn: what stands and serves stays as set, what nothing is asked of runs on."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.hydraulics import solve_network
from optimizer.model.outcome import PlanReport
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system

GPH = 3.785411784e-3 / 3600.0
TANK = """
system: a sterilizer beside an outlet, invented
units: US
surfaces: {sump: 0 ft, display: 3.5 ft}
pumps:
  main: {curve: [0 gph at 11 ft, 1200 gph at 9 ft, 2100 gph at 5 ft, 3000 gph at 0 ft], ports: 1 in NPT male}
devices: {uv: {loss: 1.5 ft at 400 gph, ports: 1 in socket}}
runs:
  riser:
    from: sump
    to: t
    size: 1 in sch 40 PVC
    parts: [pump main, adapter NPT female x socket, pipe 9 in, elbow, pipe 23 in]
  uv line:
    from: t branch
    to: sump
    size: 1 in sch 40 PVC
    parts: [pipe 7 in, ball valve, pipe 3 in, device uv, pipe 14 in]
  outlet:
    from: t
    to: display
    size: 1 in sch 40 PVC
    parts: [pipe 11 in, ball valve 60 % open, pipe 8 in, 45 elbow, pipe 6 in]
targets: {uv line: UV, outlet: at least OUT gph}
"""


def tank(out: int, uv: str = "any") -> System:
    text = TANK.replace("OUT", str(out)).replace(" UV,", f" {uv},")
    return load_system(Path("uv.yaml"), load_catalog(), text.encode())


def planned(system: System) -> PlanReport:
    return pipeline.plan(system, load_catalog())


def flows_gph(report: PlanReport) -> dict[str, float]:
    return {name: flow / GPH for name, flow in report.verification.flows_m3_s.items()}


@pytest.mark.parametrize("uv", ["any", "at least 100 gph", "100 to 2000 gph"])
def test_what_stands_and_serves_with_room_stays_as_it_is_set(uv: str) -> None:
    system = tank(400, uv)
    now = {name: flow / GPH for name, flow in solve_network(system.network).flows_m3_s.items()}
    report = planned(system)
    stands = {(run.name, i): part.opening for run in system.network.runs.values() for i, part in enumerate(run.parts)}

    assert report.plan.cost_cents == 0
    assert flows_gph(report) == pytest.approx(now)
    assert all(one.opening == stands[one.run, one.part_index] for one in report.verification.valves)


def test_a_valve_is_opened_where_what_stands_is_just_enough() -> None:
    just = round(solve_network(tank(400).network).flows_m3_s["outlet"] / GPH) - 1
    after = flows_gph(planned(tank(just)))

    assert after["outlet"] > 1.1 * just


def test_what_nothing_is_asked_of_runs_on_as_far_as_the_others_do_not_need_its_water() -> None:
    today = solve_network(tank(400).network).flows_m3_s["uv line"] / GPH
    after = {out: flows_gph(planned(tank(out))) for out in (400, 900, 1100)}

    assert after[400]["uv line"] == pytest.approx(today, rel=1e-3)
    assert today > after[900]["uv line"] > after[1100]["uv line"] > 0.0
    assert all(flows["outlet"] >= out for out, flows in after.items())
