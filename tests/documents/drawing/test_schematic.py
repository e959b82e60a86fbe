"""The schematic: nothing overlaps or is cut, heights are true, marks need no colour, same input gives same bytes."""

import itertools
import re
import xml.etree.ElementTree as ET

import pytest
from example_plans import NAMES, example, hand_report
from plumbings import manifold, odd_plumbings, outlet, shown, surface, tee

from optimizer.documents.drawing.arrangement import arrange
from optimizer.documents.drawing.labels import Shown
from optimizer.documents.drawing.palette import roles
from optimizer.documents.drawing.schematic import HOP, arranged, crossings_of, schematic, schematic_canvas
from optimizer.documents.drawing.svg import Canvas
from optimizer.documents.report_facts import report_facts, shown_after, shown_now, solved
from optimizer.model.catalog import Kind
from optimizer.model.network import Point, PointKind


def example_shown(name: str) -> Shown:
    system, _ = example(name)
    return shown_now(system, solved(system.network, with_gains=False))


ALL = {
    **{f"example {name}": example_shown(name) for name in NAMES},
    **odd_plumbings(),
    **{f"manifold {size}, {seed}": manifold(size, seed) for size, seed in ((3, 1), (5, 2), (8, 3), (10, 4))},
}
every_plumbing = pytest.mark.parametrize("name", ALL)


@every_plumbing
def test_no_text_meets_another_text_or_a_symbol(name: str) -> None:
    canvas = schematic_canvas(ALL[name])

    met = [(a.words, b.words) for a, b in itertools.combinations(canvas.texts, 2) if a.overlaps(b)]
    met += [(a.words, b.words) for a in canvas.texts for b in canvas.symbols if a.overlaps(b)]
    assert met == []


@every_plumbing
def test_no_symbol_meets_another(name: str) -> None:
    canvas = schematic_canvas(ALL[name])

    met = [(a.words, b.words) for a, b in itertools.combinations(canvas.symbols, 2) if a.overlaps(b)]
    assert met == []


@every_plumbing
def test_no_pipe_runs_through_a_name_beside_a_tee_or_in_a_water(name: str) -> None:
    plumbing = ALL[name]
    canvas, plan = schematic_canvas(plumbing), arranged(plumbing)
    names = [box for box in canvas.texts if box.words.partition(",")[0] in plumbing.network.points]
    pipes = [(lane.x, lane.top, lane.bottom) for lane in plan.lanes.values()]

    through = [
        box.words
        for box in names
        for x, top, bottom in pipes
        if box.left + 1 < x < box.right - 1 and box.top + 1 < bottom and top < box.bottom - 1
    ]
    assert through == []


@every_plumbing
def test_nothing_is_cut_at_the_edges(name: str) -> None:
    canvas = schematic_canvas(ALL[name])

    cut = [
        box.words
        for box in (*canvas.texts, *canvas.symbols)
        if box.left < 0 or box.top < 0 or box.right > canvas.width or box.bottom > canvas.height
    ]
    assert cut == []


@every_plumbing
def test_every_run_and_part_is_told(name: str) -> None:
    plumbing = ALL[name]
    canvas = schematic_canvas(plumbing)
    symbols = [box.words for box in canvas.symbols]

    parts = [part for run in plumbing.network.runs.values() for part in run.parts]
    for kind in {part.kind for part in parts} - {Kind.PIPE, Kind.HOSE, Kind.TUBE}:
        wanted = sum(part.kind is kind for part in parts)
        assert symbols.count(kind.value) >= wanted
    written = " ".join(box.words for box in canvas.texts)
    assert all(word in written for run in plumbing.network.runs for word in run.split())


def test_the_same_plumbing_gives_the_same_bytes() -> None:
    first, second = (schematic(example_shown("cellar-sump"), title="one", alone=True) for _ in range(2))

    assert first == second


def test_water_levels_and_outlets_stand_to_scale() -> None:
    points = [surface("sump", 0.0), surface("display", 1.5), outlet("spray", 2.25), tee("wall")]
    runs = [("sump", "wall", 6), ("wall", "display", 4), ("wall", "spray", 5)]

    y = arrange(shown(points, runs), 50, 30).y

    assert (y["sump"] - y["spray"]) / (y["sump"] - y["display"]) == pytest.approx(1.5)
    assert y["spray"] < y["display"] < y["wall"] < y["sump"]


def test_a_tee_on_the_way_up_stands_between_its_neighbours() -> None:
    system, _ = example("cellar-sump")
    y = arrange(example_shown("cellar-sump"), 50, 30).y

    levels = [y["sump"], *(y[f"tee {number}"] for number in range(1, 7)), y["display"]]
    assert levels == sorted(levels, reverse=True)
    assert set(system.network.points) == set(y)


def test_a_run_straight_through_a_tee_stays_in_its_lane() -> None:
    lanes = arrange(example_shown("cellar-sump"), 50, 30).lanes

    assert len({lanes[run].x for run in ("riser", "manifold 1-2", "manifold 4-5", "display return")}) == 1
    assert lanes["uv line"].x != lanes["riser"].x


def test_a_run_between_equal_heights_takes_a_detour() -> None:
    lanes = arrange(odd_plumbings()["there and back"], 50, 30).lanes

    assert all(lane.turn_y is not None for lane in lanes.values())


def test_the_name_of_house_water_stands_clear_of_the_detour_that_begins_there() -> None:
    points = [surface("sump", 0.0), surface("bin", 0.9), Point("house water", PointKind.SUPPLY, 35.0, 0.9)]
    told = shown([*points, surface("display", 1.5)], [("sump", "display", 9), ("house water", "bin", 6)])
    canvas, lane = schematic_canvas(told), arranged(told).lanes["run 2"]

    (name,) = [box for box in canvas.texts if box.words.startswith("house water,")]
    assert lane.turn_y is not None
    assert 0.0 < name.left < name.right < lane.x_at(start=True) < lane.x
    assert not any(box.overlaps(name) for box in canvas.texts if box is not name)


def test_a_detour_is_crossed_clear_of_its_parts_by_the_bar_that_it_begins_at() -> None:
    points = [surface("sump", 0.0), surface("display", 1.0), tee("wye")]
    told = shown(points, [("sump", "wye", 14), ("wye", "display", 9), ("wye", "display", 9)])
    plan, canvas = arranged(told), schematic_canvas(told)

    for x, y in crossings_of(told.drawn, plan):
        assert not [box for box in canvas.symbols if abs(box.left + box.right - 2 * x) < 1 and box.top < y < box.bottom]


def test_a_line_hops_over_every_other_that_it_crosses() -> None:
    # Three tees that each lead to three others: no drawing in a plane does without a crossing (Kuratowski).
    names = ("s", "a", "x", "y", "z", "b", "c")
    points = [surface("sump", 0.0), surface("display", 1.5), *map(tee, names)]
    ways = ("sump s", "s a", "s y", "a x", "a z", "b x", "b y", "z b", "x c", "y c", "z e", "c e", "e display")
    told = shown([*points, tee("e")], [(*way.split(), 1) for way in ways])  # type: ignore[misc]
    plan = arrange(told, 58.0, 26.0)
    crossed = list(crossings_of(told.network, plan))

    assert crossed
    svg = schematic(told, title="t")
    hops = re.findall(r'<polyline class="pipe" points="([^"]*)"', svg)
    tops = {(round(x, 1), round(y, 1)) for line in hops for x, y in [_top_of(line)] if line.count(",") == 9}
    assert {(round(x, 1), round(y - HOP, 1)) for x, y in crossed} <= tops


def _top_of(line: str) -> tuple[float, float]:
    pairs = [tuple(map(float, pair.split(","))) for pair in line.split()]
    x, y = min(pairs, key=lambda pair: pair[1])
    return x, y


def test_a_length_is_not_read_as_a_size() -> None:
    words = [box.words for box in schematic_canvas(example_shown("single-return")).texts]

    pipes = [one for one in words if "pipe" in one]
    assert pipes
    assert all(re.search(r"pipe, .* long$", one) for one in pipes)


def test_new_parts_have_the_letter_n_and_a_thick_line() -> None:
    facts = report_facts(hand_report("single-return"))
    new = sum(not part.existing for run in facts.after.network.runs.values() for part in run.parts)

    svg = schematic(shown_after(facts), title="after")

    assert new > 0
    assert svg.count(">N</text>") == new + 1  # the legend has one more
    assert svg.count('class="new-pipe"') >= new


def test_parts_that_come_out_have_the_letter_x_and_a_broken_line() -> None:
    report = hand_report("single-return")
    gone = sum(len(run.removed) for run in report.plan.runs.values())

    svg = schematic(shown_now(report.system, solved(report.system.network), report), title="now")

    assert svg.count(">X</text>") == gone + 1
    assert re.search(r"old-pipe\{[^}]*stroke-dasharray", schematic(ALL["loop"], title="t", alone=True))


def test_a_picture_is_sound_xml_with_title_and_description() -> None:
    svg = schematic(ALL["loop"], title="A <loop> & more", key="loop", alone=True)

    root = ET.fromstring(svg)
    space = "{http://www.w3.org/2000/svg}"
    assert root.find(f"{space}title").text == "A <loop> & more"  # type: ignore[union-attr]
    assert "run 1 from sump to a" in root.find(f"{space}desc").text  # type: ignore[union-attr,operator]
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == "loop-title loop-text"


def test_every_class_has_its_look() -> None:
    svg = schematic(ALL["manifold 10, 4"], title="t") + schematic(example_shown("cellar-sump"), title="t")
    used = {word for names in re.findall(r'class="([^"]*)"', svg) for word in names.split()}

    assert used <= {*roles(), "pic", "bold", "halo"}


def test_a_picture_asks_for_nothing_from_outside() -> None:
    svg = schematic(ALL["loop"], title="t", alone=True)

    assert re.findall(r"https?://[^\"' ]+", svg) == ["http://www.w3.org/2000/svg"]  # the name of the language
    assert not re.search(r"<(image|script|foreignObject|use)\b|url\(|@import", svg)


def test_text_is_escaped_and_kept_on_one_line() -> None:
    canvas = Canvas(100, 20)
    canvas.text(0, 10, "a<b>\n&\x1b[0m")

    assert "a&lt;b&gt; &amp;\\x1b[0m" in canvas.svg("t", "d", "k")  # a control character is shown, not obeyed


def test_the_same_runs_keep_their_columns_and_other_ones_are_ordered_anew() -> None:
    told = example_shown("cellar-sump")
    first = arranged(told)

    again = arranged(told, first.order)
    other = arranged(example_shown("single-return"), first.order)

    assert again == first
    assert other == arranged(example_shown("single-return"))
