"""Pictures in the workbook: PNG with their own letters, one page each, told to screen readers, the same every time."""

import io
import re
import struct
import sys
import zipfile
from functools import cache
from pathlib import Path

import openpyxl
import pytest

from optimizer.documents.drawing.palette import picture_style
from optimizer.documents.drawing.sheets import SMALLEST_PX
from optimizer.documents.picture_sheets import plumbing_pictures
from optimizer.documents.raster import LETTERS, png_of
from optimizer.documents.report_facts import report_facts
from optimizer.documents.sheet_kit import LETTER
from optimizer.documents.workbook import workbook_bytes
from optimizer.errors import DocumentError

sys.path.insert(0, str(Path(__file__).parent / "drawing"))
from example_plans import hand_report

TYPE = "Arial,'Liberation Sans',Helvetica,sans-serif"  # as all pictures name it
PLAIN = '<svg xmlns="http://www.w3.org/2000/svg" width="80" height="20">{}</svg>'


@cache
def content(name: str, paper: str | None = None) -> bytes:
    report = hand_report(name)
    return workbook_bytes(report, facts=report_facts(report, with_gains=False), paper=paper)


def inside(name: str, pattern: str) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(content(name))) as packed:
        return {one: packed.read(one) for one in packed.namelist() if re.fullmatch(pattern, one)}


def pixels(png: bytes) -> tuple[int, int]:
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    return struct.unpack(">II", png[16:24])  # the header of a PNG file comes first: width, height


def test_every_picture_names_its_letters_so() -> None:
    assert f"font-family:{TYPE}}}" in picture_style()


def test_letters_are_drawn_without_the_machines_own() -> None:
    words = PLAIN.format(f'<text x="2" y="14" font-family="{TYPE}" font-size="12">3/4 in → ½ °</text>')
    unknown = words.replace("Arial", "No such type")

    assert png_of(words) != png_of(PLAIN.format(""))
    assert png_of(unknown) == png_of(words)


def test_bold_letters_differ_from_plain_ones() -> None:
    plain = PLAIN.format(f'<text x="2" y="14" font-family="{TYPE}">riser</text>')

    assert png_of(plain.replace("<text", '<text font-weight="bold"')) != png_of(plain)


def test_a_picture_has_the_pixels_that_were_asked_for_and_the_same_bytes_each_time() -> None:
    svg = PLAIN.format('<circle cx="9" cy="9" r="5"/>')

    drawn = png_of.__wrapped__  # type: ignore[attr-defined]  # by itself: a session of tests draws no picture twice

    assert pixels(png_of(svg, 2.0)) == (160, 40)
    assert drawn(svg) == drawn(svg)


def test_what_is_no_picture_is_refused() -> None:
    with pytest.raises(DocumentError, match="could not be drawn"):
        png_of("<svg")


def test_the_licence_of_the_letters_lies_beside_them() -> None:
    assert "SIL OPEN FONT LICENSE Version 1.1" in (LETTERS / "OFL.txt").read_text(encoding="utf-8")


def test_a_picture_prints_on_one_page_of_its_own() -> None:
    sheet = openpyxl.load_workbook(io.BytesIO(content("single-return")))["Plumbing after"]

    assert (sheet.page_setup.fitToWidth or 1, sheet.page_setup.fitToHeight or 1) == (1, 1)
    assert sheet.sheet_properties.pageSetUpPr.fitToPage
    assert "New parts have a thick line and an N." in sheet["A1"].value


@pytest.mark.long
def test_a_large_plumbing_takes_one_page_with_words_that_can_still_be_read() -> None:
    report = hand_report("cellar-sump")
    (picture,) = plumbing_pictures(report_facts(report, with_gains=False), LETTER, 1)
    names = openpyxl.load_workbook(io.BytesIO(content("cellar-sump"))).sheetnames

    assert [name for name in names if name.startswith("Plumbing")] == ["Plumbing after"]
    assert SMALLEST_PX * picture.wide_mm / picture.wide_px / (25.4 / 72) >= 5.0  # points


def test_a_picture_is_sharp_enough_for_print() -> None:
    bars_and_plumbing = sorted(max(pixels(png)) for png in inside("cellar-sump", r"xl/media/.*\.png").values())

    assert bars_and_plumbing[-1] >= 150 * 9  # 150 dots an inch over nine inches
    assert bars_and_plumbing[0] >= 150 * 160 / 96  # and over a bar, 160 pixels wide on a screen of 96 an inch


def test_a_picture_is_told_to_screen_readers() -> None:
    drawings = inside("single-return", r"xl/drawings/drawing\d+\.xml").values()
    told = re.findall(r'descr="([^"]*)"', " ".join(drawing.decode() for drawing in drawings))

    assert any("The plumbing after the work" in words and "carries" in words for words in told)
    assert any("now" in words and "after" in words and "at least" in words for words in told)  # a bar of a flow


def test_the_same_plan_gives_the_same_workbook_with_pictures() -> None:
    report = hand_report("single-return")

    assert workbook_bytes(report, facts=report_facts(report, with_gains=False)) == content("single-return")


def test_without_the_solved_plumbing_there_are_no_pictures() -> None:
    names = openpyxl.load_workbook(io.BytesIO(workbook_bytes(hand_report("single-return")))).sheetnames

    assert "Plumbing after" not in names
