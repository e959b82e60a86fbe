"""The sheets that are lists: what comes out, every flow before and after, assumptions and cautions."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from optimizer.documents.cautions import CAUTIONS, Remark, assumptions
from optimizer.documents.sheet_kit import Book, Cell, Formula, Sheet, number
from optimizer.model.bill import Bill
from optimizer.model.doubt import Doubt
from optimizer.model.outcome import PlanReport
from optimizer.units import flow_unit, flow_value, show_flow, velocity_unit, velocity_value

TAKE_OUT_SHEET = "Take-out"
FLOW_SHEET, CAUTIONS_SHEET = "Flow check", "Assumptions and cautions"


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
    widths = [26.0, 17.0, 17.0, *_FLOW_WIDTHS, 12.0]
    if report.band is not None:
        titles += [f"After, at the low end ({flow_unit(units)})", f"After, at the high end ({flow_unit(units)})"]
        widths += [14.0, 14.0]
    sheet = book.sheet(FLOW_SHEET, widths, landscape=True)
    head = sheet.column_titles(titles, numbers=titles[3:])
    for name in report.system.network.runs:
        sheet.write(_flow_row(report, name, sheet.row + 1))
    _list_setup(sheet, head)


_FLOW_WORDS = ("At least", "At most", "Now", "After", "Change")
_FLOW_WIDTHS = (10.0, 10.0, 14.0, 14.0, 11.0)


def _flow_row(report: PlanReport, name: str, row: int) -> list[Cell]:
    units, run = report.system.units, report.system.network.runs[name]
    before = _shown_flow(report.before_flows_m3_s, name, units)
    after = _shown_flow(report.verification.flows_m3_s, name, units)
    low, high = _wanted(report, name)
    velocity_m_s = report.verification.velocities_m_s.get(name, math.nan)
    both = (report.before_flows_m3_s, report.verification.flows_m3_s)
    cells_of_both = [
        doubtful(each.get(name, math.nan), doubt, name, units) for each, doubt in zip(both, report.doubts, strict=True)
    ]
    cells = [
        Cell(name),
        Cell(run.start.point),
        Cell(run.end.point),
        Cell(None) if low is None else number(low),
        Cell(None) if high is None else number(high),
        *cells_of_both,
        _change(before, after, row) if all(doubt.known(name) for doubt in report.doubts) else number(None),
        number(velocity_value(velocity_m_s, units), "decimal"),
    ]
    if report.band is not None:
        cells += [number(flow_value(end, units), "flow") for end in report.band.get(name, (math.nan, math.nan))]
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


def doubtful(flow_m3_s: float, doubt: Doubt, run: str, units: str) -> Cell:
    """Return a flow as a number, or in words where the end of a pump's curve leaves it open."""
    if doubt.known(run):
        return number(flow_value(flow_m3_s, units), "flow")
    return Cell(doubt.words(run, show_flow(flow_m3_s, units)), "text right")


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
