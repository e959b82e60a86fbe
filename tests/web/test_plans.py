"""Searches from the page: in a process of their own, to be stopped and ended, with the same papers as the command's."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path
from typing import Any

import pytest
from cli.running import ROOT, SHORT
from said import free
from web.conftest import Open, Page
from web.test_views import words_of

from optimizer import pipeline
from optimizer.documents import papers
from optimizer.model.note import Note, money_note, note
from optimizer.model.plan import Plan, Status
from optimizer.web import worker
from optimizer.web.jobs import Job, Jobs
from optimizer.web.plan_views import _stairs, progress_chart, ways_out
from optimizer.web.plans import WORDS, Chosen
from optimizer.web.worker import Asked, Planned

PATH = Path(SHORT)


def possible(change: Note) -> Note:
    return note("would make it possible", change=change, cost=money_note(1200, "USD"), less=None)


def asked(what: str = "plan", **more: Any) -> Asked:
    return Asked(what, PATH, (ROOT / PATH).read_bytes(), (), 30.0, **more)


def done(one: Asked) -> Any:
    """Return what a worker tells last, without a process of its own."""
    told: list[tuple[Any, ...]] = []
    worker.work(one, told.append, lambda: False)
    return told[-1]


@pytest.fixture(scope="module")
def planned() -> Planned:
    kind, result = done(asked())
    assert kind == "done"
    return result


def with_plan(page: Page, planned: Planned) -> Page:
    page.sitting.plans.chosen = Chosen("the cheapest plan", planned, page.sitting.content)
    return page


def test_no_two_things_of_the_page_of_a_plan_have_the_same_id(open_page: Open, planned: Planned) -> None:
    page = with_plan(open_page(), planned)

    ids = re.findall(r'\sid="([^"]+)"', page.get("/?view=plan").text)

    assert "picture-after" in ids
    assert [one for one in set(ids) if ids.count(one) > 1] == []


def test_every_work_has_its_words() -> None:
    assert set(WORDS) == set(worker.WORKS)


def test_the_plan_is_the_commands(planned: Planned) -> None:
    system, catalog = pipeline.read(SHORT)

    assert planned.report is not None
    assert planned.report.bill == pipeline.plan(system, catalog).bill


@pytest.mark.slow
def test_the_workbook_is_the_commands_byte_for_byte(planned: Planned) -> None:
    system, catalog = pipeline.read(SHORT)

    _, files = done(asked("workbook", report=planned.report))

    assert files["plan.xlsx"] == papers.workbook(pipeline.plan(system, catalog), catalog)
    assert files["order.csv"].startswith(b"\xef\xbb\xbf")


@pytest.mark.parametrize(
    ("what", "stop", "costs"),
    [("plan", "Stop with the best so far", True), ("vary", "Stop with the rows so far", False), ("card", "", False)],
)
def test_what_goes_on_has_the_buttons_that_it_listens_to(open_page: Open, what: str, stop: str, costs: bool) -> None:
    page = open_page()
    page.sitting.plans.jobs.job = Job(asked(what), WORDS[what])

    told = words_of(page.get("/?view=plan").text)

    assert WORDS[what] in told
    assert ("Stop with" in told, "Least possible" in told) == (bool(stop), costs)
    assert stop in told
    assert "Cancel" in told


def test_what_cannot_be_done_is_told_in_words() -> None:
    assert done(asked("most"))[0] == "failed"  # it has no budget
    assert done(asked("workbook"))[1] == "There is no plan yet; search for one first."
    broken = Asked("plan", PATH, b"runs: [", (), 1.0)
    assert done(broken)[0] == "failed"


@pytest.mark.slow
def test_a_point_below_the_targets_is_a_plan_too() -> None:
    frontier = done(asked("frontier"))[1]
    low = next(one for one in frontier.plans if not one.meets_targets and one.plan.cost_cents)

    kind, point = done(asked("point", point=low))

    assert kind == "done"
    assert point.report.bill.total_cents == low.plan.cost_cents


@pytest.mark.slow
def test_stopped_it_gives_the_best_plan_that_was_told() -> None:
    told: list[tuple[Any, ...]] = []

    def any_found() -> bool:
        return any(one[0] == "progress" and one[2] is not None for one in told)

    worker.work(asked(), told.append, any_found)

    kind, result = told[-1]
    assert kind == "done"
    assert result.report.bill.total_cents == next(one[2] for one in told if one[0] == "progress" and one[2])
    assert result.plan.status in (Status.FEASIBLE, Status.OPTIMAL)


def test_progress_is_drawn_as_two_lines_that_keep_a_value_until_the_next_is_told() -> None:
    course = [(0.5, None, None), (1.0, 7000, 5000), (2.0, 6000, 5000), (3.0, 6000, 5500)]

    chart = progress_chart(course, 4.0, "USD")

    assert _stairs([(1.0, 70.0), (2.0, 60.0)], 4.0) == [(1.0, 70.0), (2.0, 70.0), (2.0, 60.0), (4.0, 60.0)]
    assert chart.count('class="after-line"') == chart.count('class="now-line"') == 2  # each in the legend too
    assert "least possible" in chart
    assert progress_chart(course[:1], 4.0, "USD") == ""
    assert progress_chart(course[1:2], 4.0, "USD") != ""


def test_the_process_searches_and_another_is_refused_meanwhile() -> None:
    kept: list[Job] = []
    jobs = Jobs(kept.append)

    assert jobs.start(asked("card"), "a card")
    assert not jobs.start(asked(), "a plan")
    until = time.monotonic() + 60
    while jobs.busy and time.monotonic() < until:
        time.sleep(0.02)

    assert kept[0].result.keys() == {"card.html", "card.xlsx"}
    assert jobs.job is not None
    assert not jobs.job.failed


def test_a_search_can_be_ended_at_once() -> None:
    jobs = Jobs(lambda job: None)
    jobs.start(asked(), "a plan")
    process = jobs._process

    began = time.monotonic()
    jobs.end()

    assert time.monotonic() - began < 2.0
    assert not process.is_alive()
    assert not jobs.busy


def test_a_search_that_is_ended_is_not_called_a_defect(monkeypatch: pytest.MonkeyPatch) -> None:
    jobs = Jobs(lambda job: None)
    jobs.start(asked(), "a plan")
    process = jobs._process
    join = process.join
    slowly = lambda timeout=None: (time.sleep(0.3), join(timeout))  # noqa: E731  # who listens is quicker
    monkeypatch.setattr(process, "join", slowly)

    jobs.end()

    job = jobs.job
    assert job is not None
    assert (job.failed, jobs.turns) == ("It was canceled; nothing was kept.", 2)


@pytest.mark.slow
def test_a_stopped_search_ends_at_its_next_step() -> None:
    calls: list[tuple[Any, ...]] = []
    long = (ROOT / "examples" / "upper-tank.yaml").read_bytes()

    worker.work(Asked("frontier", Path("upper-tank.yaml"), long, (), 60.0), calls.append, lambda: True)

    assert calls[-1][0] in ("done", "failed")
    assert sum(call[0] == "progress" for call in calls) < 50


def test_the_page_shows_the_plan_and_says_when_it_is_old(open_page: Open, planned: Planned) -> None:
    page = with_plan(open_page(), planned)
    told = words_of(page.get("/?view=plan").text)

    assert "bring the flow to its target" in told
    assert "after the work" in told.lower()
    assert "has been changed since" not in told

    page.sitting.plans.chosen = Chosen("the cheapest plan", planned, b"another text")
    assert "has been changed since" in words_of(page.get("/?view=plan").text)


def test_papers_are_saved_by_their_names_alone(open_page: Open, planned: Planned) -> None:
    page = with_plan(open_page(), planned)
    page.sitting.plans.chosen = Chosen("it", planned, b"", {"plan.xlsx": b"book"})

    assert page.get("/papers/plan.xlsx").content == b"book"
    assert 'filename="plan.xlsx"' in page.get("/papers/plan.xlsx").headers["content-disposition"]
    for name in ("../tank.yaml", "tank.yaml", "%2e%2e%2ftank.yaml", "plan.xlsx/..", "/etc/hosts"):
        assert page.get(f"/papers/{name}").status_code == 404
    assert b"<svg" in page.get("/now/schematic-now.svg").content


def test_two_plans_stand_beside_each_other(open_page: Open, planned: Planned) -> None:
    page = with_plan(open_page(), planned)

    assert "Plans compared" in words_of(page.post("/beside", data={"view": "plan"}).text)
    assert "Plans compared" not in words_of(page.post("/beside", data={"view": "plan", "clear": "1"}).text)


@pytest.mark.parametrize("form", [{}, {"what": "nothing"}, {"what": "point"}, {"what": "__class__"}])
def test_a_search_that_is_none_is_refused(open_page: Open, form: dict[str, str]) -> None:
    page = open_page()

    assert "There is no such search." in words_of(page.post("/search", data=form).text)
    assert page.sitting.plans.jobs.job is None
    assert "no longer there" in words_of(page.post("/point", data={"index": "-1"}).text)


def test_ways_out_become_changes_that_the_file_can_hold(open_page: Open) -> None:
    page = open_page()
    ways_found = {
        note("no target", run="return line"): "SetTarget",
        note("relaxed", rule="other sizes", text="other pipe sizes (`other sizes: yes`)"): "SetRule",
        note("more cuts", more=2, cuts=4): "SetRule",
        note("faster in the mode", pump="return", speed_share=0.95, mode="night"): "SetPumpInMode",
        note("faster", pump="return", speed_share=1.0): "Set",
    }
    reasons = [possible(way) for way in ways_found]

    ways = ways_out(page.sitting.sheet.answers.system, [free("no plan reaches it"), *reasons])

    assert [json.loads(way.data)["change"] for way in ways] == list(ways_found.values())
    for way in ways:
        form = {"do": "data", "data": way.data, "rev": str(page.sitting.revision), "view": "plan"}
        assert "Not done" not in page.post("/edit", data=form).text
    text = page.sitting.content.decode()
    assert "saw cuts: at most 4" in text
    assert "return: 95 %" in text
    assert "other sizes: yes" in text
    assert "at least 700" not in text


def test_a_no_shows_its_ways_out_as_buttons(open_page: Open) -> None:
    page = open_page()
    way = possible(note("no target", run="return line"))
    none = Plan(Status.INFEASIBLE, None, None, "USD", {}, {}, {}, reasons=(free("it cannot be"), way))
    page.sitting.plans.chosen = Chosen("the cheapest plan", Planned(none, None), page.sitting.content)

    told = page.get("/?view=plan").text

    assert "Try one of them" in told
    assert 'name="then" value="search"' in told
