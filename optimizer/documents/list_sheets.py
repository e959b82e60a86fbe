"""The sheets that are lists: what to buy, what comes out, every flow before and after, assumptions and cautions."""

from __future__ import annotations

import datetime
import math
import string
from collections.abc import Mapping, Sequence

from optimizer.documents.cautions import CAUTIONS, Remark, assumptions
from optimizer.documents.sheet_kit import Book, Cell, Formula, Sheet, number
from optimizer.model.bill import Bill, BillLine
from optimizer.model.outcome import PlanReport
from optimizer.units import flow_unit, flow_value, velocity_unit, velocity_value

PARTS_SHEET, TAKE_OUT_SHEET = "Parts list", "Take-out"
FLOW_SHEET, CAUTIONS_SHEET = "Flow check", "Assumptions and cautions"

# Column titles of the parts list with their widths; the order is the order on the sheet.
PARTS_COLUMNS = {
    "Qty": 5.5,
    "Unit": 7.0,
    "Group": 12.0,
    "Description": 27.0,
    "Size": 11.5,
    "Ends": 13.0,
    "Material": 8.5,
    "Standard": 12.5,
    "Unit price": 9.0,
    "Extended price": 10.5,
    "Store's unit price": 10.5,
    "Where used": 15.0,
    "Pieces and notes": 17.0,
    "Price date": 11.0,
    "Item no.": 17.5,
}
_PLACES = {title: place for place, title in enumerate(PARTS_COLUMNS)}
_LETTERS = dict(zip(PARTS_COLUMNS, string.ascii_uppercase, strict=False))
_QTY, _UNIT_PRICE = _LETTERS["Qty"], _LETTERS["Unit price"]
_NUMBER_TITLES = ("Qty", "Unit price", "Extended price", "Store's unit price")
_EXTENDED, _STORE = _LETTERS["Extended price"], _LETTERS["Store's unit price"]


def parts_sheet(book: Book, bill: Bill) -> Formula:
    """Write what to buy and return a formula that fetches its total from another sheet."""
    sheet = book.sheet(PARTS_SHEET, tuple(PARTS_COLUMNS.values()), landscape=True)
    head = sheet.column_titles(tuple(PARTS_COLUMNS), numbers=_NUMBER_TITLES)
    for line in bill.lines:
        sheet.write(_parts_row(line, sheet.row + 1))
    if not bill.lines:
        sheet.write([Cell(None), Cell(None), Cell(None), Cell("Nothing needs to be bought.")])
    _list_setup(sheet, head)
    total_row = sheet.write(_total_row(bill, first=head + 2, last=sheet.row))
    return Formula(f"='{PARTS_SHEET}'!{_EXTENDED}{total_row + 1}", bill.total_cents / 100)


def _parts_row(line: BillLine, row: int) -> list[Cell]:
    """Return the cells of one line; `row` is the sheet's own number of its row, from 1."""
    extended = Formula(f"={_QTY}{row}*{_UNIT_PRICE}{row}", line.extended_cents / 100)
    return [
        number(line.quantity),
        Cell(line.unit, "centre"),
        Cell(line.group),
        Cell(line.description),
        Cell(line.size),
        Cell(line.ends),
        Cell(line.material),
        Cell(line.standard),
        number(line.unit_price_cents / 100, "money"),
        Cell(extended, "money"),
        Cell(None, "money to fill in"),
        Cell(line.where_used),
        Cell(line.note),
        _date(line.price_date),
        Cell(line.item_id),
    ]


def _total_row(bill: Bill, first: int, last: int) -> list[Cell]:
    total = Formula(f"=SUM({_EXTENDED}{first}:{_EXTENDED}{last})", bill.total_cents / 100)
    asked = Formula(f"=SUMPRODUCT({_QTY}{first}:{_QTY}{last},{_STORE}{first}:{_STORE}{last})", 0.0)
    cells = [Cell(None) for _ in PARTS_COLUMNS]
    cells[_PLACES["Description"]] = Cell(f"Total, {bill.currency}", "bold text")
    cells[_PLACES["Extended price"]] = Cell(total, "bold money")
    cells[_PLACES["Store's unit price"]] = Cell(asked, "bold money or blank")
    return cells


def take_out_sheet(book: Book, bill: Bill) -> None:
    """Write what comes out, what serves again first."""
    sheet = book.sheet(TAKE_OUT_SHEET, (6, 8, 40, 26, 12, 44), landscape=True)
    head = sheet.column_titles(("Qty", "Unit", "What comes out", "Where", "Then", "Why"), numbers=("Qty",))
    for line in bill.taken_out:
        texts = (line.description, line.where, line.fate, line.why)
        sheet.write([number(line.quantity), Cell(line.unit, "centre"), *(Cell(text) for text in texts)])
    if not bill.taken_out:
        sheet.write([Cell(None), Cell(None), Cell("Nothing comes out."), Cell(None), Cell(None), Cell(None)])
    _list_setup(sheet, head)


def flow_sheet(book: Book, report: PlanReport) -> None:
    """Write the flow of every run before and after the work, with its change as a formula."""
    units = book.units
    titles = ["Run", "From", "To", *(f"{word} ({flow_unit(units)})" for word in _FLOW_WORDS)]
    titles.append(f"Fastest water after ({velocity_unit(units)})")
    widths = [26.0, 17.0, 17.0, *(11.0,) * len(_FLOW_WORDS), 12.0]
    if report.band is not None:
        titles += [f"After, at the low end ({flow_unit(units)})", f"After, at the high end ({flow_unit(units)})"]
        widths += [12.0, 12.0]
    sheet = book.sheet(FLOW_SHEET, widths, landscape=True)
    head = sheet.column_titles(titles, numbers=titles[3:])
    for name in report.system.network.runs:
        sheet.write(_flow_row(report, name, sheet.row + 1))
    _list_setup(sheet, head)


_FLOW_WORDS = ("At least", "At most", "Now", "After", "Change")


def _flow_row(report: PlanReport, name: str, row: int) -> list[Cell]:
    units, run = report.system.units, report.system.network.runs[name]
    before = _shown_flow(report.before_flows_m3_s, name, units)
    after = _shown_flow(report.verification.flows_m3_s, name, units)
    low, high = _wanted(report, name)
    velocity_m_s = report.verification.velocities_m_s.get(name, math.nan)
    cells = [
        Cell(name),
        Cell(run.start.point),
        Cell(run.end.point),
        Cell(None) if low is None else number(low),
        Cell(None) if high is None else number(high),
        number(before),
        number(after),
        _change(before, after, row),
        number(velocity_value(velocity_m_s, units), "decimal"),
    ]
    if report.band is not None:
        cells += [number(flow_value(end, units)) for end in report.band.get(name, (math.nan, math.nan))]
    return cells


def _change(before: float, after: float, row: int) -> Cell:
    if not math.isfinite(before) or not math.isfinite(after):
        return number(None)
    return Cell(Formula(f"=G{row}-F{row}", after - before), "change")


def _wanted(report: PlanReport, run: str) -> tuple[float | None, float | None]:
    """Return the least and the most that a run was asked to carry, as shown; None where nothing was asked."""
    units = report.system.units
    lows = [target.low_m3_s for target in report.system.targets if target.run == run and target.low_m3_s > 0]
    highs = [target.high_m3_s for target in report.system.targets if target.run == run and target.high_m3_s is not None]
    return (flow_value(max(lows), units) if lows else None, flow_value(min(highs), units) if highs else None)


def _shown_flow(flows_m3_s: Mapping[str, float], run: str, units: str) -> float:
    return flow_value(flows_m3_s.get(run, math.nan), units)


def cautions_sheet(book: Book, report: PlanReport) -> None:
    """Write the cautions first, then what the numbers rest on."""
    sheet = book.sheet(CAUTIONS_SHEET, (24, 76), landscape=False)
    sheet.paragraph("Cautions: read before you start", "heading")
    _remarks(sheet, CAUTIONS)
    sheet.heading("What the numbers rest on")
    _remarks(sheet, assumptions(report))


def _remarks(sheet: Sheet, remarks: Sequence[Remark]) -> None:
    for remark in remarks:
        sheet.write([Cell(remark.title, "bold text"), Cell(remark.text)])


def _list_setup(sheet: Sheet, head: int) -> None:
    """Keep the column titles in sight and on every page, and let the rows written so far be filtered."""
    sheet.worksheet.freeze_panes(head + 1, 0)
    sheet.worksheet.repeat_rows(head)
    sheet.worksheet.autofilter(head, 0, max(sheet.row - 1, head), len(sheet.widths) - 1)


def _date(text: str) -> Cell:
    """Return a date cell, or the text as it is where it names no day."""
    try:
        return Cell(datetime.date.fromisoformat(text), "date")
    except ValueError:
        return Cell(text)
