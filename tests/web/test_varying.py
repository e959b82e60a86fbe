"""One system with many changes, from the page: chosen, typed or dropped; the same rows as the command's; stopped."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from cli.running import SHORT
from click.testing import CliRunner
from web.conftest import Open, Page
from web.test_plans import asked, done
from web.test_views import words_of

from optimizer import pipeline
from optimizer.cli import main
from optimizer.edits.splice import set_value
from optimizer.errors import EditError
from optimizer.many import workers
from optimizer.many.answer import answer
from optimizer.many.variants import place_of, variants_of
from optimizer.web import varying, worker
from optimizer.web.forms import Standing
from optimizer.web.jobs import Jobs
from optimizer.web.varying import places, table_of, varied_html

TABLE = b"name,targets: return line,pumps: return: speed\ntoday,,\nless,at least 650 gph,\nslow,,70 %\n"


def vary(table: bytes, **options: str) -> Any:
    kind, found = done(asked("vary", table=table, options=options))
    assert kind == "done", found
    return found


def test_what_is_chosen_becomes_every_pair_of_values() -> None:
    form = {"place 1": "targets: a b", "values 1": "at least 1,200 gph, any", "place 2": "rules: budget"}

    table = table_of({**form, "values 2": "40 USD\n60 USD"}, b"")

    found = variants_of(table, "the table")
    assert found.columns == ("targets: a b", "rules: budget")
    assert found.cells == (
        ("at least 1,200 gph", "40 USD"),
        ("at least 1,200 gph", "60 USD"),
        ("any", "40 USD"),
        ("any", "60 USD"),
    )


def test_a_table_that_was_typed_or_dropped_goes_before_what_is_chosen() -> None:
    form = {"table": "name\tx: y\na\t1, 2\n", "place 1": "rules: budget", "values 1": "40 USD"}

    assert variants_of(table_of(form, b""), "the table").cells == (("1, 2",),)  # as a spreadsheet copies it
    assert table_of(form, b"x: y\n1\n") == b"x: y\n1\n"
    assert variants_of(b"name;x: y\na;1\n", "the table").cells == (("1",),)


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({}, "Still missing: what varies"),
        ({"place 1": "rules: budget"}, "Still missing: the values of 'rules: budget'"),
        ({"values 2": "40 USD"}, "what is to have the values"),
        ({f"{key} {n}": "a: b" for key in ("place", "values") for n in (1, 2)}, "'a: b' twice"),
    ],
)
def test_half_a_form_is_told_in_words_and_keeps_what_was_typed(
    open_page: Open, form: dict[str, str], words: str
) -> None:
    with pytest.raises(EditError, match=words):
        table_of(form, b"")
    page = open_page()

    told = page.post("/vary", data={"view": "plan", "seconds": "77", **form}).text

    assert words in words_of(told)
    assert 'value="77"' in told
    assert page.sitting.plans.jobs.job is None


def test_every_place_that_may_be_chosen_leads_to_its_value(open_page: Open) -> None:
    page = open_page("cellar-sump")
    answers = page.sitting.sheet.answers
    assert answers is not None
    text = page.sitting.sheet.text

    found = {one.heading: one for one in places(Standing(text, answers.system), answers.system)}

    assert found["targets: left outlet"].now == "at least 400 gal/h"
    assert found["pumps: return: speed"].now == "90 %"
    assert found["surfaces: display"].now == "9 ft 4 in"
    assert found["rules: budget"].now == ""
    for heading in ("rules: budget", "targets: riser"):  # not there yet
        assert "x" in set_value(text, place_of(heading), "x")


def test_a_name_that_no_heading_can_hold_is_not_offered() -> None:
    system = pipeline.read(SHORT)[0]
    run = system.network.runs["return line"]
    odd = replace(
        system, network=replace(system.network, runs={name: replace(run, name=name) for name in ("a: b", "7")})
    )

    headings = [one.heading for one in places(Standing("units: US"), odd)]

    assert "targets: return line" in headings  # it has a target
    assert not any("a: b" in heading or ": 7" in heading for heading in headings)


def test_flows_of_each_row_are_those_of_the_file_changed_so() -> None:
    found = vary(TABLE, kind="flow")

    assert [row.name for row in found.rows] == ["today", "less", "slow"]
    assert {row.status for row in found.rows} == {"solved"}
    today, less, slow = (row.share_before for row in found.rows)
    assert today is not None
    assert slow < today < less
    assert less == pytest.approx(today * 700 / 650)
    told = words_of(varied_html(found))
    assert "less at least 650 gph as it is solved" in told


@pytest.mark.long
def test_the_files_are_the_commands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "by_processes", lambda jobs, workers: map(answer, jobs))
    table, to, drawn = (tmp_path / name for name in ("with.csv", "r.csv", "r.svg"))
    content = b"targets: return line\nat least 650 gph\nat least 700 gph\n"
    table.write_bytes(content)
    words = ["vary", SHORT, "--with", table, "--to", to, "--picture", drawn, "--time-limit", "30"]
    assert CliRunner().invoke(main, [str(word) for word in words]).exit_code == 0

    found = vary(content)

    assert found.files["variants.csv"] == to.read_bytes()
    assert found.files["variants.svg"] == drawn.read_bytes()
    assert "<style" not in found.svg  # the page's policy forbids it
    ElementTree.fromstring(found.svg)


def test_what_cannot_be_changed_is_a_row_with_its_reason() -> None:
    found = vary(b"name,runs: return line: parts: 99,rules: budget\n<b>,elbow,\nb,,much\n", kind="check")

    assert [row.status for row in found.rows] == ["input error", "input error"]
    html = varied_html(found)
    assert "much" in html
    assert "<b>" not in html


def test_a_bad_table_is_told_by_row_and_column() -> None:
    assert done(asked("vary", table=b"x: y,x: y\n1,2,3\n"))[0] == "failed"
    assert "the table, row 2" in done(asked("vary", table=b"x: y\n1,2,3\n"))[1]


def test_stopped_it_keeps_the_rows_that_were_done() -> None:
    told: list[tuple[Any, ...]] = []
    work = asked("vary", table=TABLE, options={"kind": "flow"})

    worker.work(work, told.append, lambda: any("2 of 3" in str(one[1]) for one in told))

    kind, found = told[-1]
    assert (kind, len(found.rows), found.number) == ("done", 2, 3)
    assert "Stopped: 2 of 3 rows were calculated" in words_of(varied_html(found))
    worker.work(work, told.append, lambda: True)
    assert told[-1][0] == "failed"


def test_a_row_that_was_stopped_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    stop: list[bool] = []
    monkeypatch.setattr("optimizer.many.answer.answer", lambda job, progress: stop.append(True) or answer(job))
    told: list[tuple[Any, ...]] = []

    worker.work(asked("vary", table=TABLE, options={"kind": "flow"}), told.append, lambda: bool(stop))

    assert told[-1][0] == "failed"  # its search may have ended with less than it would have found


def test_the_page_shows_rows_picture_and_files(open_page: Open) -> None:
    page = open_page()
    found = vary(b"targets: return line\nat least 300 gph\n", kind="flow")
    page.sitting.plans.studies["vary"] = (page.sitting.content, found)

    html = page.get("/?view=plan").text

    assert "at least 300 gph" in words_of(html)
    assert page.get("/variants/variants.csv").content == found.files["variants.csv"]
    for name in ("../tank.yaml", "variants.svg"):
        assert page.get(f"/variants/{name}").status_code == 404
    page.sitting.plans.studies["vary"] = (b"older", found)
    assert "since these variants" in words_of(page.get("/?view=plan").text)


def test_a_dropped_file_begins_a_job_of_what_it_says(open_page: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    begun: list[worker.Asked] = []
    monkeypatch.setattr(Jobs, "start", lambda self, asked, words: begun.append(asked) or True)
    page: Page = open_page()

    data = {"view": "plan", "kind": "flow", "seconds": "5", "place 1": "rules: budget"}
    page.post("/vary", data=data, files={"file": ("v.csv", TABLE, "text/csv")})

    (one,) = begun
    assert (one.what, one.table, one.time_limit_s, one.options["kind"]) == ("vary", TABLE, 5.0, "flow")
    assert page.post("/search", data={"what": "vary", "rev": "0"}).text.count("There is no such search") == 1


def test_only_so_many_rows_are_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(varying, "SHOWN", 1)

    told = words_of(varied_html(vary(TABLE, kind="check")))

    assert "These are the first 1 rows; the files have all 3." in told
    assert "slow" not in told
