"""What nobody said of a dial counts in a plan as in the plumbing that it becomes. The system is invented."""

from __future__ import annotations

from pathlib import Path

import pytest
from said import said

from optimizer import pipeline
from optimizer.hydraulics.uncertainty import uncertainty
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import planned_networks
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.verify.settings import with_openings

SYSTEM = """
system: Day and night
units: US
surfaces: {{sump: 0, tank: 3 ft}}
pumps:
  main:
    curve: [0 gal/h at 11 ft, 300 gal/h at 9 ft, 600 gal/h at 6 ft, 800 gal/h at 3 ft, 950 gal/h at 0 ft]
    ports: 3/4 in spigot
    speeds: [50 %, 70 %, 100 %]
{dial}
runs:
  line: {{from: sump, to: tank, size: 3/4 in sch 40 PVC,
    parts: [pump main, coupling, pipe 3 ft, elbow, ball valve, pipe 1 ft]}}
modes:
  day: {{main: 100 %, targets: {{line: at least 300 gal/h}}}}
  night: {{main: 70 %, targets: {{line: at least 100 gal/h}}}}
"""


def report_of(folder: Path, dial: str) -> PlanReport:
    path = folder / "system.yaml"
    path.write_text(SYSTEM.format(dial=dial))
    catalog = load_catalog()
    return pipeline.plan(load_system(path, catalog), catalog)


def test_the_band_of_a_plan_is_that_of_the_plumbing_it_becomes(tmp_path: Path) -> None:
    report = report_of(tmp_path, "")
    by_day, by_night = (
        uncertainty(with_openings(network, report.verification.valves)).band_m3_s["line"]
        for network in planned_networks(report.system, report.plan)
    )

    assert report.band is not None
    assert report.band["line, day"] == pytest.approx(by_day)
    assert report.band["line, night"] == pytest.approx(by_night)


def test_a_dial_that_nobody_explained_makes_wide_what_runs_below_full_speed(tmp_path: Path) -> None:
    wide, narrow = report_of(tmp_path, ""), report_of(tmp_path, "    dial: rpm")
    told = "what the speed setting of pump 'main' means is not stated"

    assert wide.band is not None
    assert narrow.band is not None
    assert wide.band["line, day"] == pytest.approx(narrow.band["line, day"])  # at full speed all dials say the same
    assert wide.band["line, night"][1] > 1.3 * narrow.band["line, night"][1]  # 70 % of power is 89 % of full speed
    assert any(told in each for each in said(wide.notes))
    assert not any(told in each for each in said(narrow.notes))
    assert wide.chance is not None
    assert narrow.chance is not None
    assert wide.chance.trimmed == narrow.chance.trimmed  # whoever reads a meter turns the dial until it is right
