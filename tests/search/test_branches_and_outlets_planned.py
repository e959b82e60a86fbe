"""Wyes, sanitary tees and ball-joint hose, each in a small system that is planned from file to papers."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from said import worded

from optimizer import pipeline
from optimizer.documents.workbook import whole_workbook_bytes
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import Status
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system

PUMPED = """
system: Three lines off one fitting
units: US
surfaces: {sump: 0, left: 1.2 m, middle: 1.3 m, right: 1.2 m}
pumps:
  return: {curve: [[0 gal/h, 5 m], [1200 gal/h, 4 m], [2400 gal/h, 2 m], [3200 gal/h, 0 m]], ports: 1-1/2 in NPT male}
runs:
  riser:
    from: sump
    to: split
    size: 1-1/2 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, union, pipe 6 in, elbow, pipe 2 ft]
  middle line:
    from: split
    to: middle
    size: 1-1/2 in sch 40 PVC
    parts: [pipe 2 ft, elbow, pipe 1 ft, ball valve, pipe 6 in]
  left line:
    from: split branch
    to: left
    size: SIZE in sch 40 PVC
    parts: [pipe 3 ft, elbow, ball valve, pipe 6 in, OUTLET]
THIRD
tees: {split: FITTING}
targets:
  left line: at least 350 gal/h
  middle line: at least 600 gal/h
MORE
"""
THIRD = """  right line:
    from: split branch
    to: right
    size: 1-1/2 in sch 40 PVC
    parts: [pipe 3 ft, elbow, ball valve, pipe 6 in]
"""
FALLING = """
system: A refugium that falls to the sump
units: US
surfaces: {sump: 0, refugium: 1.1 m}
runs:
  fall:
    from: refugium
    to: split
    size: 1-1/2 in sch 40 PVC
    parts: [bulkhead, elbow, pipe 2 ft]
  through:
    from: split
    to: sump
    size: 1-1/2 in sch 40 PVC
    parts: [pipe 1 ft, gate valve, pipe 6 in]
  aside:
    from: split branch
    to: sump
    size: 1-1/2 in sch 40 PVC
    parts: [pipe 1 ft, elbow, ball valve, pipe 1 ft]
tees: {split: sanitary tee}
targets:
  through: at least 300 gal/h
  aside: at least 200 gal/h
"""


@cache
def catalog() -> Catalog:
    return load_catalog()


def planned(text: str) -> PlanReport:
    return pipeline.plan(load_system(Path("small.yaml"), catalog(), text.encode()), catalog())


def pumped(fitting: str, third: bool = False, outlet: str = "elbow", size: str = "1-1/2") -> PlanReport:
    text = PUMPED.replace("FITTING", fitting).replace("OUTLET", outlet).replace("SIZE", size)
    text = text.replace("THIRD", THIRD if third else "").replace("MORE", "  right line: any" if third else "")
    if not third:
        text = text.replace(", right: 1.2 m", "")
    return planned(text)


@pytest.mark.long
@pytest.mark.parametrize(
    ("fitting", "third", "kind"), [("wye", False, Kind.WYE), ("double wye", True, Kind.DOUBLE_WYE)]
)
def test_a_system_on_a_wye_is_planned_from_file_to_papers(fitting: str, third: bool, kind: Kind) -> None:
    report = pumped(fitting, third)
    item = report.system.network.tees["split"].item

    assert item is not None
    assert item.kind is kind
    assert report.plan.status is Status.OPTIMAL
    assert report.verification.passed
    assert len(whole_workbook_bytes(report, pipeline.take_off(report, catalog()))) > 10_000


@pytest.mark.parametrize("family", ["sch 40 PVC", "ABS DWV"])
def test_a_gravity_line_on_a_sanitary_tee_is_planned(family: str) -> None:
    report = planned(FALLING.replace("sch 40 PVC", family))
    item = report.system.network.tees["split"].item

    assert item is not None
    assert item.kind is Kind.SANITARY_TEE
    assert item.family == family
    assert report.plan.found
    assert report.verification.passed


def test_ball_joint_hose_at_the_end_of_a_line_is_planned() -> None:
    report = pumped("tee", outlet="adapter socket x NPT female, ball-joint hose", size="3/4")
    last = report.plan.runs["left line"].parts[-1]

    assert last.kind is Kind.BALL_JOINT_HOSE
    assert last.existing
    assert report.verification.passed


def test_abs_drain_pipe_is_renewed_in_abs_and_takes_its_own_cement() -> None:
    renewed = "parts: [{part: pipe 1 ft, must go: yes}, gate"
    text = FALLING.replace("sch 40 PVC", "ABS DWV").replace("parts: [pipe 1 ft, gate", renewed)
    report = planned(text)
    taken = pipeline.take_off(report, catalog())
    new = [part for part in report.plan.runs["through"].parts if not part.existing and part.item is not None]

    assert new
    assert {part.item.family for part in new if part.item is not None} == {"ABS DWV"}
    assert any("ABS cement" in worded(note) for note in taken.notes)
