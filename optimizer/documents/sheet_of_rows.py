"""Rows of plain values → a workbook of one sheet, for sorting and filtering: the same bytes for the same rows."""

from __future__ import annotations

import datetime
import io
from collections.abc import Sequence

from optimizer.documents.sheet_kit import LETTER

_NO_DAY = datetime.datetime(2000, 1, 1)
_OPTIONS = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
_WIDEST, _NARROWEST, _LONGEST_TEXT = 60, 8, 32_000
_LOOKED_AT = 1_000  # rows that the widths of columns go by


def rows_workbook(columns: Sequence[str], rows: Sequence[Sequence[object]], title: str) -> bytes:
    """Return a workbook whose one sheet has these columns; text goes in as text, whatever it begins with."""
    import xlsxwriter

    memory = io.BytesIO()
    with xlsxwriter.Workbook(memory, _OPTIONS) as book:
        book.set_properties({"title": title, "created": _NO_DAY})
        sheet = book.add_worksheet(title)
        sheet.set_landscape()
        sheet.set_paper(LETTER)
        sheet.fit_to_pages(1, 0)
        sheet.repeat_rows(0)
        sheet.freeze_panes(1, 1)
        head = book.add_format({"bold": True, "bg_color": "#DCE6F1", "bottom": 1})
        for place, name in enumerate(columns):
            sheet.write_string(0, place, name, head)
            longest = max((len(_text(row[place])) for row in rows[:_LOOKED_AT]), default=0)
            sheet.set_column(place, place, min(_WIDEST, max(_NARROWEST, len(name) + 2, longest + 1)))
        for line, row in enumerate(rows, start=1):
            for place, value in enumerate(row):
                if isinstance(value, (int, float)):
                    sheet.write_number(line, place, value)
                elif value is not None and value != "":
                    sheet.write_string(line, place, _text(value)[:_LONGEST_TEXT])
        sheet.autofilter(0, 0, max(1, len(rows)), max(0, len(columns) - 1))
    return memory.getvalue()


def _text(value: object) -> str:
    return "" if value is None else str(value)
