"""The sheet that goes to the store: who orders, what to buy, an empty column for its price that the totals follow."""

from __future__ import annotations

import string

from optimizer.documents.sheet_kit import TIGHT_MARGINS, Book, Cell, Formula, Sheet, number
from optimizer.model.bill import Bill, BillLine
from optimizer.model.quote import (
    ITEM_TITLE,
    LIST_PRICE_TITLE,
    QUANTITY_TITLE,
    STORE_PART_TITLE,
    STORE_PRICE_TITLE,
    priced_title,
)
from optimizer.units import show_rating
from optimizer.wording.notes import note_words

ORDER_SHEET = "Order"
_EXTENDED_TITLE, STOCK_TITLE, _WHERE_TITLE = "Extended price", "In stock", "Where used"
_ASK = (
    "Pressure fittings, not drain (DWV) fittings.{stronger} An NPT thread never takes the place of a BSP thread, nor "
    "the other way round. No metal parts but titanium in a reef. Ask before any other substitution: sizes and ends "
    "must be as written."
)
_STRONGER = (("sch ", "Schedule 80 in place of schedule 40"), (" PN1", "PN16 in place of PN10"))
PRICES = (
    "List prices are {whose}; write the store's price beside them and the totals follow. A price that is not a number "
    "(such as “ask”) counts as the list price."
)

# Column titles of the order with their widths; the order is the order on the sheet.
ORDER_COLUMNS = {
    QUANTITY_TITLE: 5.0,
    "Unit": 6.5,
    "Size": 10.5,
    "What": 27.0,
    "Ends": 17.0,
    "Standard": 11.0,
    "Material, rating": 12.5,
    LIST_PRICE_TITLE: 8.5,
    STORE_PRICE_TITLE: 9.5,
    _EXTENDED_TITLE: 9.5,
    STOCK_TITLE: 6.0,
    _WHERE_TITLE: 16.0,
    STORE_PART_TITLE: 10.0,
    ITEM_TITLE: 14.0,
}
IMPORT_COLUMNS = (ITEM_TITLE, QUANTITY_TITLE, "Unit", "Description", "Size", "Ends", "Material", "Standard", "Group")
_PRICED = (LIST_PRICE_TITLE, STORE_PRICE_TITLE, _EXTENDED_TITLE)
_PLACES = {title: place for place, title in enumerate(ORDER_COLUMNS)}
_LETTERS = dict(zip(ORDER_COLUMNS, string.ascii_uppercase, strict=False))
_QTY, _LIST, _STORE, _EXTENDED = (_LETTERS[title] for title in (QUANTITY_TITLE, *_PRICED))
_ONE_PAGE = 0.55  # print scaled down to this is still read across a counter; a longer order takes more pages
_ANY_PRICE = {
    "validate": "decimal",
    "criteria": ">=",
    "value": 0,
    "ignore_blank": True,
    "error_type": "warning",
    "error_title": "Price of one",
    "error_message": "A plain number in the currency of the column, such as 4.99. Anything else counts as no price.",
}


def order_titles(currency: str) -> list[str]:
    """Return the column titles as they stand on the sheet: those of prices with their currency."""
    return [priced_title(title, currency) if title in _PRICED else title for title in ORDER_COLUMNS]


def ask_words(bill: Bill) -> str:
    """Return what the store may give in place of what is written, and what not, for the pipe that is bought."""
    told = " ".join(line.description for line in (*bill.lines, *bill.spares))
    stronger = [words for classes, words in _STRONGER if classes in told]
    return _ASK.format(stronger=f" {' and '.join(stronger)} is fine." if stronger else "")


def order_sheet(book: Book, bill: Bill, title: str = ORDER_SHEET, at: str = "") -> Formula:
    """Write what to buy and return a formula that fetches its total from another sheet.

    `at` says where it is bought, if not all of it at one store.
    """
    sheet = book.sheet(title, tuple(ORDER_COLUMNS.values()), landscape=True, margins=TIGHT_MARGINS)
    if at:
        sheet.paragraph(at, "strong")
    _who(sheet)
    sheet.paragraph(ask_words(bill), "strong")
    numbers = (QUANTITY_TITLE, *(priced_title(title, bill.currency) for title in _PRICED))
    head = sheet.column_titles(order_titles(bill.currency), numbers=numbers)
    for line in bill.lines:
        _line(sheet, line)
    first, last = head + 2, sheet.row
    sheet.worksheet.freeze_panes(head + 1, 0)
    sheet.worksheet.repeat_rows(head)
    sheet.worksheet.autofilter(head, 0, max(sheet.row - 1, head), len(ORDER_COLUMNS) - 1)
    total_row = sheet.write(_sum_row(f"Total, {bill.currency}", bill.total_cents, first, last, _filled(bill, first)))
    if bill.spares:
        _spares(sheet, bill, total_row + 1)
    sheet.paragraph(PRICES.format(whose="those of the store's list" if at else "this program's"), "small")
    sheet.pages = 1
    if sheet.scale < _ONE_PAGE:
        sheet.pages = 0
    return Formula(f"='{title}'!{_EXTENDED}{total_row + 1}", bill.total_cents / 100)


def _who(sheet: Sheet) -> None:
    """Write lines for who orders and when it is fetched."""
    asked = (("Name", 2, 2), ("Phone", 1, 2), ("Date", 1, 2), ("Pick-up", 1, 3))
    cells = []
    for words, wide, blank in asked:
        cells += [Cell(words, "bold text", span=wide), Cell(None, "to fill in", span=blank)]
    sheet.write(cells, _WHO_POINTS)
    sheet.skip()


_WHO_POINTS = 20.0  # room to write by hand


def _spares(sheet: Sheet, bill: Bill, total_row: int) -> None:
    """Write the spare pieces under the total of the plan; `total_row` is that row's own number."""
    sheet.heading("Spares, optional: one of each saves a second trip; cross out what you do not want")
    first = sheet.row + 1
    for line in bill.spares:
        _line(sheet, line)
    row = sheet.write(_sum_row("Spares", bill.spares_cents, first, sheet.row)) + 1
    both = Formula(f"={_EXTENDED}{total_row}+{_EXTENDED}{row}", (bill.total_cents + bill.spares_cents) / 100)
    sheet.write(_total_cells("Order and spares", both))


def _line(sheet: Sheet, line: BillLine) -> None:
    """Write one line; a price that the store has filled in counts in place of the list's."""
    row = sheet.row + 1
    price = f'IF({_STORE}{row}="",{_LIST}{row},IFERROR(VALUE({_STORE}{row}),{_LIST}{row}))'
    extended = Formula(f"={_QTY}{row}*{price}", line.extended_cents / 100)
    rating = f", {show_rating(line.rating_pa, sheet.book.units)}" if line.rating_pa else ""
    cells = [
        number(line.quantity, "bold whole"),
        Cell(line.unit, "center"),
        Cell(line.size, "bold text"),
        Cell(item_words(line)),
        Cell(line.ends),
        Cell(line.standard),
        Cell(f"{line.material}{rating}"),
        number(line.unit_price_cents / 100, "money"),
        Cell(None, "money to fill in"),
        Cell(extended, "money"),
        Cell("☐", "center"),
        Cell("; ".join(text for text in (line.where_used, note_of(line, sheet.book.units)) if text), "small text"),
        Cell(None, "to fill in"),
        Cell(line.item_id, "small text"),
    ]
    sheet.worksheet.data_validation(
        sheet.row, _PLACES[STORE_PRICE_TITLE], sheet.row, _PLACES[STORE_PRICE_TITLE], _ANY_PRICE
    )
    sheet.write(cells, _LINE_POINTS)


def note_of(line: BillLine, units: str) -> str:
    """Return what is noted on a line, in words."""
    return note_words(line.note, units) if line.note is not None else ""


def item_words(line: BillLine) -> str:
    """Return the words for an item without its size and its ends, which have columns of their own."""
    words = line.description.removesuffix(f", {line.ends}")
    size = line.size.replace(" in", " in.") if line.size.endswith(" in") else line.size
    return words.removeprefix(f"{size} ")


_LINE_POINTS = 17.0  # room for a price in handwriting


def _filled(bill: Bill, first: int) -> Cell:
    """Return how many lines the store has priced."""
    count = len(bill.lines)
    if not count:
        return Cell(None, span=_FILLED_SPAN)
    cells = f"{_STORE}{first}:{_STORE}{first + count - 1}"
    text = f'=SUMPRODUCT(({cells}<>"")*ISNUMBER(VALUE({cells})))&" of {count} priced"'
    return Cell(Formula(text, f"0 of {count} priced"), "bold text", span=_FILLED_SPAN)


_FILLED_SPAN = 2  # columns that the words take


def _sum_row(words: str, cents: int, first: int, last: int, filled: Cell | None = None) -> list[Cell]:
    cells = _total_cells(words, Formula(f"=SUM({_EXTENDED}{first}:{_EXTENDED}{max(first, last)})", cents / 100))
    if filled is not None:
        place = _PLACES[LIST_PRICE_TITLE]
        cells[place : place + filled.span] = [filled]
    return cells


def _total_cells(words: str, total: Formula) -> list[Cell]:
    cells = [Cell(None) for _ in ORDER_COLUMNS]
    cells[_PLACES["What"]] = Cell(words, "bold text")
    cells[_PLACES[_EXTENDED_TITLE]] = Cell(total, "bold money")
    return cells


def import_rows(bill: Bill) -> list[list[str | int | float]]:
    """Return what is bought as plain rows, titles first: no formulas, no totals, no merged cells; spares last."""
    titles: list[str | int | float] = [*IMPORT_COLUMNS, priced_title(LIST_PRICE_TITLE, bill.currency)]
    return [titles, *(_import_row(line) for line in (*bill.lines, *bill.spares))]


def _import_row(line: BillLine) -> list[str | int | float]:
    words = (line.description, line.size, line.ends, line.material, line.standard, line.group)
    return [line.item_id, line.quantity, line.unit, *words, line.unit_price_cents / 100]


def import_csv(bill: Bill) -> str:
    """Return the plain rows as CSV. A text that a spreadsheet would take for a formula gets an apostrophe before it."""
    import csv
    import io

    memory = io.StringIO()
    writer = csv.writer(memory, lineterminator="\r\n")
    for row in import_rows(bill):
        writer.writerow(
            [harmless(value) if isinstance(value, str) else value for value in row[:-1]] + [_price(row[-1])]
        )
    return memory.getvalue()


def _price(value: str | int | float) -> str:
    return value if isinstance(value, str) else f"{value:.2f}"


def harmless(text: str) -> str:
    """Return a text for a CSV cell: one that a spreadsheet would take for a formula gets an apostrophe before it."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text
