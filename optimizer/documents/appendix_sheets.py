"""The appendix: notes, every flow, checks, what comes out, adapters, what meters tell, cautions, assumptions."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence

from optimizer.documents.adapters_text import port_remarks, port_verdict, port_ways
from optimizer.documents.answer import NOTES_SHOWN
from optimizer.documents.cautions import CAUTIONS, CODES, Remark, assumptions
from optimizer.documents.floor_text import LEAK_BASIS, is_told, leak_rows, mishap_notes, mishap_rows, probe_words
from optimizer.documents.note_words import all_notes
from optimizer.documents.safety_text import OF_MODES, TO_SPARE, safety_rows, worst_of_modes
from optimizer.documents.settings_card import meter_notes
from optimizer.documents.sheet_kit import (
    SMALL_FLOW,
    TIGHT_MARGINS,
    Book,
    Cell,
    Formula,
    Sheet,
    doubtful,
    flow_number,
    number,
)
from optimizer.model.bill import Bill
from optimizer.model.outcome import PlanReport
from optimizer.takeoff.take_off import TakeOff
from optimizer.units import flow_unit, flow_value, show_head, velocity_unit, velocity_value
from optimizer.verify.card import SettingsCard
from optimizer.wording.amounts import money
from optimizer.wording.notes import note_words, notes_words

APPENDIX_SHEET = "Appendix"
APPENDIX_PAGES, PICTURE_PAGES = 3, 1  # all of it, and of that the plumbing after the work
_WIDTHS = (20.0, 14.0, 14.0, 11.0, 11.0, 13.0, 13.0, 11.0, 12.0, 15.0, 15.0)
_WORDS_SPANS = (2, 9)  # a title and what it says


def appendix_sheet(
    book: Book, report: PlanReport, taken: TakeOff | None, card: SettingsCard | None, pages: int
) -> None:
    """Write all that is looked up once, each list only where it has rows, on so many printed pages."""
    import xlsxwriter

    memory = xlsxwriter.Workbook(io.BytesIO(), {"in_memory": True})  # written there first: where do its pages end?
    scratch = Book(memory, book.units, book.currency, book.paper, book.system_name)
    tried = scratch.sheet(APPENDIX_SHEET, _WIDTHS, landscape=True, margins=TIGHT_MARGINS, pages=pages)
    _fill(tried, report, taken, card)
    sheet = book.sheet(APPENDIX_SHEET, _WIDTHS, landscape=True, margins=TIGHT_MARGINS, pages=pages)
    sheet.pads = tried.whole_headings()
    _fill(sheet, report, taken, card)


def _fill(sheet: Sheet, report: PlanReport, taken: TakeOff | None, card: SettingsCard | None) -> None:
    _notes(sheet, report)
    _flows(sheet, report)
    safety_rows_on(sheet, report)
    _removed(sheet, report.bill, report.system.units)
    if taken is not None:
        adapters_on(sheet, taken)
    if card is not None:
        sheet.heading("What the card's meters can tell")
        for line in meter_notes(card):
            sheet.paragraph(line, "fine print")
    sheet.heading("Cautions")
    _remarks(sheet, CAUTIONS)
    sheet.heading("What the numbers rest on")
    _remarks(sheet, assumptions(report))


def _notes(sheet: Sheet, report: PlanReport) -> None:
    texts = all_notes(report)
    if len(texts) > NOTES_SHOWN:
        sheet.heading("Notes")
        for text in texts:
            sheet.paragraph(f"• {text}")


def _removed(sheet: Sheet, bill: Bill, units: str) -> None:
    """Write what comes out, what serves again first."""
    if not bill.taken_out:
        return
    sheet.heading("Removed parts")
    spans = (1, 3, 2, 1, 4)
    sheet.column_titles(("Qty", "What comes out", "Where", "Then", "Why"), spans)
    for line in bill.taken_out:
        texts = (f"{line.quantity} {line.unit}", line.description, line.where, line.fate, note_words(line.why, units))
        sheet.write([Cell(text, "small text", span=span) for text, span in zip(texts, spans, strict=True)])


def _flows(sheet: Sheet, report: PlanReport) -> None:
    """Write the flow of every run before and after the work, with its change as a formula."""
    units = report.system.units
    sheet.heading(f"Every run, flows in {flow_unit(units)}")
    titles = ["Run", "From", "To", *_FLOW_WORDS, f"Highest velocity ({velocity_unit(units)})"]
    if report.band is not None:
        titles += ["80 % range, low end", "80 % range, high end"]
    sheet.column_titles(titles, numbers=titles[3:])
    for name in report.system.network.runs:
        sheet.write(_flow_row(report, name, sheet.row + 1))


_FLOW_WORDS = ("At least", "At most", "Now", "After", "Change")


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
        Cell(None) if low is None else flow_number(low),
        Cell(None) if high is None else flow_number(high),
        *cells_of_both,
        _change(before, after, row) if all(doubt.known(name) for doubt in report.doubts) else number(None),
        number(velocity_value(velocity_m_s, units), "decimal"),
    ]
    if report.band is not None:
        cells += [flow_number(flow_value(end, units)) for end in report.band.get(name, (math.nan, math.nan))]
    return cells


def _change(before: float, after: float, row: int) -> Cell:
    if not math.isfinite(before) or not math.isfinite(after):
        return number(None)
    change, small = after - before, max(abs(before), abs(after)) < SMALL_FLOW
    style = "no change" if abs(change) < (0.05 if small else 0.5) else "small change" if small else "change"
    return Cell(Formula(f"=G{row}-F{row}", change), style)


def _wanted(report: PlanReport, run: str) -> tuple[float | None, float | None]:
    """Return the least and the most that a run was asked to carry, as shown; None where nothing was asked."""
    units = report.system.units
    lows = [target.low_m3_s for target in report.system.targets if target.run == run and target.low_m3_s > 0]
    highs = [target.high_m3_s for target in report.system.targets if target.run == run and target.high_m3_s is not None]
    return (flow_value(max(lows), units) if lows else None, flow_value(min(highs), units) if highs else None)


def _shown_flow(flows_m3_s: Mapping[str, float], run: str, units: str) -> float:
    return flow_value(flows_m3_s.get(run, math.nan), units)


def safety_rows_on(sheet: Sheet, report: PlanReport) -> None:
    """Write what was checked; nothing when nothing was."""
    safety = report.verification.safety
    if safety is None or not safety.checks:
        return
    sheet.heading("Safety checks")
    spans = (3, 2, 2, 2, 1, 1)
    numbers = ("Now", "After", "Limit", "To spare")
    sheet.column_titles(("Check", *numbers, "Result"), spans, numbers=numbers)
    checks = worst_of_modes(safety.checks)
    for row in safety_rows(checks, report.system.units):
        styles = ("text", "text right", "text right", "text right", "text right", "center")
        cells = zip(row, styles, spans, strict=True)
        sheet.write([Cell(text, style, span) for text, style, span in cells])
    several = f" {OF_MODES}" if len(checks) < len(safety.checks) else ""
    sheet.paragraph(f"{TO_SPARE}{several}", "fine print")
    for text in notes_words(safety.unchecked, report.system.units):
        sheet.paragraph(text)
    _floor_on(sheet, report)
    sheet.paragraph(CODES)


def _floor_on(sheet: Sheet, report: PlanReport) -> None:
    """Write what may go wrong and where water would come out first; nothing where no tank is described."""
    if not is_told(report):
        return
    units = report.system.units
    sheet.heading("If something fails")
    spans = (3, 1, 2, 4, 1)
    sheet.column_titles(("If", "Water", "On the floor", "Where it goes", "Result"), spans)
    for row in mishap_rows(report.mishaps, units):
        sheet.write([Cell(text, "text", span) for text, span in zip(row, spans, strict=True)])
    for text in mishap_notes(report.mishaps, report.system.units):
        sheet.paragraph(text)
    known = [one for one in report.leaks if one.water_m3 is not None]
    if not known:
        return
    sheet.heading("Where water would come out first")
    wide = (2, 6, 2, 1)
    sheet.column_titles(("Where", "Joint", "Lets out", "Head"), wide)
    for row in leak_rows(known, units):
        sheet.write([Cell(text, "text", span) for text, span in zip(row, wide, strict=True)])
    sheet.paragraph(f"{probe_words(known)} {LEAK_BASIS}", "fine print")


def adapters_on(sheet: Sheet, taken: TakeOff) -> None:
    """Write the ways at the threaded ports that the plan touches, its own one marked, metal explained once."""
    ports = [one for one in taken.ports if one.touched]
    rows = [(one, way) for one in ports for way in port_ways(one)]
    if not rows:
        return
    units = sheet.book.units
    sheet.heading("Adapters at threaded ports")
    spans = (2, 3, 1, 1, 1, 1, 2)
    titles = ("Run and port", "Pieces in order", "Price", "Head loss", "Joints", "Comes apart", "Verdict")
    sheet.column_titles(titles, spans, numbers=("Price", "Joints", "Head loss"))
    for one, way in rows:
        place = f"{one.port.run}: {one.port.words}, {one.port.end}"
        pieces = "; ".join(piece.words for piece in way.pieces) or "nothing between: the two ends mate"
        loss = "–" if way.loss_m is None else show_head(way.loss_m, units)
        told = port_verdict(one, way)
        price = money(way.price_cents, sheet.book.currency)
        texts = (place, pieces, price, loss, str(way.leak_points), "yes" if way.unbolts else "no", told)
        sheet.write([Cell(text, "small text", span) for text, span in zip(texts, spans, strict=True)])
    for remark in port_remarks(ports):
        sheet.paragraph(remark, "small")


def _remarks(sheet: Sheet, remarks: Sequence[Remark]) -> None:
    for remark in remarks:
        cells = zip((remark.title, remark.text), ("bold text", "text"), _WORDS_SPANS, strict=True)
        sheet.write([Cell(text, style, span) for text, style, span in cells])
