"""Schematics on paper: words of 8 points or more, nothing cut but pipes, and those named on both sides."""

import itertools
import xml.etree.ElementTree as ET
from collections.abc import Iterator

import pytest
from example_plans import hand_report
from test_schematic import ALL

from optimizer.documents.drawing.schematic import schematic_canvas
from optimizer.documents.drawing.sheets import LEAST_POINTS, Sheets, Tile, on_paper, sheets_for, tile_canvas
from optimizer.documents.drawing.svg import Box
from optimizer.documents.picture_sheets import room_on
from optimizer.documents.report_facts import report_facts, shown_after
from optimizer.documents.sheet_kit import A4, LETTER

LARGE = ("example cellar-sump", "long runs", "manifold 5, 2", "manifold 10, 4")
on_both_papers = pytest.mark.parametrize("paper", [LETTER, A4])


def sheets(name: str, paper: int) -> Sheets:
    return sheets_for(schematic_canvas(ALL[name]), ALL[name], room_on(paper))


def pieces(tile: Tile) -> Iterator[tuple[float, float, float, float]]:
    """Yield left, top, right, bottom of each column's piece that a sheet shows."""
    for column, top, bottom in zip(tile.columns, tile.tops, tile.bottoms, strict=True):
        yield column.left, top, column.right, bottom


@on_both_papers
@pytest.mark.parametrize("name", ALL)
def test_words_are_no_smaller_than_8_points(name: str, paper: int) -> None:
    found = sheets(name, paper)
    sides = room_on(paper).turned_mm if found.turned else room_on(paper).upright_mm

    assert found.text_points >= LEAST_POINTS - 0.01
    for tile in found.tiles:
        assert tile.width * found.mm_per_px <= sides[0] + 0.01
        assert tile.height * found.mm_per_px <= sides[1] + 0.01


def test_the_examples_take_at_most_two_sheets() -> None:
    examples = {name: shown for name, shown in ALL.items() if name.startswith("example")}
    counts = {name: len(on_paper(shown, room_on(LETTER))[2].tiles) for name, shown in examples.items()}

    assert counts.pop("example cellar-sump") == 2  # 65 parts
    assert set(counts.values()) == {1}


@on_both_papers
@pytest.mark.parametrize("name", LARGE)
def test_every_word_and_symbol_stands_whole_on_one_sheet(name: str, paper: int) -> None:
    canvas = schematic_canvas(ALL[name])
    shown = [piece for tile in sheets(name, paper).tiles for piece in pieces(tile)]

    def whole_in(box: Box, top: float, bottom: float) -> bool:
        return top <= box.top and box.bottom <= bottom

    above_legend = [box for box in (*canvas.texts, *canvas.symbols) if box.bottom <= canvas.end_y]
    assert len(above_legend) > 60
    for box in above_legend:
        touched = [(top, bottom) for left, top, right, bottom in shown if box.left < right and box.right > left]
        assert any(whole_in(box, *piece) for piece in touched), box.words
        assert all(whole_in(box, *one) or box.bottom <= one[0] or box.top >= one[1] for one in touched), box.words


@on_both_papers
@pytest.mark.parametrize("name", LARGE)
def test_the_sheets_together_show_all_of_the_picture(name: str, paper: int) -> None:
    canvas = schematic_canvas(ALL[name])
    shown = [piece for tile in sheets(name, paper).tiles for piece in pieces(tile)]

    for column in canvas.columns:
        mine = sorted((top, bottom) for left, top, _, bottom in shown if left == column.left)
        assert mine[0][0] == 0.0
        assert mine[-1][1] == canvas.end_y
        assert all(one[1] == following[0] for one, following in itertools.pairwise(mine))


@pytest.mark.parametrize("name", LARGE[:3])
def test_a_pipe_that_is_cut_has_its_name_on_both_sides(name: str) -> None:
    canvas, found = schematic_canvas(ALL[name]), sheets(name, A4)
    told = [
        (tile, {box.words.rstrip("…") for box in tile_canvas(canvas, ALL[name], tile).texts}) for tile in found.tiles
    ]

    cuts = 0
    for tile, names in told:
        for ends, is_cut in ((tile.tops, not tile.is_first), (tile.bottoms, not tile.is_last)):
            for column, y in zip(tile.columns, ends, strict=True):
                for pipe in canvas.uprights:
                    if is_cut and column.left <= pipe.x < column.right and pipe.top < y < pipe.bottom:
                        cuts += 1
                        assert any(name and pipe.words.startswith(name) for name in names), pipe.words
    assert cuts >= 2


def test_a_sheet_is_sound_and_its_names_and_legend_are_not_cut() -> None:
    shown = shown_after(report_facts(hand_report("cellar-sump"), with_gains=False))
    canvas = schematic_canvas(shown)

    for tile in sheets_for(canvas, shown, room_on(A4)).tiles:
        drawn = tile_canvas(canvas, shown, tile)
        ET.fromstring(drawn.svg("t", "d", "k", alone=True))
        for box in drawn.texts:
            assert 0 <= box.left < box.right <= drawn.width, box.words
            assert 0 <= box.top < box.bottom <= drawn.height, box.words
        assert ("new" in {box.words for box in drawn.texts}) == (tile.legend > 0)
