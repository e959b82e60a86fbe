"""The sheets for the workbench: what to cut from which stick, and the ways over at every threaded port."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from optimizer.documents.adapters_text import PORTS_SHOWN, PRICE_NOTE, joint_words, shown_ways, verdict
from optimizer.documents.sheet_kit import Book, Cell, Formula, Sheet, number
from optimizer.joints.ways import Way
from optimizer.takeoff.cut_list import MEASURE, CutList, CutPiece
from optimizer.takeoff.cutting import Stick
from optimizer.units import head_unit, head_value, show_flow, show_length

if TYPE_CHECKING:
    from optimizer.takeoff.ports import PortWays

CUT_SHEET, ADAPTERS_SHEET = "Cut list", "Adapters"
_CUT_COLUMNS = {
    "Mark": 6.0,
    "Run": 16.0,
    "Part no.": 7.0,
    "Pipe": 24.0,
    "Shows": 12.0,
    "Cut length": 12.0,
    "Cut length (mm)": 9.0,
    "From": 26.0,
    "To": 26.0,
}
_WAY_COLUMNS = {
    "Run and port": 18.0,
    "Pieces in order": 36.0,
    "Joints, in order": 34.0,
    "Thread standards": 13.0,
    "Price": 9.0,
    "Head lost": 9.0,
    "Adds": 9.0,
    "Can leak at": 7.0,
    "Unbolts": 8.0,
    "Verdict": 28.0,
}


def cut_sheet(book: Book, cuts: CutList) -> None:
    """Write every piece with its mark and cut length, then stick by stick what is cut from it and what is left."""
    sheet = book.sheet(CUT_SHEET, tuple(_CUT_COLUMNS.values()), landscape=True)
    head = sheet.column_titles(tuple(_CUT_COLUMNS), numbers=("Part no.", "Cut length (mm)"))
    for piece in cuts.pieces:
        sheet.write(_piece_row(piece, book.units))
    if not cuts.pieces:
        sheet.write([Cell(None), Cell("No pipe is cut."), *(Cell(None) for _ in range(len(_CUT_COLUMNS) - 2))])
    _freeze(sheet, head, last=sheet.row - 1)
    sheet.paragraph(f"{MEASURE} A saw cut takes {show_length(cuts.kerf_m, book.units)}.")
    for note in cuts.notes:
        sheet.paragraph(f"Note: {note}.")
    if cuts.pipes:
        _sticks(sheet, cuts)


def _piece_row(piece: CutPiece, units: str) -> list[Cell]:
    return [
        Cell(piece.mark, "centre"),
        Cell(piece.run),
        number(piece.position),
        Cell(piece.item.description),
        Cell(show_length(piece.face_to_face_m, units)),
        Cell(show_length(piece.cut_m, units), "bold text"),
        number(1000 * piece.cut_m),
        Cell(piece.after),
        Cell(piece.before),
    ]


def _sticks(sheet: Sheet, cuts: CutList) -> None:
    sheet.heading("Sticks")
    spans = (2, 2, 2, 2, 1)
    sheet.column_titles(("Stick", "Pipe", "Cut these marks, in order", "Left over", "Price"), spans, numbers=("Price",))
    units, first = sheet.book.units, sheet.row + 1
    total_cents = 0
    for pipes in cuts.pipes:
        for stick in pipes.plan.sticks:
            marks = ", ".join(pipes.marks(stick.cuts))
            texts = (_stick_words(stick, units), pipes.item.description, marks, show_length(stick.offcut_m, units))
            price = number(stick.price_cents / 100, "money")
            sheet.write([*(Cell(text, span=2) for text in texts), price])
        total_cents += pipes.plan.cost_cents
    total = Formula(f"=SUM(I{first}:I{sheet.row})", total_cents / 100)
    row = [Cell(f"Total, {cuts.currency}", "bold text", span=2), *(Cell(None, span=2) for _ in range(3))]
    sheet.write([*row, Cell(total, "bold money")])
    proved = all(pipes.plan.proved for pipes in cuts.pipes)
    sheet.paragraph(
        "Proved: no way of cutting costs less in these stick lengths."
        if proved
        else "These sticks do; a cheaper way of cutting may exist."
    )


def _stick_words(stick: Stick, units: str) -> str:
    return f"{show_length(stick.length_m, units)}, {'owned' if stick.owned else 'to buy'}"


def adapters_sheet(book: Book, found: Iterable[PortWays], limit: int | None = PORTS_SHOWN) -> None:
    """Write the ways at every threaded port, those that must not be used with the reason."""
    sheet = book.sheet(ADAPTERS_SHEET, tuple(_WAY_COLUMNS.values()), landscape=True)
    titles = [f"{title} ({head_unit(book.units)})" if title == "Head lost" else title for title in _WAY_COLUMNS]
    head = sheet.column_titles(titles, numbers=("Price", titles[5], "Can leak at"))
    for one in found:
        flow = f" at {show_flow(one.flow_m3_s, book.units)}" if one.flow_m3_s is not None else ""
        place = f"{one.port.run}: {one.port.words}, {one.port.end}{flow}"
        for way in shown_ways(one.ways, limit):
            sheet.write(_way_row(way, place, book.units))
        if not one.ways:
            blank = [Cell(None) for _ in range(len(_WAY_COLUMNS) - 2)]
            sheet.write([Cell(place), Cell(f"There is no way: {one.why_none}"), *blank])
    last = sheet.row - 1
    if last == head:
        sheet.write([Cell("No pump and no device has a threaded port.", span=len(_WAY_COLUMNS))])
    _freeze(sheet, head, last=max(last, head))
    sheet.paragraph(PRICE_NOTE)


def _way_row(way: Way, place: str, units: str) -> list[Cell]:
    pieces = "\n".join(piece.words for piece in way.pieces) or "nothing between: the two ends mate"
    joints = "\n".join(f"{joint_words(joint)}: {joint.sealing}" for joint in way.joints)
    told = verdict(way) if way.allowed else f"{verdict(way)}: {'; '.join(way.why_not)}"
    return [
        Cell(place),
        Cell(pieces),
        Cell(joints),
        Cell(", ".join(way.standards) or "–"),
        number(way.price_cents / 100, "money"),
        number(None if way.loss_m is None else head_value(way.loss_m, units), "fine"),
        Cell(show_length(way.length_m, units)),
        number(way.leak_points),
        Cell("yes" if way.unbolts else "no", "centre"),
        Cell(told, "text" if way.allowed else "bold text"),
    ]


def _freeze(sheet: Sheet, head: int, last: int) -> None:
    """Keep the column titles in sight and on every page, and let the rows of the list be filtered."""
    sheet.worksheet.freeze_panes(head + 1, 0)
    sheet.worksheet.repeat_rows(head)
    sheet.worksheet.autofilter(head, 0, max(last, head), len(sheet.widths) - 1)
