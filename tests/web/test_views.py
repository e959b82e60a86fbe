"""What the page shows of a file, without a browser: flows as the command tells them, faults at their lines."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest
from cli.running import ROOT, SHORT
from web.conftest import Open

from optimizer import pipeline
from optimizer.documents.words import flow_words
from optimizer.errors import InputError
from optimizer.web import fault_views
from optimizer.web.sitting import Sitting

HARM = "<script>alert(1)</script>"


def words_of(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def test_the_flows_are_those_of_the_command(open_page: Open) -> None:
    system = pipeline.read(SHORT)[0]
    flows = pipeline.flows(system).flows_m3_s

    told = words_of(open_page().get("/").text)

    for run, flow in flows.items():
        assert f"{run} {flow_words(flow, system.units)}" in told


def test_every_run_part_and_point_has_a_handle_with_a_name(open_page: Open) -> None:
    network = pipeline.read(SHORT)[0].network

    names = dict(re.findall(r'id="((?:run|part|point)-[\d-]+)" .*?aria-label="([^"]+)"', open_page().get("/").text))

    parts = sum(len(run.parts) for run in network.runs.values())
    assert len(names) == len(network.runs) + parts + len(network.points)
    assert all(names.values())


def test_every_view_is_told(open_page: Open) -> None:
    page = open_page()

    assert "Largest head losses" in words_of(page.get("/?view=heads").text)
    assert "Weak joints" in words_of(page.get("/?view=leaks").text)
    assert "Safety checks" in words_of(page.get("/?view=safety").text)
    assert "flow gain without this loss" in words_of(page.get("/?view=losses").text).lower()
    assert "80 % range" in words_of(page.get("/runs").text)


def test_what_is_chosen_is_told_and_nonsense_tells_nothing(open_page: Open) -> None:
    page = open_page()

    assert "position 2 of" in words_of(page.get("/choose?at=part-0-1").text)
    for nonsense in ("part-0-999", "part--1-0", "run-x", "<b>", "part-0-1-2", "point-99999999999999999999"):
        assert "Nothing chosen" in page.get("/choose", params={"at": nonsense}).text


def test_faults_stand_at_their_lines(open_page: Open) -> None:
    page = open_page(content=b"system: A\nunits: US\nsurfaces: {sump: 0 ft}\nruns:\n  a: {from: sump, to: nowhere}\n")

    told = page.get("/").text

    assert 'id="line-5" class="wrong"' in told
    assert "Line 5" in words_of(told)


def test_what_can_be_drawn_of_a_file_with_errors_is_told_once(open_page: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every error takes a reading of the file: with dozens of them each look at another view took seconds."""
    asked = []
    told = fault_views.drawable
    monkeypatch.setattr(fault_views, "drawable", lambda *given: asked.append(given) or told(*given))
    page = open_page(content=b"system: A\nunits: US\nsurfaces: {sump: 0 ft}\nruns:\n  a: {from: sump, to: nowhere}\n")

    first, again = page.get("/"), page.get("/", params={"view": "losses"})

    assert 'id="line-5" class="wrong"' in first.text
    assert 'id="line-5" class="wrong"' in again.text
    assert len(asked) == 1


def test_a_script_in_every_name_is_shown_not_run(open_page: Open) -> None:
    text = f"""system: {HARM}
note: {HARM}
units: US
surfaces: {{"{HARM} a": 0 ft, "{HARM} b": 2 ft}}
pumps: {{"{HARM} p": {{curve: [0 gph at 10 ft, 900 gph at 0 ft], ports: 1 in socket}}}}
runs:
  "{HARM} r": {{from: "{HARM} a", to: "{HARM} b", size: 1 in sch 40 PVC, parts: ["pump {HARM} p", pipe 2 ft]}}
drains:
  "{HARM} d": {{from: "{HARM} b", mode: full siphon, size: 1 in sch 40 PVC, drop: 2 ft, parts: [bulkhead, pipe 2 ft]}}
"""
    page = open_page(content=text.encode())
    told = "".join(
        page.get(address).text
        for address in (
            "/",
            "/runs",
            "/choose?at=run-0",
            "/choose?at=part-0-0",
            "/choose?at=point-0",
            "/choose?at=drain-0",
            "/?view=losses",
            "/?view=tanks",
        )
    )

    assert "alert(1)" in told  # it is shown
    assert 'id="drain-0"' in told
    assert "<script>alert" not in told
    assert page.get("/", params={"view": HARM, "mode": HARM, "at": HARM}).text.count("<script>alert") == 0


def test_a_file_that_grows_without_end_is_a_fault_and_no_trouble(open_page: Open) -> None:
    # each name stands for nine of the one before: 9 to the 9th in the end
    bomb = "a0: &a0 [x]\n" + "".join(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]\n" for n in range(1, 10))

    assert "error" in words_of(open_page(content=bomb.encode()).get("/").text)


@pytest.mark.parametrize("content", [b"a", b"\xff\xfe\x00", b"\x00" * 10, b"runs: ["])
def test_whatever_a_file_holds_the_page_says_what_is_wrong_with_it(open_page: Open, content: bytes) -> None:
    page = open_page(content=content)

    assert "error" in words_of(page.get("/").text)
    assert "mend them first" in words_of(page.post("/search", data={"what": "plan"}).text)


def test_what_overflows_today_is_said_above_the_flows(open_page: Open) -> None:
    text = """
system: Narrow drain
units: US
surfaces: {sump: 0, display: 4 ft}
pumps:
  return: {curve: [0 gph at 12 ft, 1200 gph at 0 ft], ports: 3/4 in socket}
runs:
  riser: {from: sump, to: display, size: 3/4 in sch 40 PVC, parts: [pump return, pipe 4 ft, elbow]}
tanks: {display: {length: 24 in, width: 12 in, overflow edge: 6 in, rim above edge: 1 in}}
drains:
  drain: {from: display, mode: open, size: 1/2 in sch 40 PVC, head over lip: 1/4 in, parts: [bulkhead, pipe 3 ft]}
"""
    told = open_page(content=text.encode()).get("/runs")

    assert told.status_code == 200
    assert "Unsafe today: flow into 'display' (limit: main drain): 717 gph, limit 38 gph" in words_of(told.text)


def test_a_sign_that_a_file_says_in_two_halves_is_one_on_the_page(open_page: Open) -> None:
    text = (ROOT / "examples" / "single-return.yaml").read_text(encoding="utf-8")
    halves = re.sub(r"(?m)^system: .*$", r'system: "Reef \\ud83d\\ude00"', text)
    page = open_page(content=halves.encode())

    assert page.get("/", params={"view": "wishes"}).text.count("Reef \U0001f600") >= 2  # in the title and in its field


@pytest.mark.parametrize(("written", "shown"), [(r"\e[31m", r"\x1b[31m"), (r"\ud800", r"\ud800"), (r"\0", r"\x00")])
def test_a_sign_that_belongs_into_no_page_is_written_out(open_page: Open, written: str, shown: str) -> None:
    page = open_page(content=f'system: "A {written}"\nunits: US\n'.encode())

    told = page.get("/")

    assert told.status_code == 200
    assert f'value="A {shown}"' in told.text  # in the field in which it is mended


def test_a_file_that_is_none_to_work_on_is_refused_at_once(tmp_path: Path) -> None:
    large = tmp_path / "large.yaml"
    large.write_bytes(b"a: " + b"x" * 2_000_000)

    for path in (large, tmp_path):
        with pytest.raises(InputError):
            Sitting(path)


PARTED = """
system: A line that parts
units: US
surfaces: {sump: 0, display: 1.4 m}
pumps:
  return: {curve: [[0 gal/h, 3.6 m], [800 gal/h, 2.2 m], [1210 gal/h, 0 m]], ports: 3/4 in socket}
runs:
  riser: {from: sump, to: split, size: 3/4 in sch 40 PVC, parts: [pump return, pipe 6 in]}
"""


def test_the_tee_of_a_closed_stub_is_shown_in_the_line_that_goes_on(open_page: Open) -> None:
    text = (
        PARTED
        + """\
  outlet: {from: split, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft, elbow]}
  spare: {from: split branch, size: 3/4 in sch 40 PVC, parts: [pipe 4 in, plug]}
targets: {riser: at least 300 gal/h}
"""
    )
    page = open_page(content=text.encode())

    told = [words_of(page.get("/choose", params={"at": f"part-0-{index}"}).text) for index in range(5)]
    assert [index for index, words in enumerate(told) if "one leg closed" in words] == [2]


def test_what_is_asked_of_runs_together_has_a_row_of_its_own(open_page: Open) -> None:
    text = (
        PARTED
        + """\
  left: {from: split, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft, elbow]}
  right: {from: split branch, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft, elbow]}
targets: {left + right: at least 5000 gal/h, right: at most 20 % of riser}
"""
    )
    words = words_of(open_page(content=text.encode()).get("/runs").text)

    assert re.search(r"left \+ right [\d,]+ gph at least 5,000 gph ✗ [\d,]+ gph short", " ".join(words.split()))
    assert re.search(r"at most 20 % of riser ✗ \d+ gph too much", " ".join(words.split()))
