"""The workbook of a real plan with its take-off: every sheet, the store's columns, plain rows; the price command."""

from __future__ import annotations

import csv
import io
import json
from functools import cache
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner, Result

from optimizer import pipeline
from optimizer.cli import main
from optimizer.documents.parts_sheet import import_csv, import_rows
from optimizer.documents.workbook import workbook_bytes
from optimizer.model.outcome import PlanReport
from optimizer.read.places import data_directory
from optimizer.takeoff.take_off import TakeOff

FILE = str(data_directory("examples") / "single-return.yaml")
SHEETS = [
    *("Summary", "Parts list", "Cut list", "Adapters", "Work order"),
    *("Take-out", "Flow check", "Assumptions and cautions", "For import"),
]


@cache
def planned() -> tuple[PlanReport, TakeOff]:
    system, catalog = pipeline.read(FILE)
    report = pipeline.plan(system, catalog)
    return report, pipeline.take_off(report, catalog)


@cache
def opened(values: bool = False) -> openpyxl.Workbook:
    report, taken = planned()
    return openpyxl.load_workbook(io.BytesIO(workbook_bytes(report, taken=taken)), data_only=values)


def retrofit(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


def test_the_sheets_stand_in_the_order_of_the_work() -> None:
    assert [name for name in opened().sheetnames if name in SHEETS] == SHEETS


def test_the_work_order_has_every_step_with_a_box_to_tick() -> None:
    rows = [row for row in opened()["Work order"].iter_rows(min_row=3, values_only=True) if row[0] == "☐"]

    assert [(row[2], row[3]) for row in rows] == [
        (step.kind, step.text) for work in planned()[1].work for step in work.steps
    ]


def test_spares_stand_under_the_total_with_sums_of_their_own() -> None:
    bill = planned()[0].bill
    sheet = opened(values=True)["Parts list"]
    sums = {row[3]: row[10] for row in sheet.iter_rows(values_only=True) if row[10] is not None and row[13] is None}

    assert sums["Total, USD"] == pytest.approx(bill.total_cents / 100)
    assert sums["Spares"] == pytest.approx(bill.spares_cents / 100)
    assert sums["Plan and spares"] == pytest.approx((bill.total_cents + bill.spares_cents) / 100)


def test_the_summary_s_total_is_that_of_the_parts_list() -> None:
    bill = planned()[0].bill
    texts = {cell for row in opened(values=True)["Summary"].iter_rows(values_only=True) for cell in row if cell}

    assert bill.total_cents / 100 in texts


def test_only_prices_of_nothing_or_more_can_be_typed_in() -> None:
    (rule,) = {(one.type, one.operator, one.formula1) for one in opened()["Parts list"].data_validations.dataValidation}

    assert rule == ("decimal", "greaterThanOrEqual", "0")


def test_plain_rows_hold_every_line_and_no_formula() -> None:
    bill = planned()[0].bill
    titles, *rows = import_rows(bill)

    assert [(row[0], row[1], row[-1]) for row in rows] == [
        (line.item_id, line.quantity, line.unit_price_cents / 100) for line in (*bill.lines, *bill.spares)
    ]
    cells = [cell for row in opened()["For import"].iter_rows(values_only=True) for cell in row]
    assert not any(isinstance(cell, str) and cell.startswith("=") for cell in cells)
    assert len(cells) == len(titles) * (len(rows) + 1)


def test_the_csv_reads_back_and_a_text_like_a_formula_is_made_harmless() -> None:
    from dataclasses import replace

    bill = planned()[0].bill
    risky = replace(bill, lines=(replace(bill.lines[0], description='=HYPERLINK("x")'), *bill.lines[1:]))
    rows = list(csv.reader(io.StringIO(import_csv(risky))))

    assert len(rows) == 1 + len(bill.lines) + len(bill.spares)
    assert rows[1][3] == '\'=HYPERLINK("x")'


def test_plan_writes_the_plain_rows_and_leaves_out_spares_when_told(tmp_path: Path) -> None:
    target = tmp_path / "store.csv"

    result = retrofit("plan", FILE, "--no-spares", "--store-csv", str(target))

    assert result.exit_code == 0, result.output
    assert "Spare pieces" not in result.stdout
    assert "(spare)" not in target.read_text(encoding="utf-8-sig")
    assert retrofit("plan", FILE, "--store-csv", str(target)).exit_code == 2  # it is there already


def test_the_price_command_says_what_the_plan_costs_and_what_would_be_cheaper(tmp_path: Path) -> None:
    quote, better = tmp_path / "quote.xlsx", tmp_path / "better.xlsx"
    assert retrofit("plan", FILE, "-o", str(quote)).exit_code == 0
    book = openpyxl.load_workbook(quote)
    sheet = book["Parts list"]
    (row,) = [row[0].row for row in sheet.iter_rows() if row[13].value == "sch40-reducing-coupling-100x075"]
    sheet.cell(row, 9).value = 9.0
    book.save(quote)

    result = retrofit("price", FILE, str(quote), "-o", str(better))
    data = json.loads(retrofit("price", FILE, str(quote), "--json").stdout)

    bill = planned()[0].bill
    assert result.exit_code == 0, result.output
    assert data["quoted_total_cents"] == bill.total_cents + 3 * (900 - 119)
    assert data["saved_cents"] == data["quoted_total_cents"] - data["cheapest_total_cents"] > 0
    assert f"which saves ${data['saved_cents'] / 100:.2f}" in result.stdout
    assert "is more than 5 times the list price" in result.stdout
    assert openpyxl.load_workbook(better).sheetnames == book.sheetnames


def test_the_price_command_refuses_a_damaged_quote_by_cell(tmp_path: Path) -> None:
    quote = tmp_path / "quote.xlsx"
    retrofit("plan", FILE, "-o", str(quote))
    book = openpyxl.load_workbook(quote)
    book["Parts list"]["I2"] = "ask"
    book.save(quote)

    result = retrofit("price", FILE, str(quote))

    assert result.exit_code == 2
    assert "quote.xlsx, Parts list!I2: found the text 'ask'; allowed: a plain number above 0" in result.stderr
    assert result.stdout == ""
