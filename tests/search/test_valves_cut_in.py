"""A valve that is cut into a pipe: what it takes, and what the work order says of it."""

from __future__ import annotations

import pytest
from unknown_systems import catalog, line

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
