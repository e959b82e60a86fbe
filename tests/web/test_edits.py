"""Changes made on the page, without a browser: the file's bytes, undo, two windows, another program, a killed one."""

from __future__ import annotations

import re

import pytest
from web.conftest import Open, Page
from web.test_views import words_of

from optimizer import pipeline
from optimizer.documents.words import flow_words

ELBOW = "part-0-5"  # of the single return line: the first elbow


def send(page: Page, do: str, address: str = "/edit", **fields: str) -> str:
    """Send a form as the page does: with the revision that it shows."""
    return page.post(address, data={"rev": str(page.sitting.revision), "do": do, **fields}).text


def text_of(page: Page) -> str:
    return page.sitting.content.decode()


def test_an_elbow_becomes_a_sweep_and_the_flow_is_that_of_the_saved_file(open_page: Open) -> None:
    page = open_page()
    before = page.sitting.path.read_bytes()

    told = words_of(send(page, "change part", at=ELBOW, kind="sweep elbow"))
    send(page, "save", "/step")

    system = pipeline.read(page.sitting.path)[0]
    assert [part.kind for part in system.network.runs["return line"].parts].count("sweep elbow") == 1
    assert flow_words(pipeline.flows(system).flows_m3_s["return line"], system.units) in told
    old, new = before.splitlines(), page.sitting.path.read_bytes().splitlines()
    assert sum(one != other for one, other in zip(old, new, strict=True)) == 1


def test_undo_gives_the_old_bytes_and_redo_the_new_ones(open_page: Open) -> None:
    page = open_page("cellar-sump")
    before = page.sitting.content
    send(page, "change part", at="part-0-12", kind="sweep elbow")
    after = page.sitting.content

    send(page, "undo", "/step")
    assert page.sitting.content == before
    send(page, "redo", "/step")
    assert page.sitting.content == after


@pytest.mark.parametrize(
    ("form", "line"),
    [
        ({"do": "opening", "at": "part-0-4", "opening": "40"}, "- ball valve 40 % open"),
        ({"do": "insert", "at": ELBOW, "kind": "union", "where": "before"}, "- union\n      - elbow"),
        (
            {"do": "insert", "at": "run-0", "kind": "pipe", "detail": "6 in", "where": "after"},
            "- elbow\n      - pipe 6 in",
        ),
        ({"do": "set run", "at": "run-0", "key": "name", "value": "riser"}, "riser: at least 700"),
        ({"do": "target", "name": "return line", "value": "at least 500 gph"}, "return line: at least 500 gph"),
        ({"do": "rule", "key": "saw cuts", "value": "at most 2"}, "saw cuts: at most 2"),
        ({"do": "rule", "key": "sizes", "value": "3/4 in, 1 in"}, "3/4 in, 1 in"),
        ({"do": "head", "key": "note", "value": "a: b # c"}, "note: 'a: b # c'"),
        ({"do": "set", "section": "surfaces", "name": "display", "value": "5 ft"}, "display: 5 ft"),
        ({"do": "speed", "pump": "return", "speed": "80"}, "speed: 80 %"),
        ({"do": "reading", "run": "return line", "flow": "500 gph"}, "500 gph"),
    ],
)
def test_each_form_changes_its_line_of_the_file(open_page: Open, form: dict[str, str], line: str) -> None:
    page = open_page()

    told = send(page, **form)

    assert line in text_of(page).replace('"', "'")
    assert "Not done" not in told


def test_parts_move_repeat_and_go(open_page: Open) -> None:
    page = open_page()
    kinds = lambda: [part.kind.value for part in page.sitting.sheet.answers.system.network.runs["return line"].parts]  # noqa: E731
    first = kinds()

    send(page, "repeat part", at=ELBOW)
    assert kinds()[5:7] == ["elbow", "elbow"]
    send(page, "remove part", at=ELBOW)
    assert kinds() == first
    send(page, "move part", at="part-0-3", way="later")
    assert kinds()[3:5] == [first[4], first[3]]


def test_a_tee_is_put_in_with_a_run_of_its_own(open_page: Open) -> None:
    page = open_page()
    form = {"tee": "middle", "name": "side line", "end": "sump", "size": "3/4 in sch 40 PVC", "parts": "pipe 2 ft"}

    told = words_of(send(page, "branch", at="part-0-9", **form))

    assert "run side line from middle to sump" in " ".join(re.findall('aria-label="([^"]*)"', page.get("/").text))
    assert "Not done" not in told


def test_what_would_leave_errors_is_not_done_until_it_is_said_again(open_page: Open) -> None:
    page = open_page()
    before = page.sitting.content

    told = words_of(send(page, "insert", at=ELBOW, kind="adapter", detail="1 in NPT male x 1 in NPT male"))
    assert "Not done: this would leave" in told
    assert page.sitting.content == before

    form = {"at": ELBOW, "kind": "adapter", "detail": "1 in NPT male x 1 in NPT male", "anyway": "1"}
    assert "in the file" in words_of(send(page, "insert", **form))
    assert page.sitting.content != before
    send(page, "undo", "/step")
    assert page.sitting.content == before


def test_what_does_not_fit_is_greyed_with_the_reason(open_page: Open) -> None:
    page = open_page()

    told = page.get("/kinds", params={"at": ELBOW}).text

    refused = re.findall(r'<option value="([^"]+)" disabled>', told)
    assert "backflow preventer" in refused
    assert "sweep elbow" not in refused
    assert "a socket end does not join a GHT female end" in told  # garden hose thread is no socket


def test_two_windows_do_not_undo_each_other(open_page: Open) -> None:
    page = open_page()
    seen = str(page.sitting.revision)
    send(page, "target", name="return line", value="at least 400 gph")
    first = page.sitting.content

    told = page.post("/edit", data={"rev": seen, "do": "remove part", "at": ELBOW}).text

    assert "changed meanwhile" in words_of(told)
    assert page.sitting.content == first


def test_a_file_that_another_program_changed_is_never_overwritten_blindly(open_page: Open) -> None:
    page = open_page()
    path = page.sitting.path
    send(page, "target", name="return line", value="at least 400 gph")
    other = path.read_bytes() + b"# another program was here\n"
    path.write_bytes(other)

    assert "Another program has changed the file" in words_of(page.get("/").text)
    assert "changed by another program" in words_of(send(page, "save", "/step"))
    assert path.read_bytes() == other

    send(page, "read", "/step")
    assert page.sitting.content == other
    send(page, "undo", "/step")
    assert b"400 gph" in page.sitting.content
    send(page, "save", "/step")
    assert b"400 gph" in path.read_bytes()


def test_what_was_not_saved_is_kept_beside_the_file_and_offered_again(open_page: Open) -> None:
    page = open_page()
    before = page.sitting.path.read_bytes()
    send(page, "target", name="return line", value="at least 400 gph")

    said = page.sitting.leave()

    assert page.sitting.path.read_bytes() == before
    assert str(page.sitting.unsaved_path) in said[0]
    again = open_page(content=before)
    assert "not saved" in words_of(again.get("/").text)
    send(again, "take up", "/step")
    assert b"400 gph" in again.sitting.content
    assert not again.sitting.unsaved_path.exists()


def test_a_slider_is_tried_without_changing_anything(open_page: Open) -> None:
    page = open_page()
    before = page.sitting.content
    open_flow = words_of(page.get("/runs").text)

    tried = words_of(page.post("/try", data={"valve 0 4": "30", "pump 0": "90"}).text)

    assert "ball valve, 30 % open" in tried
    assert "pump return, 90 %" in tried
    assert page.sitting.content == before
    assert words_of(page.get("/runs").text) == open_flow


@pytest.mark.parametrize("words", ["0", "100", "101", "-1", "x", "9" * 50, ""])
def test_nonsense_from_a_slider_is_passed_over(open_page: Open, words: str) -> None:
    assert open_page().post("/try", data={"valve 0 4": words, "valve 99 99": words, "x": "y"}).status_code == 200


@pytest.mark.parametrize("there", [True, False])
def test_an_empty_or_missing_file_begins_with_questions(open_page: Open, there: bool) -> None:
    page = open_page(content=b"", missing=not there)
    told = page.get("/").text
    assert "What is it called?" in words_of(told)
    pump = re.findall(r'<option value="([^"]+)">', told)[0]

    answers = {"title": "Mine", "units": "US", "display": "5 ft", "shelf": pump, "size": "3/4 in sch 40 PVC"}
    send(page, "begin", target="300 gph", **answers)
    send(page, "save", "/step")

    system = pipeline.read(page.sitting.path)[0]
    assert system.name == "Mine"
    assert system.targets[0].low_m3_s > 0.0


@pytest.mark.parametrize("form", [{}, {"do": "x"}, {"do": "data", "data": "[" * 2000}, {"do": "data", "data": "{}"}])
def test_a_form_that_asks_for_nothing_known_changes_nothing(open_page: Open, form: dict[str, str]) -> None:
    page = open_page()
    before = page.sitting.content

    page.post("/edit", data={"rev": "0", **form})
    page.post("/step", data={"rev": "0", **form})

    assert page.sitting.content == before


def test_only_the_folders_own_price_lists_count(open_page: Open) -> None:
    page = open_page()
    folder = page.sitting.path.parent
    (folder / "prices.csv").write_text("item_id,price,currency,price_date\n", encoding="utf-8")
    outside = folder.parent / "other.csv"

    send(page, "lists", "/step", **{"list a": "prices.csv", "list b": str(outside), "list c": "../other.csv"})

    assert page.sitting.catalogs == (folder.absolute() / "prices.csv",)


@pytest.mark.parametrize(
    "form", [{"do": "change part", "size": "one inch"}, {"do": "insert", "kind": "union", "size": "1 inn"}]
)
def test_what_is_no_size_is_told_as_such(open_page: Open, form: dict[str, str]) -> None:
    page = open_page()
    before = page.sitting.content

    told = words_of(send(page, at=ELBOW, **form))

    assert f"found '{form['size']}' as a size; allowed: a size such as 3/4 in" in told
    assert page.sitting.content == before


def test_after_the_first_questions_it_is_told_how_to_go_on(open_page: Open) -> None:
    page = open_page(missing=True)
    first = page.get("/").text
    shelf = re.search(r'<option value="([^"]+)">', first)
    assert shelf is not None
    assert "nothing in it yet" in first

    told = send(page, "begin", shelf=shelf[1], title="Mine", display="4 ft", size="3/4 in sch 40 PVC")

    assert "A first sketch. Choose each part" in words_of(told)


def test_a_target_is_typed_at_the_device_that_it_is_for(open_page: Open) -> None:
    page = open_page("cellar-sump")
    network = page.sitting.sheet.answers.system.network
    place = list(network.runs).index("uv line")
    index = next(i for i, part in enumerate(network.runs["uv line"].parts) if part.name == "uv")

    panel = page.get(f"/choose?at=part-{place}-{index}").text

    assert "Target of uv line, through it" in panel
    assert 'value="250 to 350 gal/h"' in panel


def test_a_reading_is_typed_beside_the_flow_that_is_calculated(open_page: Open) -> None:
    page = open_page()
    flow = flow_words(pipeline.flows(page.sitting.sheet.answers.system).flows_m3_s["return line"], "US")

    assert f"return line: calculated {flow}, measured" in words_of(page.get("/?view=readings").text)


@pytest.mark.long
def test_a_reading_in_a_mode_names_what_its_pumps_show(open_page: Open) -> None:
    page = open_page("upper-tank")
    html = page.get("/?view=readings&mode=night").text
    settings = dict(re.findall(r'type="hidden" name="(pump [^"]+)" value="([^"]+)"', html))

    told = send(page, "reading", run="refugium line", flow="340 gph", view="file", **settings)

    assert settings == {"pump main": "80 %", "pump upper": "100 %", "pump ring": "100 %"}
    assert "Not done" not in told
    assert "340 gph" in text_of(page)
    feeding = page.get("/?view=readings&mode=feeding").text
    assert "A pump is off in this mode" in feeding
    assert "Add<span" not in feeding


def test_a_quick_window_need_not_wait_for_its_own_page(open_page: Open) -> None:
    page = open_page()
    seen = str(page.sitting.revision)
    quick = {"x-window": "one"}

    page.post("/edit", data={"rev": seen, "do": "target", "name": "return line", "value": "500 gph"}, headers=quick)
    told = page.post("/edit", data={"rev": seen, "do": "head", "key": "note", "value": "quick"}, headers=quick).text
    assert "changed meanwhile" not in told
    assert "note: quick" in text_of(page)
    page.post("/step", data={"rev": seen, "do": "undo"}, headers=quick)
    page.post("/step", data={"rev": seen, "do": "undo"}, headers=quick)
    assert "note: quick" not in text_of(page)

    page.post("/edit", data={"rev": str(page.sitting.revision), "do": "head", "key": "note", "value": "by another"})
    told = page.post("/edit", data={"rev": seen, "do": "head", "key": "note", "value": "late"}, headers=quick).text
    assert "changed meanwhile" in told
    assert "note: by another" in text_of(page)


def test_a_quick_form_about_a_part_that_moved_meanwhile_is_not_done(open_page: Open) -> None:
    page = open_page()
    seen, quick = str(page.sitting.revision), {"x-window": "one"}
    page.get("/")

    page.post("/edit", data={"rev": seen, "do": "remove part", "at": "part-0-2"}, headers=quick)
    told = page.post("/edit", data={"rev": seen, "do": "remove part", "at": "part-0-4"}, headers=quick).text
    assert "changed meanwhile" in told  # the fourth is the next one now
    page.post("/edit", data={"rev": seen, "do": "opening", "at": "run-0", "opening": "50"}, headers=quick)
    last = page.post(
        "/edit", data={"rev": seen, "do": "set run", "at": "run-0", "key": "note", "value": "x"}, headers=quick
    )
    assert "changed meanwhile" not in last.text


def test_a_new_part_is_the_chosen_one_so_that_parts_are_put_in_as_they_stand(open_page: Open) -> None:
    page = open_page()

    def chosen(told: str) -> str:
        return re.findall(r'id="(part-[\d-]+)"[^>]*aria-selected="true"', told)[0]

    told = send(page, "insert", at="part-0-3", kind="union", where="after", view="plumbing")
    assert chosen(told) == "part-0-4"
    told = send(page, "insert", at=chosen(told), kind="45 elbow", where="after")
    assert chosen(told) == "part-0-5"
    told = send(page, "move part", at="part-0-5", way="earlier")
    assert chosen(told) == "part-0-4"
    told = send(page, "insert", at="run-0", kind="elbow", where="before")
    assert chosen(told) == "part-0-0"
    assert "Not done" in send(page, "insert", at="part-0-3", kind="pipe", where="after")


@pytest.mark.parametrize(("size", "becomes"), [("1 in", "1 in sch 40 PVC"), ("25 mm", "25 mm PVC-U PN16")])
def test_a_size_alone_means_the_usual_pipe(open_page: Open, size: str, becomes: str) -> None:
    page = open_page(missing=True)
    shelf = re.search(r'<option value="([^"]+)">', page.get("/").text)
    assert shelf is not None

    send(page, "begin", shelf=shelf[1], title="Mine", display="4 ft", size=size, target="at least 300 gph")

    assert f"size: {becomes}" in text_of(page)
    assert "return line: at least 300 gph" in text_of(page)


def test_first_answers_with_an_error_are_refused_and_the_questions_stay(open_page: Open) -> None:
    page = open_page(missing=True)
    shelf = re.search(r'<option value="([^"]+)">', page.get("/").text)
    assert shelf is not None

    told = send(page, "begin", shelf=shelf[1], title="Mine", display="high", size="1 in")

    assert "Not done" in told
    assert "found 'high'" in words_of(told)
    assert 'name="display"' in told
    assert page.sitting.content == b""


def test_a_curve_that_is_typed_is_that_of_the_pump_whatever_is_chosen_from_the_catalog(open_page: Open) -> None:
    page = open_page(missing=True)
    shelf = re.search(r'<option value="([^"]+)">', page.get("/").text)
    assert shelf is not None
    form = {"title": "Mine", "display": "4 ft", "size": "3/4 in sch 40 PVC", "ports": "3/4 in NPT male"}

    send(page, "begin", shelf=shelf[1], curve="0 gph at 9 ft\n900 gph at 0 ft", **form)

    assert "900 gph at 0 ft" in text_of(page)
