"""A report written as a spreadsheet that a store can fill and a person can build from: whole, or not at all."""

from __future__ import annotations

import datetime
import io
from collections.abc import Sequence
from pathlib import Path

from optimizer.documents.answer_sheet import fill_answer, start_answer
from optimizer.documents.appendix_sheets import APPENDIX_PAGES, PICTURE_PAGES, appendix_sheet
from optimizer.documents.build_sheets import build_sheets
from optimizer.documents.card_sheet import card_sheet
from optimizer.documents.order_sheet import ORDER_SHEET, order_sheet
from optimizer.documents.picture_sheets import PLUMBING_SHEET, picture_sheets, plumbing_pictures
from optimizer.documents.report_facts import ReportFacts
from optimizer.documents.sheet_kit import A4, LETTER, TYPE, Book, Formula
from optimizer.documents.stores_text import seller_words
from optimizer.documents.text import require_passed
from optimizer.errors import DocumentError
from optimizer.model.bill import Bill
from optimizer.model.outcome import PlanReport
from optimizer.model.system import System
from optimizer.search.two_stores import Shopping
from optimizer.takeoff.take_off import TakeOff
from optimizer.units import US
from optimizer.verify.card import SettingsCard
from optimizer.whole_file import free_target, put_whole

_PAPERS = {"letter": LETTER, "A4": A4}
_OPTIONS = {
    "in_memory": True,
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
}
_NO_DAY = datetime.datetime(2000, 1, 1)


def write_workbook(
    path: Path,
    report: PlanReport,
    overwrite: bool = False,
    *,
    taken: TakeOff | None = None,
    card: SettingsCard | None = None,
    facts: ReportFacts | None = None,
    paper: str | None = None,
    created: datetime.datetime | None = None,
) -> None:
    """Write a report as an .xlsx file; the same report gives the same file, byte for byte.

    Parameters
    ----------
    path
        Where to write; the name ends in .xlsx and the folder exists.
    report
        The plan and what goes with it.
    overwrite
        Replace a file that is there. Its old content stays until the new one is whole.
    taken
        The take-off of the plan; without it the sheets for the workbench and the adapters are left out.
    card
        How everything is set after the work; without it there is no sheet of it.
    facts
        Both plumbings solved, as `report_facts` returns them; without them there are no pictures.
    paper
        "letter" or "A4"; by default letter for US units and A4 for metric ones.
    created
        The time that the file says it was made; by default the newest price date.

    Raises
    ------
    DocumentError
        When the file is there and `overwrite` is off, when it cannot be written, or when the plan did not stand its
        check. Nothing is left half-written.
    """
    target = free_target(Path(path), overwrite, ".xlsx")
    put_whole(target, workbook_bytes(report, taken=taken, card=card, facts=facts, paper=paper, created=created))


def write_whole_workbook(path: Path, report: PlanReport, taken: TakeOff, overwrite: bool = False) -> None:
    """Write the workbook with all its sheets."""
    target = free_target(Path(path), overwrite, ".xlsx")
    put_whole(target, whole_workbook_bytes(report, taken))


def whole_workbook_bytes(report: PlanReport, taken: TakeOff) -> bytes:
    """Return the workbook with all its sheets: the settings card and the pictures are worked out here."""
    from optimizer import pipeline
    from optimizer.documents.report_facts import report_facts

    card, facts = pipeline.settings_card(report.system, report), report_facts(report, taken=taken, with_gains=False)
    return workbook_bytes(report, taken=taken, card=card, facts=facts)


def workbook_bytes(
    report: PlanReport,
    *,
    taken: TakeOff | None = None,
    card: SettingsCard | None = None,
    facts: ReportFacts | None = None,
    paper: str | None = None,
    created: datetime.datetime | None = None,
) -> bytes:
    """Return the workbook of `write_workbook` without writing a file."""
    import xlsxwriter

    require_passed(report)
    if paper is not None and paper not in _PAPERS:
        raise DocumentError(f"paper {paper!r}: allowed are {', '.join(_PAPERS)}")
    memory = io.BytesIO()
    with xlsxwriter.Workbook(memory, {**_OPTIONS, "default_format_properties": dict(TYPE)}) as workbook:
        workbook.set_properties({"title": f"Parts list: {report.system.name}", "created": created or _day(report.bill)})
        sheet_size = _PAPERS[paper] if paper else LETTER if report.system.units == US else A4
        book = Book(workbook, report.system.units, report.bill.currency, sheet_size, report.system.name)
        _fill(book, report, taken, card, facts)
    return memory.getvalue()


def orders_bytes(found: Shopping, system: System, bills: Sequence[Bill]) -> bytes:
    """Return a workbook with an order for each store at which something is bought; `bills` go by the stores."""
    import xlsxwriter

    memory = io.BytesIO()
    with xlsxwriter.Workbook(memory, {**_OPTIONS, "default_format_properties": dict(TYPE)}) as workbook:
        title = f"Orders: {system.name}"
        workbook.set_properties({"title": title, "created": max(map(_day, bills), default=_NO_DAY)})
        sheet_size = LETTER if system.units == US else A4
        book = Book(workbook, system.units, system.currency, sheet_size, system.name)
        for place, (seller, bill) in enumerate(zip(found.sellers, bills, strict=True), start=1):
            if bill.lines:
                order_sheet(book, bill, f"{ORDER_SHEET} {place}", seller_words(found, seller, bill, system.currency))
        book.finish()
    return memory.getvalue()


def _fill(
    book: Book, report: PlanReport, taken: TakeOff | None, card: SettingsCard | None, facts: ReportFacts | None
) -> None:
    answer = start_answer(book)
    total = order_sheet(book, report.bill) if report.bill.lines or report.bill.spares else Formula("=0", 0.0)
    fill_answer(answer, report, total, facts)
    if taken is not None:
        build_sheets(book, taken, facts)
    if card is not None:
        card_sheet(book, card)
    pictures = [] if facts is None else plumbing_pictures(facts, book.paper, PICTURE_PAGES)
    appendix_sheet(book, report, taken, card, APPENDIX_PAGES - len(pictures))
    picture_sheets(book, PLUMBING_SHEET, pictures)
    book.finish()


def _day(bill: Bill) -> datetime.datetime:
    """Return the newest price date: a time that does not change from one writing to the next."""
    dates = [line.price_date for line in bill.lines]
    try:
        return max((datetime.datetime.fromisoformat(date) for date in dates), default=_NO_DAY)
    except ValueError:
        return _NO_DAY
