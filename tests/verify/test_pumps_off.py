"""A pump may be off in a setting: nothing is lifted then, and what stands above runs down no further than it is fed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from said import said
from small_aquaria import catalog

from optimizer import pipeline
from optimizer.documents.words import pump_setting
from optimizer.errors import InputError
from optimizer.hydraulics import solve_network
from optimizer.model.system import System
from optimizer.read.systems import load_system
from optimizer.verify.check import verify_plan

TEXT = """
system: A feeding pause, invented
units: metric
surfaces: {sump: 0 m, display: 1.2 m}
pumps:
  p: {curve: [0 L/h at 4 m, 2000 L/h at 3 m, 4000 L/h at 0 m], ports: 1 in NPT male, dial: DIAL}
runs:
  line:
    from: sump
    to: display
    size: 3/4 in sch 40 PVC
    parts: [pump p, adapter 1 in NPT female x 3/4 in socket, ball valve, pipe 2 m, elbow, pipe 50 mm]
settings:
  day: {p: 100 %}
  feeding: {p: OFF, targets: {line: any}}
targets: {line: at least 2200 L/h}
"""


def read(tmp_path: Path, off: str = "off", dial: str = "rpm") -> System:
    path = tmp_path / "system.yaml"
    path.write_text(TEXT.replace("OFF", off).replace("DIAL", dial), encoding="utf-8")
    return load_system(path, catalog())


@pytest.mark.parametrize("off", ["off", "OFF", "0 %"])
@pytest.mark.parametrize("dial", ["rpm", "floor 30 %"])
def test_off_and_nought_percent_are_one(off: str, dial: str, tmp_path: Path) -> None:
    system = read(tmp_path, off, dial)  # a dial with a lowest speed does not reach nought by itself
    assert system.settings[1].speeds == {"p": 0.0}
    assert pump_setting(system.network.pumps["p"], 0.0) == "off"


def test_less_than_off_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="-5 %"):
        read(tmp_path, "-5 %")


def test_a_plan_is_checked_with_the_pump_off(tmp_path: Path) -> None:
    system = read(tmp_path)
    plan = pipeline.search(system, catalog(), time_limit_s=20.0)
    assert plan.found
    checked = verify_plan(system, plan)
    assert checked.passed
    day, feeding = checked.settings
    assert day.flows_m3_s["line"] > 2200 / 3.6e6
    assert feeding.flows_m3_s["line"] == pytest.approx(0.0, abs=1e-9)


def test_a_line_without_a_check_valve_runs_back_for_a_while_and_then_carries_nothing(tmp_path: Path) -> None:
    network = replace(read(tmp_path).network, tanks_balance=True)
    still = replace(network, pumps={"p": replace(network.pumps["p"], speed=0.0)})

    solution = solve_network(still)

    assert solution.flows_m3_s["line"] == pytest.approx(0.0, abs=1e-9)
    assert "water runs back through run 'line' until" in " ".join(said(solution.warnings))
    assert "runs backwards" not in " ".join(said(solution.warnings))
