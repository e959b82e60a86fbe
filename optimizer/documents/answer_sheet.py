"""The first sheet: the answer, every flow with its target as a bar, what changes, cost, work, safety, on one page."""

from __future__ import annotations

import math

from optimizer.documents.answer import NOTES_SHOWN, answer_of
from optimizer.documents.drawing.flow_bars import HEIGHT, LEGEND, WIDTH, flow_bar
from optimizer.documents.note_words import all_notes
from optimizer.documents.report_facts import ReportFacts
from optimizer.documents.sheet_kit import Book, Cell, Formula, Place, Sheet, doubtful, unbroken
from optimizer.documents.targets import asked_as_shares, wanted_words
from optimizer.documents.text import speeds_words, unconnected_words
from optimizer.documents.words import flow_span
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import DemandCheck
from optimizer.units import flow_unit, flow_value
from optimizer.wording.notes import notes_words

ANSWER_SHEET = "Answer"
_WIDTHS = (21.0, 18.0, 14.0, 14.0, 17.0, 23.0)
_BAR_PX = 160.0
_ROW_POINTS = 16.5  # high enough for a bar


def start_answer(book: Book) -> Sheet:
    """Return the empty first sheet, so that it stands before the sheet whose total it fetches."""
    return book.sheet(ANSWER_SHEET, _WIDTHS, landscape=False, pages=1)


def fill_answer(sheet: Sheet, report: PlanReport, total: Formula, facts: ReportFacts | None = None) -> None:
    """Write the answer; `total` fetches the cost from the order."""
    told = answer_of(report, facts)
    sheet.paragraph(report.system.name, "title")
    sheet.paragraph(told.headline, "answer")
    _unsafe_today(sheet, report)
    sheet.skip()
    for place, line in enumerate(told.changes):
        sheet.write([Cell("What changes" if place == 0 else None, "strong"), Cell(unbroken(line), "plain", span=5)])
    if words := speeds_words(report):
        sheet.paragraph(words)
    _demands(sheet, report)
    sheet.heading("Cost, work and safety")
    sheet.write([Cell(f"Store total, {report.bill.currency}", "bold text"), Cell(total, "total", span=5)])
    for name, words in told.facts:
        sheet.write([Cell(name, "bold text"), Cell(words, span=5)])
    _notes(sheet, report)


def _unsafe_today(sheet: Sheet, report: PlanReport) -> None:
    safety = report.verification.safety
    if safety is not None and safety.today:
        sheet.paragraph("Unsafe today, whatever is planned:", "strong")
        for text in notes_words(safety.today, report.system.units):
            sheet.paragraph(f"• {text}", "strong")


def _demands(sheet: Sheet, report: PlanReport) -> None:
    units, demands = report.system.units, report.verification.demands
    if not demands:
        return
    sheet.heading(f"Flows, in {flow_unit(units)}")
    after_title = "80 % range" if report.band is not None else "After, valves open"
    sheet.column_titles(("Run", "Target", "Now", "After", after_title, "Now and after"), numbers=("Now", "After"))
    for check in demands:
        row = sheet.write(_demand_row(check, report), _ROW_POINTS)
        _bar(sheet, row, check, units)
    sheet.paragraph(LEGEND, "small")
    if words := asked_as_shares(demands):
        sheet.paragraph(words, "small")
    if words := unconnected_words(report):
        sheet.paragraph(words, "small")


def _demand_row(check: DemandCheck, report: PlanReport) -> list[Cell]:
    units = report.system.units
    unit = f" {flow_unit(units)}"
    if report.band is None:
        beside = doubtful(check.all_open_m3_s, check.all_open_doubt, "", units)
    else:
        beside = Cell(flow_span(*report.band[check.run], units).replace(unit, "") if check.run in report.band else None)
    target = wanted_words(check.low_m3_s, check.high_m3_s, units).replace(unit, "")
    return [
        Cell(check.run),
        Cell(target),
        doubtful(check.before_m3_s, check.before_doubt, "", units),
        doubtful(check.after_m3_s, check.after_doubt, "", units),
        beside,
        Cell(None) if check.met else Cell("NOT REACHED", "miss"),
    ]


def _bar(sheet: Sheet, row: int, check: DemandCheck, units: str) -> None:
    after = check.after_m3_s if check.after_doubt.known("") else math.nan
    before = check.before_m3_s if check.before_doubt.known("") else math.nan
    if not check.met or not (math.isfinite(after) or math.isfinite(before)):
        return
    high = None if check.high_m3_s is None else flow_value(check.high_m3_s, units)
    low, now, then = (flow_value(flow, units) for flow in (check.low_m3_s, before, after))
    canvas = flow_bar(low, high, now, then)
    told = f"{check.run}: {wanted_words(check.low_m3_s, check.high_m3_s, units)}; now {now:.0f}, after {then:.0f}"
    svg = canvas.svg(told, told, f"bar-{row}", alone=True)
    down = max(1.0, (sheet.heights[row] * 96 / 72 - HEIGHT * _BAR_PX / WIDTH) / 2)
    sheet.picture(svg, WIDTH, Place(row, 5, _BAR_PX, 3.0, down), told)


def _notes(sheet: Sheet, report: PlanReport) -> None:
    texts = all_notes(report)
    if not texts:
        return
    sheet.heading("Notes")
    for text in texts[:NOTES_SHOWN]:
        sheet.paragraph(f"• {text}")
    if len(texts) > NOTES_SHOWN:
        sheet.paragraph(f"• {len(texts) - NOTES_SHOWN} more: see the appendix.")
