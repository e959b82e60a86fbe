"""A pump at or past the last point of its curve: what runs into tanks is known from below, so nothing of it is safe."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from said import said, worded
from small_aquaria import aquarium, catalog, siphon, upright

from optimizer import pipeline
from optimizer.cli import main
from optimizer.documents.drawing.curves import curves_chart, pump_picture
from optimizer.documents.drawing.labels import run_lines
from optimizer.documents.flow_tables import speed_blocks
from optimizer.documents.flows_text import flow_blocks
from optimizer.documents.payload import flow_json
from optimizer.documents.report_facts import shown_now, solved
from optimizer.documents.safety_text import safety_rows, told_numbers
from optimizer.documents.tables import Table
from optimizer.documents.text import demand_words
from optimizer.model.safety import SafetyCheck, Verdict
from optimizer.model.system import System
from optimizer.model.tanks import Tank
from optimizer.search.cheapest import find_plan
from optimizer.verify.card import settings_card
from optimizer.verify.floor import floor_facts
from optimizer.verify.safety import safety_today

DISPLAY = Tank("display", 0.72, 0.30, rim_m=0.03, opening_depth_m=0.025, start_volume_m3=0.004)
SUMP = Tank("sump", free_volume_m3=0.080, reserve_m3=0.015)
SHORT = ((0.0, 4.0), (5e-5, 3.95), (1e-4, 3.8))
WHOLE = (*SHORT, (3e-4, 3.0), (6e-4, 0.0))


def system(curve: tuple[tuple[float, float], ...], **changes: object) -> System:
    plain = aquarium(low_m3_s=0.9e-4, tanks=(DISPLAY, SUMP), drains=(siphon("1 in"), upright("2 in", 0.03)))
    plain = replace(plain, **changes)  # type: ignore[arg-type]
    pump = replace(plain.network.pumps["return"], curve=curve)
    return replace(plain, network=replace(plain.network, pumps={"return": pump}))


def checks(there: System) -> dict[str, SafetyCheck]:
    return {worded(check.title): check for check in safety_today(there).checks}


def about_flow(there: System) -> list[SafetyCheck]:
    return [check for title, check in checks(there).items() if " drain)" in title or "freeboard" in title]


def test_no_row_that_depends_on_the_flow_is_safe() -> None:
    assert all(check.verdict is Verdict.SAFE for check in about_flow(system(WHOLE)))
    found = about_flow(system(SHORT))
    assert len(found) == 3
    assert all(check.verdict is Verdict.UNCHECKED and "curve of pump 'return'" in worded(check.why) for check in found)


def test_nothing_that_may_go_wrong_is_called_safe_or_close_where_the_flow_is_not_known() -> None:
    """What a joint lets out at the pump is water of the sump, and with its only valve shut the tank gets none."""
    for curve, known in ((WHOLE, True), (SHORT, False)):
        there = system(curve)
        rows = floor_facts(there, there.network, safety_today(there).checks).mishaps
        by_flow = [row for row in rows if not re.search("joint|lip|valve", worded(row.title))]
        assert len(by_flow) >= 3
        unsure = [row for row in by_flow if "curve of pump 'return'" in " ".join(said(row.missing))]
        assert not any(row.verdict is Verdict.UNCHECKED and not row.missing for row in rows)  # it says what to state
        if known:
            assert not unsure
        else:
            assert unsure
            assert not any(row.verdict in (Verdict.SAFE, Verdict.CLOSE) for row in by_flow), by_flow


def test_what_runs_back_is_known_from_below() -> None:
    (check,) = [check for title, check in checks(system(SHORT)).items() if "drain-back" in title]
    assert check.verdict is Verdict.UNCHECKED
    assert told_numbers(check, "metric")[1].startswith("at least ")


def test_what_is_too_much_already_is_unsafe_all_the_same() -> None:
    small = replace(SUMP, free_volume_m3=0.010)
    (check,) = [
        check for title, check in checks(system(SHORT, tanks=(DISPLAY, small))).items() if "drain-back" in title
    ]
    assert check.verdict is Verdict.UNSAFE
    assert "at least" in worded(check.unsafe())


def test_pressure_does_not_depend_on_the_flow() -> None:
    (check,) = [check for title, check in checks(system(SHORT)).items() if "weakest" in title]
    assert check.verdict is Verdict.SAFE


def test_the_flow_command_says_at_least_and_gives_no_band() -> None:
    there = system(SHORT)
    solution, band = pipeline.flows(there), pipeline.flow_band(there)
    (flows, pumps) = [block for block in flow_blocks(there, solution, band) if isinstance(block, Table)]
    assert flows.rows[0][1] == "at least 360 L/h"  # 1e-4 m³/s
    assert flows.rows[0][2] == ""
    assert pumps.rows[0][2:] == ("at least 360 L/h", "not known")
    told = flow_json(there, solution, band)
    assert told["runs"][0]["flow_is"] == "a least value"
    assert told["runs"][0]["flow_high_m3_s"] is None


def test_so_do_the_flows_over_the_setting() -> None:
    there = system(SHORT)
    table = next(
        block for block in speed_blocks(there, pipeline.flows_over_settings(there, (1.0,))) if isinstance(block, Table)
    )
    assert table.rows[0][1] == "at least 360 L/h"


def test_the_card_has_no_meters_where_the_flow_is_not_known() -> None:
    (mode,) = settings_card(system(SHORT)).modes
    assert mode.meters == ()
    assert "end of its curve" in worded(mode.note)


def test_a_plan_sets_the_valve_within_the_curve_and_is_checked_there() -> None:
    there = system(SHORT)
    report = pipeline.report(there, find_plan(there, catalog()).plan, catalog())
    (demand,) = report.verification.demands
    now, after, wide_open = demand_words(demand, "metric")
    assert demand.after_m3_s < 0.99 * SHORT[-1][0]
    assert now == wide_open == "at least 360 L/h"
    assert not after.startswith("at least")
    assert report.verification.safety is not None
    rows = safety_rows(report.verification.safety.checks, "metric")
    drains = [row for row in rows if row[0].startswith("flow into")]
    assert drains
    assert all(row[-2:] == ("not known", "close") for row in drains)  # as set; a little more is past the curve
    assert all(row[1].startswith("at least") for row in drains)
    assert any("whether the emergency drain" in text for text in said(report.verification.warnings))
    by_flow = [one for one in report.mishaps if re.search("power|overflow|main drain", worded(one.title))]
    assert len(by_flow) >= 4
    assert not any(one.verdict is Verdict.SAFE for one in by_flow), by_flow  # nor is what fails surer than the checks


def test_the_whole_curve_carries_more_than_what_the_short_one_promises() -> None:
    short, whole = (pipeline.flows(system(curve)).flows_m3_s["return line"] for curve in (SHORT, WHOLE))
    assert whole > short
    assert short == pytest.approx(SHORT[-1][0], rel=1e-3)


def test_the_pictures_say_it_too() -> None:
    there = system(SHORT)
    now = solved(there.network, with_gains=False)
    assert "at least 360 L/h" in str(run_lines(shown_now(there, now), "return line"))
    picture = pump_picture(there.network, now.solution, there.network.pumps["return"])
    chart = curves_chart(picture, None, "metric", title="pump", key="pump")
    assert "at least 360 L/h, the end of its curve" in chart


@pytest.mark.parametrize("how", [(), ("--by", "run"), ("--by", "kind"), ("--along", "line"), ("--limit", "1")])
def test_losses_are_told_with_what_is_not_known(how: tuple[str, ...], tmp_path: Path) -> None:
    text = """
system: A curve that ends too early, invented
units: metric
surfaces: {sump: 0 m, display: 1.2 m}
pumps: {p: {curve: CURVE, ports: 1 in NPT male}}
runs:
  line: {from: sump, to: display, size: 1 in sch 40 PVC, parts: [pump p, adapter NPT female x socket, pipe 2 m]}
"""
    short, whole = "[0 L/h at 4 m, 500 L/h at 3.8 m]", "[0 L/h at 4 m, 500 L/h at 3.8 m, 4000 L/h at 0 m]"
    told = []
    for name, curve in (("short", short), ("whole", whole)):
        (tmp_path / f"{name}.yaml").write_text(text.replace("CURVE", curve), encoding="utf-8")
        done = CliRunner().invoke(main, ["losses", str(tmp_path / f"{name}.yaml"), *how])
        assert done.exit_code == 0, done.output
        told.append("its flow there is not known" in done.output)
    assert told == [True, False]
