"""A filled-in parts list is read by item number and title; what is wrong with it is said by cell."""

from __future__ import annotations

import io
import shutil
import subprocess
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import openpyxl
import pytest
from openpyxl.chart import BarChart
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet
from quotes import PARTS, asked, filled, head, order_alone, planned, price_cell, rows, titles

from optimizer import pipeline
from optimizer.errors import InputError
from optimizer.model.quote import ITEM_TITLE, QUANTITY_TITLE, STORE_PART_TITLE, STORE_PRICE_TITLE, Quote
from optimizer.read.quote import load_quote
from optimizer.takeoff.requote import at_quote

ELBOW, CEMENT = "sch40-elbow-100", "cement-quarter-pint"
Change = Callable[[openpyxl.Workbook], None]


def read(path: Path) -> Quote:
    return load_quote(path, "USD", asked())


def same(book: openpyxl.Workbook) -> None:
    pass


def price(item: str, value: object) -> Change:
    def change(book: openpyxl.Workbook) -> None:
        price_cell(book[PARTS], item).value = value

    return change


def test_every_price_comes_back_to_the_cent(tmp_path: Path) -> None:
    quote = read(filled(tmp_path, same, whole=True))

    assert {item: one.cents for item, one in quote.prices.items()} == {
        item: line.list_cents for item, line in asked().items()
    }
    assert quote.remarks == ()


def test_the_total_of_the_plan_follows_the_store(tmp_path: Path) -> None:
    quote = read(filled(tmp_path, price(ELBOW, 3.49)))
    bill = planned()[0].bill

    # two elbows at 3.49 in place of 0.99
    assert at_quote(bill, quote).total_cents == bill.total_cents + 2 * (349 - 99)


def test_moved_rows_added_columns_and_another_order_of_sheets_survive(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        sheet = book[PARTS]
        below = head(sheet) + 3
        for merged in list(sheet.merged_cells.ranges):
            sheet.unmerge_cells(str(merged))
        sheet.insert_cols(1, 2)
        sheet.insert_rows(1, 3)
        place = titles_at(sheet, below)
        first, last = below + 1, below + len(planned()[0].bill.lines)
        for column in range(1, sheet.max_column + 1):
            one, other = sheet.cell(first, column), sheet.cell(last, column)
            one.value, other.value = other.value, one.value
        assert place[ITEM_TITLE] > 3
        sheet.title = "Quotation 4711"
        book.move_sheet(sheet, 4)
        book.create_sheet("Terms", 0)["A1"] = "30 days net"

    quote = read(filled(tmp_path, change))

    assert {item: one.cents for item, one in quote.prices.items()} == {
        item: line.list_cents for item, line in asked().items()
    }


def titles_at(sheet: openpyxl.worksheet.worksheet.Worksheet, row: int) -> dict[str, int]:
    return {str(cell.value).split(" (")[0]: cell.column for cell in sheet[row] if cell.value}


def test_the_store_s_own_part_number_comes_back(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        sheet = book[PARTS]
        sheet.cell(rows(sheet)[ELBOW], titles(sheet)[STORE_PART_TITLE]).value = 40017

    assert read(filled(tmp_path, change)).prices[ELBOW].part_number == "40017"


def test_prices_that_are_not_odd_at_the_edge_pass_without_a_word(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        price_cell(book[PARTS], ELBOW).value = 5 * 0.99
        price_cell(book[PARTS], CEMENT).value = 1.10  # a fifth of 5.49 is 1.098

    assert read(filled(tmp_path, change)).remarks == ()


def remark_of(tmp_path: Path, change: Change) -> str:
    (remark,) = read(filled(tmp_path, change)).remarks
    return remark


def cell(item: str, title: str = STORE_PRICE_TITLE) -> str:
    sheet = asked_book()[PARTS]
    return f"{get_column_letter(titles(sheet)[title])}{rows(sheet)[item]}"


def asked_book() -> openpyxl.Workbook:
    return openpyxl.load_workbook(io.BytesIO(order_alone()))


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (None, f"no price for {ELBOW}; the list price counts, 0.99"),
        ("   ", f"no price for {ELBOW}; the list price counts, 0.99"),
        ("ask", f"no price for {ELBOW}, 'ask'; the list price counts, 0.99"),
        (" N/A", f"no price for {ELBOW}, 'N/A'; the list price counts, 0.99"),
        (4.96, f"4.96 for {ELBOW} is more than 5 times the list price, 0.99; it counts as it stands"),
        (0.19, f"0.19 for {ELBOW} is under one part in 5 of the list price, 0.99; it counts as it stands"),
        (1.234, "1.234 is taken as 1.23"),
    ],
)
def test_missing_and_odd_prices_are_reported_by_cell(tmp_path: Path, value: object, words: str) -> None:
    assert remark_of(tmp_path, price(ELBOW, value)) == f"quote.xlsx, Order!{cell(ELBOW)}: {words}"


def test_a_row_that_was_left_out_is_reported(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        book[PARTS].delete_rows(rows(book[PARTS])[ELBOW])

    assert remark_of(tmp_path, change) == f"quote.xlsx: no row for {ELBOW}; the list price counts, 0.99"


def test_another_quantity_is_reported_and_the_plan_s_counts(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        sheet = book[PARTS]
        sheet.cell(rows(sheet)[ELBOW], titles(sheet)[QUANTITY_TITLE]).value = 5

    place = cell(ELBOW, QUANTITY_TITLE)
    assert remark_of(tmp_path, change) == f"quote.xlsx, Order!{place}: quantity 5 of {ELBOW}; the plan takes 2"


def test_a_price_in_a_row_of_the_store_s_own_is_reported_and_not_counted(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        sheet = book[PARTS]
        sheet.cell(sheet.max_row + 2, titles(sheet)[STORE_PRICE_TITLE]).value = 15

    assert remark_of(tmp_path, change).endswith(": 15 in a row without an item number is not counted")


def another_row(item: str) -> Change:
    def change(book: openpyxl.Workbook) -> None:
        sheet = book[PARTS]
        row = sheet.max_row + 1
        sheet.cell(row, titles(sheet)[ITEM_TITLE]).value = item
        sheet.cell(row, titles(sheet)[STORE_PRICE_TITLE]).value = 1.5

    return change


def title(words: str) -> Change:
    def change(book: openpyxl.Workbook) -> None:
        sheet = book[PARTS]
        sheet.cell(head(sheet), titles(sheet)[STORE_PRICE_TITLE]).value = words

    return change


def shown_as(number_format: str) -> Change:
    def change(book: openpyxl.Workbook) -> None:
        price_cell(book[PARTS], ELBOW).number_format = number_format

    return change


def copied(book: openpyxl.Workbook) -> None:
    book.copy_worksheet(book[PARTS]).title = "Order 2"


def charts_alone(book: openpyxl.Workbook) -> None:
    book.create_chartsheet("Chart").add_chart(BarChart())
    for sheet in book.worksheets:
        book.remove(sheet)


def other_items(book: openpyxl.Workbook) -> None:
    sheet = book[PARTS]
    for row in rows(sheet).values():
        sheet.cell(row, titles(sheet)[ITEM_TITLE]).value = None


PRICE_ALLOWED = "allowed: a plain number above 0, or an empty cell: then the list price counts"
RANGE_ALLOWED = "allowed: a price from 0.01 to 100,000,000"
TITLE_ALLOWED = "allowed: Store's unit price (USD): nothing converts money"
MONEY_ALLOWED = "allowed: prices in USD: nothing converts money"
NOT_BOUGHT = "; where nothing is bought there is none to fill in"
COLUMNS_ALLOWED = "allowed: one sheet with the columns 'Item no.' and \"Store's unit price (USD)\""
AT = "{cell}"
DAMAGED: list[tuple[str, Change, str]] = [
    ("text", price(ELBOW, "about one"), f"{AT}: found the text 'about one'; {PRICE_ALLOWED}"),
    ("sign", price(ELBOW, "$1.29"), f"{AT}: found the text '$1.29'; {PRICE_ALLOWED}; did you mean 1.29?"),
    ("comma", price(ELBOW, "1,29"), f"{AT}: found the text '1,29'; {PRICE_ALLOWED}; did you mean 1.29?"),
    ("number as text", price(ELBOW, "2"), f"{AT}: found the text '2'; {PRICE_ALLOWED}; did you mean 2?"),
    ("euro text", price(ELBOW, "1.29 €"), f"{AT}: found a price shown in EUR; {MONEY_ALLOWED}"),
    ("pound text", price(ELBOW, "GBP 1"), f"{AT}: found a price shown in GBP; {MONEY_ALLOWED}"),
    (
        "digits of full width",
        price(ELBOW, "１.29"),
        f"{AT}: found the text '１.29'; {PRICE_ALLOWED}; did you mean 1.29?",
    ),
    ("time", price(ELBOW, timedelta(hours=1)), f"{AT}: found the time 01:00:00; {PRICE_ALLOWED}"),
    ("date", price(ELBOW, datetime(2026, 1, 29)), f"{AT}: found the date 2026-01-29; {PRICE_ALLOWED}"),
    (
        "no end of digits",
        price(ELBOW, "9" * 300),
        f"{AT}: found a text of 300 characters that begins with '{'9' * 40}'; {PRICE_ALLOWED}",
    ),
    ("minus as text", price(ELBOW, "-1.29"), f"{AT}: found the text '-1.29'; {PRICE_ALLOWED}"),
    ("negative", price(ELBOW, -1.29), f"{AT}: found the price -1.29; {RANGE_ALLOWED}"),
    ("yes", price(ELBOW, True), f"{AT}: found True; {PRICE_ALLOWED}"),
    ("error value", price(ELBOW, "#REF!"), f"{AT}: found the text '#REF!'; {PRICE_ALLOWED}"),
    (
        "formula",
        price(ELBOW, "=0.99*1.1"),
        f"{AT}: found the formula =0.99*1.1 without a stored result; allowed: a number; open the file in a spreadsheet "
        "program and save it, so that the result is stored",
    ),
    ("euro title", title("Store's unit price (EUR)"), f"{{head}}: found prices in 'EUR'; {TITLE_ALLOWED}"),
    ("lower case", title("Store's unit price (usd)"), f"{{head}}: found prices in 'usd'; {TITLE_ALLOWED}"),
    ("unknown", title("Store's unit price (coins)"), f"{{head}}: found prices in 'coins'; {TITLE_ALLOWED}"),
    (
        "no currency",
        title("Store's unit price"),
        f"{{head}}: found prices whose currency the title does not say; {TITLE_ALLOWED}",
    ),
    ("euro cell", shown_as("#,##0.00\\ [$€-407]"), f"{AT}: found a price shown in EUR; {MONEY_ALLOWED}"),
    ("franc cell", shown_as('#,##0.00 "CHF"'), f"{AT}: found a price shown in CHF; {MONEY_ALLOWED}"),
    (
        "doubled",
        another_row(ELBOW),
        f"{{extra}}: found a second row of the same item; allowed: one price of {ELBOW}; the other one is in {{short}}",
    ),
    (
        "unknown item",
        another_row("sch40-elbow-101"),
        "{extra_item}: found the unknown item number 'sch40-elbow-101'; allowed: an item number of the parts list, or "
        "an empty cell in a row of the store's own; did you mean sch40-elbow-100?",
    ),
    (
        "no title",
        title("Price"),
        f"quote.xlsx: found no such columns on the sheets {{sheets}}; {COLUMNS_ALLOWED}{NOT_BOUGHT}",
    ),
    ("no cells", charts_alone, f"quote.xlsx: found a workbook without a sheet of cells; {COLUMNS_ALLOWED}"),
    ("copied", copied, f"quote.xlsx: found a parts list on Order and Order 2; {COLUMNS_ALLOWED}"),
    (
        "no item numbers",
        other_items,
        "{item_head}: found no item number that this plan knows under it; allowed: item numbers of the plan's parts "
        f"list, such as {', '.join(list(asked())[:3])}",
    ),
]


@pytest.mark.parametrize(("change", "message"), [row[1:] for row in DAMAGED], ids=[row[0] for row in DAMAGED])
def test_a_damaged_quote_is_refused_with_its_cell(tmp_path: Path, change: Change, message: str) -> None:
    book = asked_book()
    sheet = book[PARTS]
    columns = {name: get_column_letter(place) for name, place in titles(sheet).items()}
    before = f"quote.xlsx, {PARTS}!"
    places = {
        "sheets": ", ".join(book.sheetnames),
        "cell": before + cell(ELBOW),
        "short": cell(ELBOW),
        "head": f"{before}{columns[STORE_PRICE_TITLE]}{head(sheet)}",
        "item_head": f"{before}{columns[ITEM_TITLE]}{head(sheet)}",
        "extra": f"{before}{columns[STORE_PRICE_TITLE]}{sheet.max_row + 1}",
        "extra_item": f"{before}{columns[ITEM_TITLE]}{sheet.max_row + 1}",
    }

    with pytest.raises(InputError) as caught:
        read(filled(tmp_path, change))

    assert str(caught.value) == message.format(**places)


def test_all_faults_of_a_quote_come_at_once(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        price_cell(book[PARTS], ELBOW).value = "about one"
        price_cell(book[PARTS], CEMENT).value = -1

    with pytest.raises(InputError) as caught:
        read(filled(tmp_path, change))

    assert len(caught.value.faults) == 2


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 broken", b"item,price\n"])
def test_what_is_no_workbook_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "quote.xlsx"
    path.write_bytes(content)

    with pytest.raises(InputError, match="no workbook that can be read"):
        read(path)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone\.xlsx: found no such file"):
        read(tmp_path / "gone.xlsx")


@pytest.mark.long
def test_a_store_s_prices_can_make_another_plan_the_cheapest(tmp_path: Path) -> None:
    report, catalog = planned()
    dear = filled(tmp_path, price("sch40-reducing-coupling-100x075", 9.0))

    requoted = pipeline.requote(report, pipeline.read_quote(dear, report, catalog), catalog)

    (line,) = (line for line in report.bill.lines if line.item_id == "sch40-reducing-coupling-100x075")
    assert requoted.bill.total_cents == report.bill.total_cents + line.quantity * (900 - 119)
    assert requoted.other.verification.passed
    assert requoted.other.bill.total_cents < requoted.bill.total_cents


@pytest.mark.long
def test_unchanged_prices_find_the_same_plan_again(tmp_path: Path) -> None:
    report, catalog = planned()

    requoted = pipeline.requote(report, pipeline.read_quote(filled(tmp_path, same), report, catalog), catalog)

    assert requoted.bill.total_cents == report.bill.total_cents == requoted.other.bill.total_cents


def recalculated(path: Path, folder: Path) -> openpyxl.Workbook:
    """Return the workbook as a spreadsheet program saves it, with the values that it works out."""
    home = (folder / "home").as_uri()
    command = [
        "soffice",
        f"-env:UserInstallation={home}",
        "--headless",
        "--convert-to",
        "xlsx",
        "--outdir",
        str(folder),
    ]
    subprocess.run([*command, str(path)], check=True, capture_output=True, timeout=180)
    return openpyxl.load_workbook(folder / path.name, data_only=True)


def row_where(sheet: Worksheet, column: int, words: str) -> int:
    return next(row for row in range(1, sheet.max_row + 1) if str(sheet.cell(row, column).value).startswith(words))


def total_of(sheet: Worksheet) -> object:
    return sheet.cell(row_where(sheet, 4, "Total, "), titles(sheet)["Extended price"]).value


no_program = pytest.mark.skipif(shutil.which("soffice") is None, reason="no spreadsheet program on this machine")


@pytest.mark.slow
@no_program
def test_a_workbook_saved_by_a_spreadsheet_program_comes_back(tmp_path: Path) -> None:
    saved = tmp_path / "saved"
    sheet = recalculated(filled(tmp_path, price(ELBOW, 3.49)), saved)[PARTS]

    quote = read(saved / "quote.xlsx")

    assert quote.prices[ELBOW].cents == 349
    assert quote.remarks == ()
    total = at_quote(planned()[0].bill, quote).total_cents / 100
    assert total_of(sheet) == pytest.approx(total)  # its own arithmetic agrees


@pytest.mark.long
@no_program
def test_words_pasted_text_and_empty_cells_among_the_prices_leave_the_total_right(tmp_path: Path) -> None:
    lines = planned()[0].bill.lines
    ids = [line.item_id for line in lines]
    pasted = {ids[0]: "ask", ids[1]: "4.25", ids[2]: 1.5}  # the others stay empty
    counted = {ids[1]: 425, ids[2]: 150}

    def change(book: openpyxl.Workbook) -> None:
        for item in asked():
            price_cell(book[PARTS], item).value = pasted.get(item)
            price_cell(book[PARTS], item).data_type = "s" if isinstance(pasted.get(item), str) else "n"

    book = recalculated(filled(tmp_path, change), tmp_path / "saved")
    sheet, answer = book[PARTS], book["Answer"]

    total = sum(line.quantity * counted.get(line.item_id, line.unit_price_cents) for line in lines) / 100
    assert total_of(sheet) == pytest.approx(total)
    assert answer.cell(row_where(answer, 1, "Store total"), 2).value == pytest.approx(total)
    assert sheet.cell(row_where(sheet, 4, "Total, "), 8).value == f"2 of {len(lines)} priced"
