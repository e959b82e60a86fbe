"""Forms of what stands beside the runs: tanks, drains, modes, owned pipe, a second pump, tees, house water."""

from __future__ import annotations

import re

import pytest
from cli.running import ROOT
from web import test_edits
from web.conftest import Open, Page
from web.test_edits import text_of
from web.test_views import words_of

from optimizer.read import drains, machines
from optimizer.web.said import SECTIONS, Typed, plain, typed


def send(page: Page, do: str, address: str = "/edit", **fields: str) -> str:
    """Send a form from the view of the file, which is told in no time."""
    return test_edits.send(page, do, address, view="file", **fields)


@pytest.mark.parametrize(
    ("section", "keys", "also"),
    [
        ("tanks", drains.TANK_KEYS, drains.ALSO_TANK),
        ("drains", drains.DRAIN_KEYS, drains.ALSO_DRAIN),
        ("pumps", machines.PUMP_KEYS, {}),
        ("devices", machines.DEVICE_KEYS, {}),
        ("supplies", machines.SUPPLY_KEYS, {}),
    ],
)
def test_every_key_that_the_reader_takes_has_a_field(section: str, keys: tuple[str, ...], also: dict[str, str]) -> None:
    fields = {also.get(row.key, row.key) for row in SECTIONS[section]}

    assert fields == set(keys)


@pytest.mark.parametrize(
    ("words", "how", "value"),
    [
        ("40 % to 100 %", Typed.LIST, "40 % to 100 %"),
        ("60 %, 80 %", Typed.LIST, ["60 %", "80 %"]),
        ("0 gph at 12 ft, 1,200 gph at 0 ft", Typed.LIST, ["0 gph at 12 ft", "1,200 gph at 0 ft"]),
        ("in: 1 in NPT female; out: 3/4 in NPT male", Typed.PAIRS, {"in": "1 in NPT female", "out": "3/4 in NPT male"}),
        ("3/4 in NPT male", Typed.PAIRS, "3/4 in NPT male"),
        ("24 gaps of 6 mm, 15 mm deep", Typed.TEXT, "24 gaps of 6 mm, 15 mm deep"),
        ("  ", Typed.LIST, None),
    ],
)
def test_typed_words_are_values_and_are_shown_as_they_were_typed(words: str, how: Typed, value: object) -> None:
    assert typed(words, how) == value
    assert plain(value) == words.strip()


@pytest.mark.parametrize(
    ("form", "lines"),
    [
        (
            {"do": "keys", "section": "tanks", "name": "display", "key length": "48 in", "key width": "24 in"},
            ["tanks:", "display:", "length: 48 in", "width: 24 in"],
        ),
        ({"do": "keys", "section": "tanks", "name": "display", "height": "5 ft"}, ["display: 5 ft"]),
        (
            {
                "do": "add drain",
                "name": "main drain",
                "key from": "display",
                "key mode": "full siphon",
                "key size": "1-1/2 in sch 40 PVC",
                "key fall": "4 ft",
                "key parts": "bulkhead, elbow, pipe 4 ft",
            },
            ["drains:", "main drain:", "mode: full siphon", "fall: 4 ft"],
        ),
        ({"do": "add mode", "name": "night", "pump": "return", "value": "60 %"}, ["modes:", "night:", "return: 60 %"]),
        ({"do": "owned", "name": "1 in sch 40 PVC", "value": "4 ft, 30 in"}, ["owned:", "4 ft", "30 in"]),
        ({"do": "second pump", "how": "in series"}, ["second pump: in series"]),
        (
            {"do": "second pump", "how": "side by side", "line": "pipe 12 in, elbow", "another like it": "150 USD"},
            ["second pump:", "how: side by side", "another like it: 150 USD"],
        ),
        ({"do": "set", "section": "water", "name": "salinity", "value": "33 g/kg"}, ["salinity: 33 g/kg"]),
        ({"do": "add", "section": "prices", "name": "EUR", "value": "1.09 USD on 2026-11-01"}, ["EUR: 1.09 USD on"]),
        (
            {"do": "keys", "section": "pumps", "name": "return", "key power": "45 W", "key dial": "floor 30 %"},
            ["power: 45 W", "dial: floor 30 %"],
        ),
        ({"do": "change part", "at": "part-0-0", "condition": "keep"}, ["pump return", "keep: yes"]),
    ],
)
def test_each_form_says_it_in_the_file(open_page: Open, form: dict[str, str], lines: list[str]) -> None:
    page = open_page()

    told = send(page, **form)

    assert "Not done" not in told
    assert [one for one in lines if one not in text_of(page)] == []
    assert page.sitting.sheet.answers is not None


@pytest.mark.long
def test_a_drain_and_a_mode_are_changed_and_taken_out_again(open_page: Open) -> None:
    page = open_page("upper-tank")
    before = text_of(page)

    send(page, "keys", section="drains", name="main drain", **{"key fall": "5 ft"})
    assert "fall: 5 ft" in text_of(page)
    send(page, "mode", name="night", **{"pump main": "70 %", "target left outlet": "at least 100 gph", "pump ring": ""})
    assert "night: {main: 70 %, targets: {left outlet: at least 100 gph," in text_of(page)
    send(page, "rename", section="modes", name="night", value="at night")
    send(page, "remove", section="modes", name="at night")
    send(page, "remove", section="drains", name="refugium emergency")
    assert "night:" not in text_of(page)
    assert "refugium emergency" not in text_of(page)
    for _ in range(5):
        send(page, "undo", "/step")
    assert text_of(page) == before


def test_a_drain_is_chosen_in_the_drawing_and_changed_beside_it(open_page: Open) -> None:
    page = open_page("metric-unions")
    html = page.get("/").text
    name = re.search(r'id="drain-0" .*?aria-label="([^"]+)"', html)
    assert name is not None
    assert name[1].startswith("main drain, drain, full siphon, takes up to ")
    assert "from display to sump: elbow" in name[1]
    assert 'data-choose="drain-1"' in page.get("/runs").text

    panel = page.get("/choose?at=drain-0").text
    assert "main drain From display To sump How it runs full siphon Capacity takes up to" in words_of(panel)
    told = test_edits.send(page, "keys", at="drain-0", section="drains", name="main drain", **{"key mode": "open"})

    assert "mode: open" in text_of(page)
    assert 'id="drain-0"' in told
    assert page.get("/choose?at=drain-9").text.count("Nothing chosen") == 1


def test_two_quick_changes_of_a_drain_are_both_made(open_page: Open) -> None:
    page = open_page("metric-unions")
    page.headers["x-window"] = "mine"
    page.get("/")
    seen = str(page.sitting.revision)
    for key, value in (("fall", "1.7 m"), ("mode", "open")):
        form = {"rev": seen, "at": "drain-0", "do": "keys", "section": "drains", "name": "main drain"}
        assert "changed meanwhile" not in page.post("/edit", data={**form, f"key {key}": value}).text

    assert "mode: open" in text_of(page)
    assert re.search("(drop|fall): 1.7 m", text_of(page))


def test_half_a_size_is_not_taken_and_an_unchanged_form_changes_nothing(open_page: Open) -> None:
    page = open_page()
    before = text_of(page)

    assert "Not done" in send(page, "keys", section="tanks", name="display", **{"key length": "48 in"})
    unchanged = send(page, "keys", section="pumps", name="return", **{"key continued": ""})
    assert "Nothing in the form was changed." in unchanged
    assert "something unknown" in send(page, "keys", section="runs", name="return line")
    assert text_of(page) == before


def test_a_tee_is_kept_and_let_go_again(open_page: Open) -> None:
    page = open_page("cellar-sump")
    before = text_of(page)

    assert "Not done" not in send(page, "tee", name="tee 1", condition="keep")
    assert "tee 1: {keep: yes}" in text_of(page).replace("\n    keep", " {keep").replace("keep: yes\n", "keep: yes}\n")
    send(page, "tee", name="tee 1")
    assert "keep: yes}" in before
    assert page.sitting.sheet.answers is not None


def test_the_view_has_every_tank_drain_and_mode(open_page: Open) -> None:
    told = open_page("upper-tank").get("/?view=tanks").text

    for words in ("display, ", "refugium emergency", "feeding", "gravity line: 1/2 in", "Pipe that you have"):
        assert words in told


def test_a_reading_has_its_pumps_and_valves_and_factors_are_forgotten(open_page: Open) -> None:
    page = open_page()

    send(page, "reading", run="return line", flow="500 gph", valves="return line: half open", **{"pump return": "80 %"})
    assert "valves:" in text_of(page)
    assert page.sitting.sheet.answers.system.measured[0].openings == {"return line": 0.5}

    page.sitting.path.write_bytes((ROOT / "examples" / "measured-return.yaml").read_bytes())
    send(page, "read", "/step")
    send(page, "calibrate")
    assert "calibration:" in text_of(page)
    send(page, "forget factors")
    assert "calibration:" not in text_of(page)


def test_an_empty_file_may_begin_with_the_example_that_explains_itself(open_page: Open) -> None:
    page = open_page(missing=True)

    assert 'name="example"' in page.get("/").text
    send(page, "begin", example="1")

    assert text_of(page).startswith("# A starter file")
    assert page.sitting.sheet.answers is not None
