"""The sheet that goes to the store: what to buy, an empty column for its price, formulas that take its price over."""

from __future__ import annotations

import string

from optimizer.documents.sheet_kit import Book, Cell, Formula, Sheet, number
from optimizer.model.bill import Bill, BillLine
from optimizer.model.quote import (
    ITEM_TITLE,
    LIST_PRICE_TITLE,
    QUANTITY_TITLE,
    STORE_PART_TITLE,
    STORE_PRICE_TITLE,
    priced_title,
)

PARTS_SHEET, IMPORT_SHEET = "Parts list", "For import"
_EXTENDED_TITLE = "Extended price"

# Column titles of the parts list with their widths; the order is the order on the sheet.
PARTS_COLUMNS = {
    QUANTITY_TITLE: 5.0,
    "Unit": 6.5,
    "Group": 11.5,
    "Description": 30.0,
    "Size": 10.5,
    "Material": 8.5,
    "Standard": 12.0,
    LIST_PRICE_TITLE: 9.5,
    STORE_PRICE_TITLE: 10.5,
    STORE_PART_TITLE: 11.0,
    _EXTENDED_TITLE: 11.0,
    "Where used": 13.0,
    "Pieces and notes": 24.0,
    ITEM_TITLE: 17.5,
}
IMPORT_COLUMNS = (ITEM_TITLE, QUANTITY_TITLE, "Unit", "Description", "Size", "Ends", "Material", "Standard", "Group")
_PRICED = (LIST_PRICE_TITLE, STORE_PRICE_TITLE, _EXTENDED_TITLE)
_PLACES = {title: place for place, title in enumerate(PARTS_COLUMNS)}
_LETTERS = dict(zip(PARTS_COLUMNS, string.ascii_uppercase, strict=False))
_QTY, _LIST, _STORE, _EXTENDED = (_LETTERS[title] for title in (QUANTITY_TITLE, *_PRICED))
_ANY_PRICE = {
    "validate": "decimal",
    "criteria": ">=",
    "value": 0,
    "ignore_blank": True,
    "error_title": "Price of one",
    "error_message": "A plain number, in the currency of the column: 4.99",
}


def parts_titles(currency: str) -> list[str]:
    """Return the column titles as they stand on the sheet: those of prices with their currency."""
    return [priced_title(title, currency) if title in _PRICED else title for title in PARTS_COLUMNS]


def parts_sheet(book: Book, bill: Bill) -> Formula:
    """Write what to buy and return a formula that fetches its total from another sheet."""
    sheet = book.sheet(PARTS_SHEET, tuple(PARTS_COLUMNS.values()), landscape=True)
    titles = parts_titles(bill.currency)
    numbers = (QUANTITY_TITLE, *(priced_title(title, bill.currency) for title in _PRICED))
    head = sheet.column_titles(titles, numbers=numbers)
    for line in bill.lines:
        _line(sheet, line)
    if not bill.lines:
        sheet.write([Cell(None), Cell(None), Cell(None), Cell("Nothing needs to be bought.")])
    first, last = head + 2, sheet.row
    sheet.worksheet.freeze_panes(head + 1, 0)
    sheet.worksheet.repeat_rows(head)
    sheet.worksheet.autofilter(head, 0, max(sheet.row - 1, head), len(PARTS_COLUMNS) - 1)
    total_row = sheet.write(_sum_row(f"Total, {bill.currency}", bill.total_cents, first, last, _filled(bill, first)))
    if bill.spares:
        _spares(sheet, bill, total_row + 1)
    return Formula(f"='{PARTS_SHEET}'!{_EXTENDED}{total_row + 1}", bill.total_cents / 100)


def _spares(sheet: Sheet, bill: Bill, total_row: int) -> None:
    """Write the spare pieces under the total of the plan; `total_row` is that row's own number."""
    sheet.heading("Spares: one of each, not part of the plan. They save a second trip; leave out what you do not want")
    first = sheet.row + 1
    for line in bill.spares:
        _line(sheet, line)
    row = sheet.write(_sum_row("Spares", bill.spares_cents, first, sheet.row)) + 1
    both = Formula(f"={_EXTENDED}{total_row}+{_EXTENDED}{row}", (bill.total_cents + bill.spares_cents) / 100)
    sheet.write(_total_cells("Plan and spares", both))


def _line(sheet: Sheet, line: BillLine) -> None:
    """Write one line; a price that the store has filled in counts in place of the list's."""
    row = sheet.row + 1
    price = f'IF({_STORE}{row}="",{_LIST}{row},{_STORE}{row})'
    extended = Formula(f"={_QTY}{row}*{price}", line.extended_cents / 100)
    cells = [
        number(line.quantity),
        Cell(line.unit, "centre"),
        Cell(line.group),
        Cell(line.description),
        Cell(line.size),
        Cell(line.material),
        Cell(line.standard),
        number(line.unit_price_cents / 100, "money"),
        Cell(None, "money to fill in"),
        Cell(None, "to fill in"),
        Cell(extended, "money"),
        Cell(line.where_used),
        Cell(line.note),
        Cell(line.item_id),
    ]
    sheet.worksheet.data_validation(
        sheet.row, _PLACES[STORE_PRICE_TITLE], sheet.row, _PLACES[STORE_PRICE_TITLE], _ANY_PRICE
    )
    sheet.write(cells)


def _filled(bill: Bill, first: int) -> Cell:
    """Return how many lines the store has priced."""
    count = len(bill.lines)
    if not count:
        return Cell(None, span=2)
    text = f'=COUNT({_STORE}{first}:{_STORE}{first + count - 1})&" of {count} priced"'
    return Cell(Formula(text, f"0 of {count} priced"), "bold text", span=2)


def _sum_row(words: str, cents: int, first: int, last: int, filled: Cell | None = None) -> list[Cell]:
    cells = _total_cells(words, Formula(f"=SUM({_EXTENDED}{first}:{_EXTENDED}{max(first, last)})", cents / 100))
    if filled is not None:  # it spans the store's part number too: one column is too narrow for its words
        place = _PLACES[STORE_PRICE_TITLE]
        cells[place : place + filled.span] = [filled]
    return cells


def _total_cells(words: str, total: Formula) -> list[Cell]:
    cells = [Cell(None) for _ in PARTS_COLUMNS]
    cells[_PLACES["Description"]] = Cell(words, "bold text")
    cells[_PLACES[_EXTENDED_TITLE]] = Cell(total, "bold money")
    return cells


def import_rows(bill: Bill) -> list[list[str | int | float]]:
    """Return what is bought as plain rows, titles first: no formulas, no totals, no merged cells; spares last."""
    titles: list[str | int | float] = [*IMPORT_COLUMNS, priced_title(LIST_PRICE_TITLE, bill.currency)]
    return [titles, *(_import_row(line) for line in (*bill.lines, *bill.spares))]


def _import_row(line: BillLine) -> list[str | int | float]:
    words = (line.description, line.size, line.ends, line.material, line.standard, line.group)
    return [line.item_id, line.quantity, line.unit, *words, line.unit_price_cents / 100]


def import_sheet(book: Book, bill: Bill) -> None:
    """Write the plain rows for a store's own program."""
    sheet = book.sheet(IMPORT_SHEET, (30, 5.5, 8, 44, 13, 20, 10, 16, 15, 11), landscape=True)
    titles, *rows = import_rows(bill)
    head = sheet.column_titles([str(title) for title in titles], numbers=(QUANTITY_TITLE, str(titles[-1])))
    for row in rows:
        cells = [Cell(value) if isinstance(value, str) else number(value) for value in row[:-1]]
        sheet.write([*cells, number(float(row[-1]), "money")])
    sheet.worksheet.freeze_panes(head + 1, 0)
    sheet.worksheet.repeat_rows(head)


def import_csv(bill: Bill) -> str:
    """Return the plain rows as CSV. A text that a spreadsheet would take for a formula gets an apostrophe before it."""
    import csv
    import io

    memory = io.StringIO()
    writer = csv.writer(memory, lineterminator="\r\n")
    for row in import_rows(bill):
        writer.writerow(
            [_harmless(value) if isinstance(value, str) else value for value in row[:-1]] + [_price(row[-1])]
        )
    return memory.getvalue()


def _price(value: str | int | float) -> str:
    return value if isinstance(value, str) else f"{value:.2f}"


def _harmless(text: str) -> str:
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


__all__ = ["IMPORT_SHEET", "PARTS_COLUMNS", "PARTS_SHEET", "import_csv", "import_rows", "import_sheet", "parts_sheet"]
