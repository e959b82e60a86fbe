"""The work order as a sheet: run by run, step by step, with a box to tick."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.documents.sheet_kit import Book, Cell
from optimizer.takeoff.work_order import RunWork

WORK_SHEET = "Work order"
_COLUMNS = {"Done": 6.0, "Run": 16.0, "Step": 10.0, "What to do": 88.0}
BEFORE = (
    "Read the cautions first. Have every part, the cement and a bucket at hand, and somebody who knows where the power "
    "is cut. Do one run after the other; run water only when the last one has cured."
)


def work_sheet(book: Book, work: Sequence[RunWork]) -> None:
    """Write the steps of every run that changes."""
    sheet = book.sheet(WORK_SHEET, tuple(_COLUMNS.values()), landscape=False)
    sheet.paragraph(BEFORE)
    head = sheet.column_titles(tuple(_COLUMNS))
    for run in work:
        for place, step in enumerate(run.steps):
            name = Cell(run.run, "bold text") if place == 0 else Cell(None)
            sheet.write([Cell("☐", "centre"), name, Cell(step.kind), Cell(step.text)])
    if not work:
        sheet.write([Cell(None), Cell(None), Cell(None), Cell("Nothing is cut and nothing is joined: set the valves.")])
    sheet.worksheet.freeze_panes(head + 1, 0)
    sheet.worksheet.repeat_rows(head)
