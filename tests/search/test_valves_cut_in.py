"""A valve that is cut into a pipe: what it takes, and what the work order says of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from unknown_systems import catalog, line

from optimizer import pipeline
from optimizer.documents.work_words import step_text
from optimizer.model.catalog import THROTTLES, Kind
from optimizer.model.outcome import PlanReport
from optimizer.pipeline import plan, take_off


@pytest.fixture(scope="module")
def found() -> PlanReport:
    """Return the plan for one run that carries too much and has nothing to hold it with."""
    return plan(line("  line: 900 to 950 L/h"), catalog())


def test_a_valve_goes_straight_on_to_the_two_pieces_of_the_sawn_pipe(found: PlanReport) -> None:
    parts = found.plan.runs["line"].parts
    at = next(i for i, part in enumerate(parts) if part.kind in THROTTLES)

    assert [parts[at - 1].kind, parts[at + 1].kind] == [Kind.PIPE, Kind.PIPE]
    assert parts[at - 1].existing
    assert parts[at + 1].existing
    assert [purchase.item.kind for purchase in found.plan.runs["line"].purchases] == [Kind.BALL_VALVE]
    assert [joint.method for joint in found.plan.runs["line"].joints] == ["cement", "cement"]
    assert found.plan.cuts == 2


def test_the_work_order_says_where_to_saw_and_how_much_comes_out(found: PlanReport) -> None:
    (work,) = take_off(found, catalog()).work
    words = [step_text(step, "metric") for step in work.steps]
    (sawn,) = (step for step in work.steps if step.code == "out of")
    valve, depth_m = found.plan.runs["line"].purchases[0].item, catalog().socket_depths_m

    # by hand: the valve from face to face is what comes out, less the two ends of pipe that go into it
    assert 1000 * sawn.lengths_m["out"] == pytest.approx(1000 * sum(valve.take_outs_m), abs=0.1)
    assert any(text.startswith("saw the 914 mm length of 3/4 in. sch 40 PVC pipe through twice, ") for text in words)
    assert depth_m[valve.ends[0]] > 0
    assert any("pipe –A→ 3/4 in. sch 40 PVC ball valve, socket × socket –B→ 3/4 in." in text for text in words)


HOSES = """\
system: a reactor on hose
units: US
surfaces: {sump: 1 ft, tank: 1.5 ft}
pumps: {little: {curve: [0 gph at 5.2 ft, 130 gph at 3.6 ft, 240 gph at 1.3 ft, 275 gph at 0 ft], ports: 1/2 in barb}}
devices: {reactor: {loss: 1.3 ft at 40 gph, ports: 1/2 in barb}}
runs:
  back: {from: sump, to: y, size: 1/2 in vinyl hose, parts: [pump little, hose 16 in]}
  nozzle line: {from: y, to: tank, size: 1/2 in vinyl hose, parts: [hose 2 ft]}
  reactor line: {from: y branch, to: sump, size: 1/2 in vinyl hose, parts: [hose 1 ft, device reactor, hose 1 ft]}
targets: {nozzle line: at least 105 gph, reactor line: 27 to 55 gph}
rules: {sizes: [1/2 in]}
"""


@pytest.mark.long
def test_a_valve_is_cut_into_hose_with_a_clamp_on_either_side(tmp_path: Path) -> None:
    path = tmp_path / "system.yaml"
    path.write_text(HOSES, encoding="utf-8")
    system, rows = pipeline.read(path, ())
    report = plan(system, rows)
    found = report.plan
    valve, clamps = rows.items["barb-ball-valve-050"], rows.items["clamp-050"]

    assert [part.item for part in found.runs["nozzle line"].parts if not part.existing] == [valve]
    assert found.cost_cents == valve.price_cents + clamps.price_cents  # the clamps come by two
    (work,) = take_off(report, rows).work
    words = [step_text(step, "US") for step in work.steps]
    (cut,) = (text for text in words if text.startswith("cut the 2 ft (610 mm) length of 1/2 in. vinyl hose"))
    assert "through once, 1 ft (305 mm) from the face of the tee at y; both ends stay and go onto the" in cut
    assert not any("pull the tee" in text for text in words)
    assert found.cuts == 0  # of the saw
