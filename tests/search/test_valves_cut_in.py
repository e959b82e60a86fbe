"""A valve that is cut into a pipe: what it takes, and what the work order says of it."""

from __future__ import annotations

import pytest
from unknown_systems import catalog, line

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
    words = [step.text for step in work.steps]

    assert "saw the 3/4 in. sch 40 PVC pipe of 914 mm through square, where the valve goes; both pieces stay" in words
    assert any("sch 40 PVC pipe → 3/4 in. sch 40 PVC ball valve, socket × socket → 3/4 in." in text for text in words)
