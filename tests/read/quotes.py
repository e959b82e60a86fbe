"""A parts list as the program writes it, and ways to fill it in. Items and prices are those of the shipped example."""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import openpyxl
import planned_examples
from openpyxl.worksheet.worksheet import Worksheet

from optimizer import pipeline
from optimizer.documents.workbook import workbook_bytes
from optimizer.model.catalog import Catalog
from optimizer.model.outcome import PlanReport
from optimizer.model.quote import ITEM_TITLE, QUANTITY_TITLE, STORE_PRICE_TITLE
from optimizer.read.places import data_directory
from optimizer.read.quote import Asked

EXAMPLE = data_directory("examples") / "single-return.yaml"
PARTS = "Order"


def planned() -> tuple[PlanReport, Catalog]:
    return planned_examples.searched(EXAMPLE.stem)


@cache
def written() -> bytes:
    report, catalog = planned()
    return workbook_bytes(report, taken=pipeline.take_off(report, catalog, ports=False))


@cache
def order_alone() -> bytes:
    """Return the same without what no price stands in: the pages to build from take long to load and to save."""
    book = openpyxl.load_workbook(io.BytesIO(written()))
    for name in book.sheetnames:
        if name not in ("Answer", PARTS):
            del book[name]
    saved = io.BytesIO()
    book.save(saved)
    return saved.getvalue()


def asked() -> dict[str, Asked]:
    bill = planned()[0].bill
    lines = {line.item_id: Asked(line.quantity, line.unit_price_cents) for line in bill.lines}
    return lines | {line.item_id: Asked(line.quantity, line.unit_price_cents, spare=True) for line in bill.spares}


def head(sheet: Worksheet) -> int:
    """Return the row of the titles."""
    return next(row for row in range(1, sheet.max_row + 1) if sheet.cell(row, 1).value == QUANTITY_TITLE)


def titles(sheet: Worksheet) -> dict[str, int]:
    """Return the columns of a sheet by their titles, from 1; without the currency behind them."""
    return {str(cell.value).split(" (")[0]: cell.column for cell in sheet[head(sheet)] if cell.value}


def rows(sheet: Worksheet) -> dict[str, int]:
    """Return the rows of a parts list by item number."""
    column = titles(sheet)[ITEM_TITLE]
    found = ((sheet.cell(row, column).value, row) for row in range(head(sheet) + 1, sheet.max_row + 1))
    return {str(item): row for item, row in found if item}


def price_cell(sheet: Worksheet, item: str) -> Any:
    return sheet.cell(rows(sheet)[item], titles(sheet)[STORE_PRICE_TITLE])


def filled(
    tmp_path: Path, change: Callable[[openpyxl.Workbook], None], name: str = "quote.xlsx", *, whole: bool = False
) -> Path:
    """Return the (whole) workbook with every line priced at its list price, then changed and saved."""
    path = tmp_path / name
    book = openpyxl.load_workbook(io.BytesIO(written() if whole else order_alone()))
    sheet = book[PARTS]
    for item, line in asked().items():
        price_cell(sheet, item).value = line.list_cents / 100
    change(book)
    book.save(path)
    return path
