"""What is laid over the drawing: losses, heads, safety, leaks, errors; and what is told only when it is asked for."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from cli.running import ROOT
from web.conftest import Open
from web.test_edits import send, text_of
from web.test_views import words_of

from optimizer import pipeline
from optimizer.units import show_head
from optimizer.web.answers import Answers
from optimizer.web.overlays import OVERLAYS, SIGNS, heads, leaks, losses, safety

CELLAR = ROOT / "examples" / "cellar-sump.yaml"


@pytest.fixture(scope="module")
def cellar() -> Answers:
    return Answers(*pipeline.read(CELLAR))


def test_losses_are_those_of_the_command_and_the_longest_bar_is_the_largest(cellar: Answers) -> None:
    laid = losses(cellar, "")
    rows = [one for one in pipeline.losses(cellar.system)[1] if one.index is not None]

    for one in rows:
        assert laid.said[one.run, one.index] == show_head(one.head_loss_m, "US").replace(" ", "\u00a0")
    largest = max(rows, key=lambda one: one.head_loss_m)
    assert laid.at_parts[largest.run, largest.index].share == 1.0
    assert all(0.0 < mark.share <= 1.0 for mark in laid.at_parts.values())


def test_heads_fall_along_a_run_by_what_its_parts_lose_and_rise_at_the_pump(cellar: Answers) -> None:
    laid, state = heads(cellar, ""), cellar.solved("")
    run = cellar.system.network.runs["riser"]
    along = {one.index: one.head_m for one in pipeline.head_along(cellar.system, "riser") if one.run == "riser"}

    for index in range(len(run.parts)):
        assert laid.said["riser", index] == show_head(along[index], "US").replace(" ", "\u00a0")
    highest = max(laid.at_parts, key=lambda place: laid.at_parts[place].share)
    assert run.parts[highest[1]].kind == "pump"
    assert highest[0] == "riser"
    assert state.solution.heads_m["display"] == pytest.approx(9.3333 * 0.3048, abs=0.01)  # 9 ft 4 in


def test_what_is_unsafe_is_marked_where_it_is_and_in_words(cellar: Answers) -> None:
    laid = safety(cellar, "")
    unsafe = {one.title.run for one in cellar.floor("").mishaps if one.verdict == "unsafe"}

    assert unsafe == {"riser", "uv line"}
    for run in unsafe:
        assert laid.at_parts[run, -1].sign == "✗"
        assert laid.said_of_runs[run] == "unsafe"
    assert laid.at_points["display"].sign in SIGNS.values()


def test_a_pump_that_is_named_as_a_drain_is_not_taken_for_it() -> None:
    answers = Answers(*pipeline.read(ROOT / "examples" / "upper-tank.yaml"))  # it has a pump called main

    laid = safety(answers, "day")

    assert laid.at_parts["main line", -1].sign == "✗"
    assert laid.at_parts["main line", 0].sign == "✓"
    assert laid.at_points["refugium"].sign == "?"  # no main drain is stated


def test_each_drain_has_the_verdict_of_its_check() -> None:
    answers = Answers(*pipeline.read(ROOT / "examples" / "upper-tank.yaml"))
    checks = {str(one.check): one.verdict_now for one in answers.safety().checks if "display" in repr(one.title)}

    laid = safety(answers, "day")

    assert laid.said_of_drains["main drain"] == checks["main drain"] == "safe"
    assert laid.at_drains["emergency drain"].sign == SIGNS[checks["emergency drain"]]


def test_the_worst_joints_are_numbered_at_the_part_that_they_come_behind(cellar: Answers) -> None:
    laid, network = leaks(cellar, ""), cellar.system.network
    worst = cellar.floor("").leaks[0]
    part, after = network.runs[worst.run].parts[worst.behind : worst.behind + 2]

    assert laid.at_parts[worst.run, worst.behind].sign == "1"
    assert worst.words == f"{part.words} to {after.words}"


@pytest.mark.parametrize("view", OVERLAYS)
def test_each_is_laid_over_the_same_drawing(open_page: Open, view: str) -> None:
    page = open_page()
    handles = re.findall(r'id="((?:run|part|point)-[\d-]+)"', page.get("/").text)

    html = page.get(f"/?view={view}").text

    assert re.findall(r'id="((?:run|part|point)-[\d-]+)"', html) == handles
    assert 'class="over' in html


# errors at their parts

BROKEN = """\
system: Broken
units: US
surfaces: {sump: 0 ft, display: 4 ft}
pumps:
  return: {curve: [0 gph at 11 ft, 1200 gph at 0 ft], ports: 3/4 in NPT male}
runs:
  line:
    from: sump
    to: display
    size: 3/4 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, pipe 4 ft, elbwo, pipe 2 ft]
"""


def test_an_error_stands_at_its_part_and_is_mended_there(open_page: Open) -> None:
    page = open_page(content=BROKEN.encode())

    html = page.get("/").text
    assert "over-sign bad" in html
    assert "not connected yet: found" in words_of(html)
    path = re.search(r'name="path" value="([^"]+)"', html)
    assert path is not None
    told = send(page, "mend", path=path[1].replace("&#34;", '"'), words="elbow")

    assert "pipe 4 ft, elbow, pipe 2 ft" in text_of(page)
    assert 'id="plumbing"' in told


def test_an_error_beyond_the_parts_stands_in_the_plumbing_as_it_was(open_page: Open) -> None:
    page = open_page(content=BROKEN.replace("elbwo", "elbow").encode())
    page.get("/")

    told = send(page, "set", section="pumps", name="return", key="curve", value="1200 gph at 0 ft", anyway="1")

    assert "the plumbing before the errors" in told
    assert "over-sign bad" in told
    assert re.search(r"pump return.*?: found", words_of(told)) is not None


def test_a_drain_with_an_error_is_left_out_and_the_rest_is_drawn(open_page: Open) -> None:
    text = (ROOT / "examples" / "metric-unions.yaml").read_text(encoding="utf-8")
    wrong = text.replace("mode: full siphon", "mode: half siphon")
    assert wrong != text
    html = open_page(content=wrong.encode()).get("/").text

    assert "Drains with an error are left out" in words_of(html)
    assert ">emergency drain<" in html
    assert ">main drain<" not in html


def test_nothing_is_drawn_of_what_never_could_be_read_and_no_path_is_trusted(open_page: Open) -> None:
    page = open_page(content=b"system: Half\nunits: US\n")

    assert "<svg" not in page.get("/").text.split("<main")[1]
    for path in ('["no", "such"]', "[]", "{}", "nonsense", '["runs"]', "[" * 5000):
        send(page, "mend", path=path, words="x")
    assert text_of(page) == "system: Half\nunits: US\n"


# what is told when it is asked for


@pytest.mark.parametrize(
    ("what", "fields", "words"),
    [
        ("understood", {}, "1 run"),
        ("speeds", {"from": "60", "to": "100"}, "100 %"),
        ("grouped", {"by": "kind"}, "elbow"),
        ("along", {"run": "return line"}, "pump return"),
        pytest.param("ports", {}, "NPT", marks=pytest.mark.slow),
        ("adapters", {"from": "3/4 in BSPP male", "to": "1 in socket"}, "1 in socket"),
        ("adapters", {"from": "3/4 in BSPP male", "to": "thing"}, "allowed"),
        ("adapters", {"from": "3/4 in BSPP male", "to": "1 in socket", "flow": "much"}, "much"),
        ("speeds", {"from": "90", "to": "20"}, "the lower first"),
        ("along", {"run": "no such"}, "no longer there"),
    ],
)
def test_what_is_asked_for_is_told(open_page: Open, what: str, fields: dict[str, str], words: str) -> None:
    assert words in words_of(open_page().get(f"/more/{what}", params=fields).text)


def test_there_is_no_such_thing(open_page: Open) -> None:
    assert open_page().get("/more/../../etc/passwd").status_code == 404
    assert open_page().get("/more/nothing").text == ""
    assert Path(CELLAR).exists()
