"""The water of every tank: what comes in goes out, in every mode, as it stands and as planned."""

from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.documents.balance_text import balance_blocks
from optimizer.documents.tables import plain_text
from optimizer.model.plan import planned_networks
from optimizer.read.places import data_directory
from optimizer.verify.balance import balances
from optimizer.verify.drains import drain_capacity_m3_s

SYSTEM, CATALOG = pipeline.read(data_directory("examples") / "upper-tank.yaml")
MODES = dict(SYSTEM.ways_to_run)


@pytest.mark.parametrize("mode", MODES)
def test_what_comes_into_a_tank_goes_out_of_it(mode: str) -> None:
    flows = pipeline.flows(MODES[mode]).flows_m3_s
    refugium, display, sump = balances(SYSTEM, MODES[mode].network, flows)

    # written down by hand from the file: which runs end and begin in which tank
    assert refugium.comes_m3_s == pytest.approx(flows["refugium line"], rel=1e-9)
    assert refugium.runs_m3_s == pytest.approx(flows["gravity line"], rel=1e-9)
    stirred = flows["ring front"] + flows["ring back"]
    brought = flows["left outlet"] + flows["right outlet"] + flows["gravity line"]
    assert display.comes_m3_s == pytest.approx(brought + stirred, rel=1e-9)
    assert display.runs_m3_s == pytest.approx(flows["ring suction"], abs=1e-9)
    assert display.left_m3_s == pytest.approx(flows["main line"] + flows["refugium line"], abs=2e-9)
    assert display.to == "sump"
    assert sump.comes_m3_s == pytest.approx(sump.runs_m3_s, abs=2e-9)


def test_a_ring_changes_nothing_that_the_drains_have_to_take() -> None:
    by_day, feeding = (
        balances(SYSTEM, at.network, pipeline.flows(at).flows_m3_s) for at in (MODES["day"], MODES["feeding"])
    )

    assert by_day[1].comes_m3_s > 2 * by_day[1].left_m3_s  # more than half of what comes is its own water, stirred
    assert feeding[1].runs_m3_s == pytest.approx(0.0, abs=1e-9)


@pytest.mark.long
def test_the_plan_of_the_example_balances_in_every_mode_and_is_printed_and_drawn() -> None:
    from optimizer.documents.pictures import plan_pictures
    from optimizer.documents.report_facts import report_facts
    from optimizer.documents.text import plan_blocks

    report = pipeline.plan(SYSTEM, CATALOG, time_limit_s=300.0)
    networks = planned_networks(report.system, report.plan)
    assert [one.name for one in report.verification.settings] == ["day", "night", "feeding"]
    for network, one in zip(networks, report.verification.settings, strict=True):
        *_, sump = balances(report.system, network, one.flows_m3_s)
        assert sump.comes_m3_s == pytest.approx(sump.runs_m3_s, abs=2e-9)
    told = plain_text(plan_blocks(report))
    assert told.count("holds its level") == 3
    drawn = {picture.name: picture.svg for picture in plan_pictures(report_facts(report))}
    assert all(f"{mode}: " in drawn["schematic-after"] for mode in MODES)


def test_one_tank_above_its_sump_needs_no_table() -> None:
    system, _ = pipeline.read(data_directory("examples") / "single-return.yaml")

    assert balance_blocks(system, system.network, pipeline.flows(system).flows_m3_s) == []


TWO_SUMPS = """
system: One display between two sumps, invented
units: metric
surfaces: {sump: 0 m, low sump: -0.3 m, display: 1.2 m}
pumps:
  main: {curve: [0 L/h at 4 m, 2000 L/h at 3 m, 4000 L/h at 0 m], ports: 1 in NPT male}
  second: {curve: [0 L/h at 4 m, 2000 L/h at 3 m, 4000 L/h at 0 m], ports: 1 in NPT male}
runs:
  line: {from: sump, to: display, size: 1 in sch 40 PVC, parts: [pump main, adapter NPT female x socket, pipe 2 m]}
  other:
    {from: low sump, to: display, size: 1 in sch 40 PVC, parts: [pump second, adapter NPT female x socket, pipe 2 m]}
drains:
  wide: {from: display, to: sump, mode: full siphon, size: 2 in sch 40 PVC, drop: 1 m, parts: [bulkhead, pipe 1 m]}
  narrow:
    {from: display, to: low sump, mode: full siphon, size: 1 in sch 40 PVC, drop: 1 m, parts: [bulkhead, pipe 1 m]}
targets: {line: any}
"""


def test_drains_into_two_sumps_share_what_is_left_by_what_they_carry(tmp_path: Path) -> None:
    path = tmp_path / "system.yaml"
    path.write_text(TWO_SUMPS, encoding="utf-8")
    system, _ = pipeline.read(path)
    flows = pipeline.flows(system).flows_m3_s
    wide, narrow = (drain_capacity_m3_s(drain, system.network.water) or 0.0 for drain in system.drains)

    display, sump, low = balances(system, system.network, flows)

    assert display.to == "sump and low sump"
    assert sump.comes_m3_s + low.comes_m3_s == pytest.approx(flows["line"] + flows["other"], rel=1e-9)
    assert sump.comes_m3_s / low.comes_m3_s == pytest.approx(wide / narrow, rel=1e-9)
    assert low.left_m3_s < 0.0 < sump.left_m3_s  # pumps alike, drains not: the one sump falls
