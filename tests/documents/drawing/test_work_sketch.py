"""The sketch for the workbench: every piece to cut with its mark and length, every part that comes out or goes in."""

import itertools
from collections.abc import Iterator
from functools import cache

import planned_examples
import pytest

from optimizer.documents.drawing.svg import Canvas
from optimizer.documents.drawing.work_sketch import SKETCH_PX, sketch_canvas
from optimizer.documents.report_facts import ReportFacts, report_facts
from optimizer.documents.work_pictures import sketches
from optimizer.model.network import Run
from optimizer.model.plan import Plan
from optimizer.takeoff.cut_list import CutList
from optimizer.units import show_cut

pytestmark = pytest.mark.long  # each looks at whole plans

NAMES = ("cellar-sump", "metric-unions", "single-return")
every_example = pytest.mark.parametrize("name", planned_examples.each(NAMES))


@cache
def planned(name: str) -> tuple[ReportFacts, CutList]:
    report, taken = planned_examples.taken_off(name)
    return report_facts(report, taken=taken, with_gains=False), taken.cuts


def pages(name: str) -> list[Canvas]:
    return [sketch_canvas(one) for one in sketches(*planned(name))]


def words(name: str) -> Iterator[str]:
    yield from (box.words for page in pages(name) for box in page.texts)


@pytest.mark.long
@every_example
def test_every_piece_to_cut_has_its_mark_and_its_length(name: str) -> None:
    facts, cuts = planned(name)
    told = list(words(name))

    assert cuts.pieces
    for piece in cuts.pieces:
        assert sum(one.startswith(f"mark {piece.mark}:") for one in told) == 1
        assert f"cut {show_cut(piece.cut_m, facts.units)}" in told


@every_example
def test_every_joint_that_is_made_has_its_letter_once(name: str) -> None:
    facts, told = planned(name)[0], list(words(name))

    assert facts.taken is not None
    letters = [joint.letter for work in facts.taken.work for joint in work.joints.joints]
    assert letters
    assert len(set(letters)) == len(letters)
    assert all(told.count(letter) == 1 for letter in letters)
    assert not set(letters) & {"N", "X", "I", "O"}


@every_example
def test_every_part_that_comes_out_or_goes_in_has_its_letter(name: str) -> None:
    report = planned(name)[0].report
    plan = report.plan
    told = list(words(name))

    # a tee is drawn with every run that changes and ends there
    ends = [p for r in plan.runs for p in _ends_of(report.system.network.runs[r]) if plan.runs[r].changes]
    tees_out, tees_in = (sum(which(point, plan) for point in ends) for which in (_tee_out, _tee_in))
    assert told.count("X") == sum(len(run.removed) for run in plan.runs.values()) + tees_out
    assert told.count("N") == sum(not part.existing for run in plan.runs.values() for part in run.parts) + tees_in


def _ends_of(run: Run) -> tuple[str, str]:
    return run.start.point, run.end.point


def _tee_out(point: str, plan: Plan) -> bool:
    return point in plan.tees and bool(plan.tees[point].removed)


def _tee_in(point: str, plan: Plan) -> bool:
    return point in plan.tees and bool(plan.tees[point].purchases)


@every_example
def test_only_runs_that_change_are_drawn(name: str) -> None:
    plan = planned(name)[0].report.plan
    drawn = {one.run for one in sketches(*planned(name))}

    assert drawn == {run.run for run in plan.runs.values() if run.removed or run.purchases}


@every_example
def test_no_words_meet_and_none_are_cut(name: str) -> None:
    for page in pages(name):
        boxes = [*page.texts, *page.symbols]
        met = [(a.words, b.words) for a, b in itertools.combinations(boxes, 2) if a.overlaps(b)]
        assert met == []
        for box in boxes:
            assert 0 <= box.left < box.right <= page.width, box.words
            assert 0 <= box.top < box.bottom <= page.height, box.words


def test_a_run_that_leads_up_has_its_first_part_at_the_bottom() -> None:
    page = pages("cellar-sump")[0]
    heights = {box.words: box.top for box in page.texts if box.left > SKETCH_PX / 2}

    assert heights["mark 1: 1-1/2 in pipe"] > heights["mark 3: 1-1/2 in pipe"]
