"""Trials, valve positions and trimming go by what tanks get: a gravity line carries no more than comes in."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_aquaria import catalog

from optimizer import pipeline
from optimizer.choices.wants import wants_of
from optimizer.hydraulics import conditions_of, solve_network
from optimizer.hydraulics.posterior import draws_after
from optimizer.model.system import System
from optimizer.read.systems import load_system
from optimizer.verify.chance import trimmed_works
from optimizer.verify.limits import trials_of
from optimizer.verify.openings import Duty, settle

# One pump parts to a display and to a box above it, which runs down into the display through a wide line.
PARTING = """
system: A box above the display on the same riser, invented
units: metric
water: {salinity: 35 g/kg, temperature: 25 degC}
surfaces: {sump: 0 m, display: 1.2 m, box: HIGH m}
pumps: {main: {curve: [0 L/h at 4 m, 2000 L/h at 3 m, 4000 L/h at 0 m], ports: 1 in NPT male, power: 60 W}}
runs:
  riser: {from: sump, to: fork, size: 1 in sch 40 PVC, parts: [pump main, adapter NPT female x socket, pipe 1 m]}
  low: {from: fork, to: display, size: 1 in sch 40 PVC, parts: [pipe 500 mm, ball valve 50 % open, pipe 500 mm]}
  high: {from: fork branch, to: box, size: 1 in sch 40 PVC, parts: [pipe 1 m, ball valve, pipe 200 mm]}
  down: {from: box, to: display, size: 1-1/2 in sch 40 PVC, parts: [bulkhead, pipe 700 mm]}
targets: {TARGETS}
"""


def parting(tmp_path: Path, high_m: float, targets: str) -> System:
    text = PARTING.replace("HIGH", f"{high_m:g}").replace("TARGETS", targets)
    (tmp_path / "file.yaml").write_text(text, encoding="utf-8")
    return load_system(tmp_path / "file.yaml", catalog())


def test_a_clog_in_a_line_that_runs_partly_full_changes_nothing_and_a_break_behind_its_tank_lets_out_no_more(
    tmp_path: Path,
) -> None:
    network = parting(tmp_path, 1.9, "low: any").network
    gets = solve_network(network).flows_m3_s["high"]

    assert trials_of(network, "down", 0.5).clogged_flow_m3_s() == pytest.approx(gets, rel=1e-6)
    assert [flow for _, flow in trials_of(network, "down").broken_flows_m3_s()] == pytest.approx([gets], rel=1e-6)


def test_a_clog_in_the_riser_lets_no_tank_feed_the_others_for_ever(tmp_path: Path) -> None:
    # a clogged riser no longer reaches the box: what it has left goes to the display, and nothing comes from above
    network = parting(tmp_path, 1.9, "low: any").network
    clogged = trials_of(network, "riser", 0.9).clogged_flow_m3_s()
    runs = {name: run for name, run in network.runs.items() if name in ("riser", "low")}
    alone = trials_of(replace(network, runs=runs), "riser", 0.9).clogged_flow_m3_s()

    assert solve_network(network).flows_m3_s["high"] > 1e-5
    assert clogged == pytest.approx(alone, rel=0.02)  # but for the tee


def test_valves_are_set_by_what_the_gravity_line_gets(tmp_path: Path) -> None:
    system = parting(tmp_path, 1.9, "down: 700 to 720 L/h")
    duty = Duty("", system.network, wants_of(system))
    found = settle([duty], conditions_of(system.network))

    assert found is not None
    assert found.met
    (flows,) = found.flows_m3_s.values()
    assert flows["down"] == pytest.approx(flows["high"], rel=1e-9)
    assert 700 / 3.6e6 * (1 - 1e-5) <= flows["high"] <= 720 / 3.6e6 * (1 + 1e-5)


@pytest.mark.long
def test_a_plan_for_a_gravity_line_is_set_and_trimmed_by_what_its_tank_gets(tmp_path: Path) -> None:
    system = parting(tmp_path, 1.9, "down: 700 to 720 L/h")
    report = pipeline.plan(system, catalog())

    assert report.verification is not None
    assert report.verification.failures == ()
    draws = draws_after((), system.network, 40, 20)
    works = trimmed_works(system, draws, [system.network], report.verification.valves)
    assert works.mean() > 0.9  # the valve before the box takes what is too much
    too_much = parting(tmp_path, 1.9, "down: at least 5000 L/h")  # full, the wide line would take more; the pump not
    assert not trimmed_works(too_much, draws, [too_much.network], report.verification.valves).any()
    assert np.isfinite(works.mean())


ABOVE = """
system: a tank that drains into the display, invented
units: metric
surfaces: {sump: 0 m, display: 1.2 m, upper: 1.8 m}
pumps:
  p: {curve: [[0 L/h, 5 m], [2000 L/h, 4 m], [4000 L/h, 0 m]], ports: 1 in socket}
runs:
  riser: {from: sump, to: t, size: 1 in sch 40 PVC, parts: [pump p, pipe 1 m]}
  down: {from: t, to: display, size: 1 in sch 40 PVC, parts: [pipe 50 cm, ball valve 40 % open, pipe 50 cm]}
  up: {from: t branch, to: upper, size: 3/4 in sch 40 PVC, parts: [pipe 1 m, ball valve, pipe 50 cm]}
drains:
  over: {from: upper, to: display, mode: open, size: 1-1/2 in sch 40 PVC, head over lip: 3 cm, parts: [pipe 50 cm]}
targets: {down: at least 800 L/h, up: at least 200 L/h}
"""


def test_behind_a_break_a_tank_may_be_gone_that_another_drains_into(tmp_path: Path) -> None:
    path = tmp_path / "system.yaml"
    path.write_text(ABOVE, encoding="utf-8")
    network = pipeline.read(path)[0].network

    for run in ("riser", "down", "up"):
        broken = [flow for _, flow in trials_of(network, run).broken_flows_m3_s()]
        assert broken
        assert min(broken) > 0.0
