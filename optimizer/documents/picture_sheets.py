"""Pictures as sheets of the workbook: one sheet of paper each, upright or turned, as large as it prints."""

from __future__ import annotations

import io
from dataclasses import dataclass

from optimizer.documents.drawing.schematic import describe
from optimizer.documents.drawing.sheets import Room, on_paper, tile_canvas
from optimizer.documents.pictures import after_words
from optimizer.documents.raster import png_of
from optimizer.documents.report_facts import ReportFacts, shown_after
from optimizer.documents.sheet_kit import PAPER_IN, TIGHT_MARGINS, Book, Cell

PLUMBING_SHEET = "Plumbing after"
_MM_PER_IN = 25.4
_CAPTION_MM = 8.0  # the row of words above a picture
_DPI = 170.0
_SCREEN_DPI = 96.0  # what a spreadsheet takes for a picture's pixels
_COLUMNS = 40
_LONGEST_ALT = 1200  # signs; screen readers read it in one breath


@dataclass(frozen=True, slots=True)
class PrintPicture:
    """A picture with how large it prints, and what is said of it."""

    svg: str
    wide_mm: float
    wide_px: float
    high_px: float
    turned: bool
    caption: str
    told: str  # for screen readers


def room_on(paper: int) -> Room:
    """Return the room for a picture on a sheet of this paper, under a line of words."""
    (wide, high), margins = PAPER_IN[paper], TIGHT_MARGINS

    def sides_mm(wide_in: float, high_in: float) -> tuple[float, float]:
        return (
            (wide_in - 2 * margins.side) * _MM_PER_IN,
            (high_in - margins.top - margins.foot) * _MM_PER_IN - _CAPTION_MM,
        )

    return Room(sides_mm(wide, high), sides_mm(high, wide))


def plumbing_pictures(facts: ReportFacts, paper: int, most: int | None = None) -> list[PrintPicture]:
    """Return the schematic after the work, on as many sheets as it takes, or on no more than `most`."""
    shown, canvas, sheets = on_paper(shown_after(facts), room_on(paper), most)
    found = []
    for number, tile in enumerate(sheets.tiles, 1):
        drawn = tile_canvas(canvas, shown, tile)
        which = f" Sheet {number} of {len(sheets.tiles)}." if len(sheets.tiles) > 1 else ""
        caption = f"{after_words(shown, facts)}{which}"
        svg = drawn.svg(caption, describe(shown), f"plumbing-{number}", alone=True)
        wide_mm = drawn.width * sheets.mm_per_px
        found.append(
            PrintPicture(
                svg, wide_mm, drawn.width, drawn.height, sheets.turned, caption, f"{caption} {describe(shown)}"
            )
        )
    return found


def picture_sheets(book: Book, name: str, pictures: list[PrintPicture]) -> None:
    """Write each picture on a sheet of its own that prints on one page."""
    for number, picture in enumerate(pictures, 1):
        numbered = f"{name} {number}" if len(pictures) > 1 else name
        _picture_sheet(book, numbered, picture)


def _picture_sheet(book: Book, name: str, picture: PrintPicture) -> None:
    shown_px = picture.wide_mm / _MM_PER_IN * _SCREEN_DPI
    room = room_on(book.paper)
    room_px = (room.turned_mm if picture.turned else room.upright_mm)[0] / _MM_PER_IN * _SCREEN_DPI
    # Viewers differ by some percent in how wide a column is. Under many narrow ones each prints as far as the picture.
    widths = ((room_px / _COLUMNS - 5.0) / 7.0,) * _COLUMNS
    sheet = book.sheet(name, widths, landscape=picture.turned, margins=TIGHT_MARGINS)
    sheet.write([Cell(picture.caption, "plain", span=_COLUMNS * 9 // 10)])
    pixels_per_px = round(picture.wide_mm / _MM_PER_IN * _DPI / picture.wide_px, 2)
    png = png_of(picture.svg, pixels_per_px)
    scale = shown_px / (picture.wide_px * pixels_per_px)
    told = picture.told if len(picture.told) <= _LONGEST_ALT else f"{picture.told[:_LONGEST_ALT]}…"
    sheet.worksheet.insert_image(
        sheet.row,
        0,
        f"{name}.png",
        {
            "image_data": io.BytesIO(png),
            "x_scale": scale,
            "y_scale": scale,
            "x_offset": (room_px - shown_px) / 2,
            "description": told,
        },
    )
    sheet.skip(picture.wide_mm / picture.wide_px * picture.high_px / _MM_PER_IN * 72.0)
    sheet.pages = 1
    sheet.worksheet.hide_gridlines(2)
