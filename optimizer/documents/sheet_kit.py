"""What every sheet of the workbook is drawn with: cell formats, safe cells, row heights, paper and print set-up.

Text always goes in as a string: a name that begins with =, +, -, @, a tab or a line break can never become a formula.
"""

from __future__ import annotations

import datetime
import io
import math
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from optimizer.documents.page_breaks import heading_pads, page_rows_points, page_starts
from optimizer.documents.raster import png_of
from optimizer.documents.type_width import columns_points, text_height_points
from optimizer.documents.words import money_number_format
from optimizer.errors import DocumentError
from optimizer.model.doubt import Doubt
from optimizer.units import flow_value, show_flow

LETTER, A4 = 1, 9  # paper numbers of the file format
PAPER_IN = {LETTER: (8.5, 11.0), A4: (8.27, 11.69)}  # upright
PICTURE_ZOOM = 2.0  # pixels of a picture for each one of the screen: sharp in print
SMALL_FLOW = 9.95  # in the owner's unit: flows below have a decimal
_GAP_POINTS = 11.25  # of an empty row
_ROUNDS = 8  # what is left free makes the print a little smaller, and so moves where pages end
_HIGHEST_POINTS = 400.0
_LONGEST_TEXT = 32_000  # a cell holds 32,767 signs
_LONGEST_IN_MARGIN = 60  # print headers hold 255 signs with their codes
# Column widths count the digits of this type, so that they mean the same in every viewer.
TYPE = {"font_name": "Arial", "font_size": 10}
_FRAME = {"border": 1, "border_color": "#9AA5B1"}


@dataclass(frozen=True, slots=True)
class Margins:
    """What stays free on every side [in], and how far from the edge head and foot begin."""

    side: float
    top: float
    foot: float
    head_at: float
    foot_at: float


PLAIN_MARGINS = Margins(0.5, 0.8, 0.75, 0.35, 0.35)  # they suit letter and A4
TIGHT_MARGINS = Margins(0.3, 0.5, 0.42, 0.28, 0.22)  # for a picture that fills the sheet

_STYLES: dict[str, dict[str, Any]] = {
    "title": {"bold": True, "font_size": 15, "text_wrap": True},
    "heading": {"bold": True, "font_size": 12, "font_color": "#1F4E79"},
    "answer": {"bold": True, "font_size": 12, "text_wrap": True},
    "plain": {"text_wrap": True},
    "small": {"font_size": 8, "text_wrap": True, "font_color": "#545D68"},
    "fine print": {"font_size": 8, "text_wrap": True},
    "small text": {"font_size": 8, "text_wrap": True, **_FRAME},
    "strong": {"bold": True, "text_wrap": True},
    "column title": {"bold": True, "text_wrap": True, "bg_color": "#DCE6F1", "valign": "vcenter", **_FRAME},
    "text": {"text_wrap": True, **_FRAME},
    "number title": {
        "bold": True,
        "text_wrap": True,
        "bg_color": "#DCE6F1",
        "valign": "vcenter",
        "align": "right",
        "indent": 1,
        **_FRAME,
    },
    "center title": {
        "bold": True,
        "text_wrap": True,
        "bg_color": "#DCE6F1",
        "valign": "vcenter",
        "align": "center",
        **_FRAME,
    },
    "center": {"text_wrap": True, "align": "center", **_FRAME},
    "bold center": {"bold": True, "text_wrap": True, "align": "center", **_FRAME},
    "text right": {"text_wrap": True, "align": "right", "indent": 1, **_FRAME},
    "bold text": {"bold": True, "text_wrap": True, **_FRAME},
    "to fill in": {"text_wrap": True, "bg_color": "#FFF9E5", **_FRAME},
    "alarm": {"text_wrap": True, "bg_color": "#FCE8E6", **_FRAME},
    "miss": {"bold": True, "font_color": "#9C0006", "bg_color": "#FFC7CE", "align": "center", **_FRAME},
    "bold whole": {"num_format": "#,##0_)", "bold": True, **_FRAME},
    "whole": {"num_format": "#,##0_)", **_FRAME},
    # A flow against the way in which its run is written down keeps its minus in the file and shows it in words.
    "flow": {"num_format": '#,##0_);#,##0" backwards"', **_FRAME},
    "change": {"num_format": "+#,##0_);-#,##0_);0_)", **_FRAME},
    "small flow": {"num_format": '0.0_);0.0" backwards";0_)', **_FRAME},
    "small change": {"num_format": "+0.0_);-0.0_);0_)", **_FRAME},
    "no change": {"num_format": "0_);0_);0_)", **_FRAME},
    "decimal": {"num_format": "#,##0.0_)", **_FRAME},
    "fine": {"num_format": "#,##0.000_)", **_FRAME},
    "percent": {"num_format": "0 %_)", **_FRAME},
    "date": {"num_format": "yyyy-mm-dd", "align": "left", **_FRAME},
}
_MONEY_STYLES: dict[str, dict[str, Any]] = {
    "money": _FRAME,
    "money to fill in": {"bg_color": "#FFF9E5", **_FRAME},
    "bold money": {"bold": True, "top": 2, **_FRAME},
    "total": {"bold": True, "font_size": 12, "align": "left", **_FRAME},
}


_TITLE_STYLES = {"Unit": "center title", "Result": "center title"}  # above words in the middle


def unbroken(text: str) -> str:
    """Return a text for a cell in which sizes such as 1-1/2 in. and joints such as –A→ are not broken over lines."""
    sizes = re.sub(r"(?<=\d)-(?=\d+/)", "\N{NON-BREAKING HYPHEN}", text)
    return re.sub(r"–(?=[A-Z]+→)", "–\N{WORD JOINER}", sizes)


@dataclass
class Book:
    """A workbook being written: its formats by name, how things are shown, and the paper it will be printed on."""

    workbook: Any
    units: str
    currency: str
    paper: int
    system_name: str
    formats: dict[str, Any] = field(default_factory=dict)
    sheets: list[Sheet] = field(default_factory=list)

    def __post_init__(self) -> None:
        price = f"{money_number_format(self.currency)}_)"
        styles = {**_STYLES, **{name: {"num_format": price, **style} for name, style in _MONEY_STYLES.items()}}
        self.formats = {
            name: self.workbook.add_format({**TYPE, "valign": "top", **style}) for name, style in styles.items()
        }

    def sheet(
        self, name: str, widths: Sequence[float], *, landscape: bool, margins: Margins = PLAIN_MARGINS, pages: int = 0
    ) -> Sheet:
        """Return a new sheet with these column widths (in digits), set up to be printed one page wide.

        With `pages` it prints on no more than so many pages, smaller where it must; 0: as many as it takes.
        """
        worksheet = self.workbook.add_worksheet(name)
        for column, width in enumerate(widths):
            worksheet.set_column(column, column, width)
        _print_setup(worksheet, self, name, margins, landscape=landscape)
        self.sheets.append(Sheet(self, worksheet, tuple(widths), landscape, margins, pages=pages))
        return self.sheets[-1]

    def finish(self) -> None:
        """Set what of each sheet is printed, and where its pages break; called when all sheets are written."""
        for sheet in self.sheets:
            sheet.set_print()


@dataclass(frozen=True, slots=True)
class Formula:
    """A formula with the value that a viewer shows which does not calculate."""

    text: str
    value: float | str


@dataclass(frozen=True, slots=True)
class Place:
    """Where a picture begins: row and column from 0, how far into that cell, and how wide it shows [screen pixels]."""

    row: int
    column: int
    wide_px: float
    right_px: float = 3.0
    down_px: float = 3.0


@dataclass(frozen=True, slots=True)
class Cell:
    """What stands in a cell, or in several merged ones, and in which style."""

    value: str | float | datetime.date | Formula | None
    style: str = "text"
    span: int = 1


@dataclass
class Sheet:
    """A worksheet that is written from the top down; `row` is the next free row, counted from 0."""

    book: Book
    worksheet: Any
    widths: tuple[float, ...]
    landscape: bool = False
    margins: Margins = PLAIN_MARGINS
    row: int = 0
    heights: list[float] = field(default_factory=list)
    headings: set[int] = field(default_factory=set)
    pages: int = 0
    pads: Mapping[int, float] = field(default_factory=dict)  # before which heading, counted from 0, so much stays free

    @property
    def height_points(self) -> float:
        """Return how high the rows are that were written so far [points]."""
        return sum(self.heights)

    @property
    def scale(self) -> float:
        """Return what its print is scaled down to, so that it fits its paper: 1 where it need not be."""
        wide, high = self._room_points()
        across = min(1.0, wide / columns_points(self.widths))
        return min(across, self.pages * high / max(self.height_points, 1.0)) if self.pages else across

    def whole_headings(self) -> dict[int, float]:
        """Return the `pads` with which no heading of this sheet, written without any, ends a printed page."""
        across, high = self.scale, self._room_points()[1]
        pads: dict[int, float] = {}
        for _ in range(_ROUNDS):
            total = self.height_points + sum(pads.values())
            scale = min(across, self.pages * high / max(total, 1.0)) if self.pages else across
            pads = heading_pads(self.heights, self.headings, high / scale, self.pages, pads)
        return pads

    def skip(self, points: float = _GAP_POINTS) -> None:
        """Leave a space of this height; a high one takes several rows, for one is 409 points high at the most."""
        while points > 0.0:
            self.heights.append(min(points, _HIGHEST_POINTS))
            self.worksheet.set_row(self.row, self.heights[-1])
            self.row += 1
            points -= _HIGHEST_POINTS

    def write(self, cells: Sequence[Cell], least_points: float = 0.0) -> int:
        """Write cells from the left into the next row, high enough for all of them, and return that row."""
        column = 0
        for cell in cells:
            self._put(column, cell)
            column += cell.span
        self.heights.append(max(least_points, self._height_points(cells)))
        self.worksheet.set_row(self.row, self.heights[-1])
        self.row += 1
        return self.row - 1

    def picture(self, svg: str, wide_px: float, place: Place, told: str = "") -> None:
        """Put a picture over the cells, `place.wide_px` wide on a screen; `wide_px` is its own width.

        `told` is what a screen reader says of it; without it the picture only repeats what stands beside it.
        """
        png = png_of(svg, PICTURE_ZOOM * place.wide_px / wide_px)
        options: dict[str, Any] = {
            "image_data": io.BytesIO(png),
            "x_scale": 1.0 / PICTURE_ZOOM,
            "y_scale": 1.0 / PICTURE_ZOOM,
            "x_offset": place.right_px,
            "y_offset": place.down_px,
            "object_position": 1,
        }
        options |= {"description": told} if told else {"decorative": True}
        self.worksheet.insert_image(place.row, place.column, "picture.png", options)

    def heading(self, text: str) -> None:
        """Write a heading after an empty row."""
        self.skip(_GAP_POINTS + self.pads.get(len(self.headings), 0.0))
        self.headings.add(self.row)
        self.paragraph(text, "heading")

    def set_print(self) -> None:
        """Set what is printed and on how many pages; begin one before a heading that would end the one before."""
        self.worksheet.print_area(0, 0, max(self.row - 1, 0), len(self.widths) - 1)
        if self.pages:
            self.worksheet.fit_to_pages(1, self.pages)
            return
        paper, free_in = self._paper_in()
        room = page_rows_points(paper, free_in, columns_points(self.widths))
        breaks = page_starts(self.heights, self.headings, room)
        if breaks:
            self.worksheet.set_h_pagebreaks(breaks)

    def _paper_in(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return width and height of the paper as it is turned, and what its margins take of both [in]."""
        wide, high = PAPER_IN[self.book.paper]
        free_in = 2 * self.margins.side, self.margins.top + self.margins.foot
        return ((high, wide) if self.landscape else (wide, high)), free_in

    def _room_points(self) -> tuple[float, float]:
        (wide, high), (across, down) = self._paper_in()
        return 72.0 * (wide - across), 72.0 * (high - down)

    def paragraph(self, text: str, style: str = "plain") -> None:
        """Write text across the whole width."""
        self.write([Cell(text, style, span=len(self.widths))])

    def column_titles(self, titles: Sequence[str], spans: Sequence[int] = (), numbers: Collection[str] = ()) -> int:
        """Write column titles; those named in `numbers` stand to the right, above their numbers."""
        wide = spans or (1,) * len(titles)
        styles = ("number title" if title in numbers else _TITLE_STYLES.get(title, "column title") for title in titles)
        return self.write([Cell(*title) for title in zip(titles, styles, wide, strict=True)])

    def _put(self, column: int, cell: Cell) -> None:
        style = self.book.formats[cell.style]
        if cell.span > 1:
            self.worksheet.merge_range(self.row, column, self.row, column + cell.span - 1, "", style)
        if _put_value(self.worksheet, self.row, column, cell.value, style):
            raise DocumentError(f"{self.worksheet.get_name()}: row {self.row + 1} does not fit on a sheet")

    def _height_points(self, cells: Sequence[Cell]) -> float:
        """Return a height that shows every cell whole: viewers differ in whether they fit rows by themselves."""
        highest, column = 0.0, 0
        for cell in cells:
            if isinstance(cell.value, str):
                style = _STYLES.get(cell.style, {})
                highest = max(
                    highest, text_height_points(cell.value, sum(self.widths[column : column + cell.span]), style)
                )
            column += cell.span
        return max(highest, text_height_points("0", 10.0, {}))


def number(value: float | None, style: str = "whole") -> Cell:
    """Return a number cell, or a dash for what is not known or not finite."""
    if value is None or not math.isfinite(value):
        return Cell("–", "text right")
    return Cell(float(value), style)


def flow_number(shown: float) -> Cell:
    """Return a flow in the owner's unit as a number cell, with a decimal where text shows one: below 10."""
    return number(shown, "small flow" if abs(shown) < SMALL_FLOW else "flow")


def doubtful(flow_m3_s: float, doubt: Doubt, run: str, units: str) -> Cell:
    """Return a flow as a number, or in words where the end of a pump's curve leaves it open."""
    if doubt.known(run):
        return flow_number(flow_value(flow_m3_s, units))
    return Cell(doubt.words(run, show_flow(flow_m3_s, units)), "text right")


def _put_value(worksheet: Any, row: int, column: int, value: Any, style: Any) -> int:
    """Write one value by its type and return 0, or what went wrong."""
    if value is None:
        return int(worksheet.write_blank(row, column, None, style))
    if isinstance(value, Formula):
        return int(worksheet.write_formula(row, column, value.text, style, value.value))
    if isinstance(value, str):
        text = value if len(value) <= _LONGEST_TEXT else f"{value[:_LONGEST_TEXT]}…"
        return int(worksheet.write_string(row, column, text, style))
    if isinstance(value, datetime.date):
        return int(worksheet.write_datetime(row, column, value, style))
    return int(worksheet.write_number(row, column, value, style))


def _print_setup(worksheet: Any, book: Book, name: str, margins: Margins, *, landscape: bool) -> None:
    """Set the margins, one page wide, with the system's name and page numbers at the foot."""
    worksheet.set_paper(book.paper)
    if landscape:
        worksheet.set_landscape()
    else:
        worksheet.set_portrait()
    worksheet.fit_to_pages(1, 0)
    worksheet.set_margins(left=margins.side, right=margins.side, top=margins.top, bottom=margins.foot)
    worksheet.center_horizontally()
    head = f'&L&"Arial,Bold"{name}&R&"Arial,Regular"{_in_margin(book.system_name)}'
    foot = '&L&"Arial,Regular"Prices and flows are estimates&R&"Arial,Regular"Page &P of &N'
    worksheet.set_header(head, {"margin": margins.head_at})
    worksheet.set_footer(foot, {"margin": margins.foot_at})


def _in_margin(text: str) -> str:
    """Return text that can stand in a print header, where & begins a code."""
    plain = re.sub(r"\s*&\s*", " and ", " ".join(text.split()))
    return plain if len(plain) <= _LONGEST_IN_MARGIN else f"{plain[:_LONGEST_IN_MARGIN]}…"
