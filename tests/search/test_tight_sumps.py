"""A sump with next to no room, in several modes: a plan, or the proof that there is none, well within a minute."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.errors import NoPlanError
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system

FILE = """
system: Small sump, invented
units: metric
water: {salinity: 35 g/kg, temperature: 25 degC}
surfaces: {sump: 0 m, display: 1.2 m}
pumps:
  return:
    curve: [0 L/h at 4 m, 1080 L/h at 3 m, 2160 L/h at 0 m]
    speed: 100 %
    speeds: 40 % to 100 %
    ports: 3/4 in socket
runs:
  return line:
    from: sump
    to: display
    size: 3/4 in sch 40 PVC
    parts: [{pump: return, keep: yes}, pipe 1 m, elbow, pipe 6 m, elbow, pipe 5.5 m, ball valve, pipe 0.5 m]
targets: {return line: at least 1420 L/h}
modes:
  day: {return: 100 %}
  night: {return: 80 %, targets: {return line: at least 900 L/h}}
  feeding: {return: 70 %, targets: {return line: 300 to 900 L/h}}
rules: {sizes: [3/4 in, 1 in, 1-1/4 in], velocity limit: 9 m/s}
tanks:
  display:
    {area: 0.72 m2, overflow edge: 30 cm, rim above edge: 3 cm, return outlet depth: 2.5 cm, start volume: 4 L}
  sump: {free volume: ROOM, pump reserve: 15 L}
drains:
  main drain: {from: display, mode: full siphon, size: 1-1/2 in sch 40 PVC, drop: 0.9 m, parts: [pipe 1 m, elbow]}
  spare: {from: display, mode: emergency, size: 2 in sch 40 PVC, drop: 1 m, head over lip: 3 cm, parts: [pipe 1 m]}
"""


def planned(tmp_path: Path, room: str) -> tuple[float, bool]:
    """Return the processor time of the search [s], and whether its plan is proved."""
    file = tmp_path / "sump.yaml"
    file.write_text(FILE.replace("ROOM", room), encoding="utf-8")
    system, begun = load_system(file, load_catalog()), time.process_time()
    report = pipeline.plan(system, load_catalog(), time_limit_s=600.0)
    return time.process_time() - begun, report.plan.bound_cents == report.plan.cost_cents


@pytest.mark.long
def test_a_plan_that_just_fits_is_proved(tmp_path: Path) -> None:
    took_s, proved = planned(tmp_path, "40 L")
    assert proved
    assert took_s < 60.0


@pytest.mark.slow
def test_where_the_sump_has_no_room_it_is_proved_that_there_is_no_plan(tmp_path: Path) -> None:
    begun = time.process_time()
    with pytest.raises(NoPlanError) as told:
        planned(tmp_path, "36 L")
    assert told.value.proved
    assert time.process_time() - begun < 60.0
