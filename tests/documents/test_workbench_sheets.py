"""The workbook of a real plan with its take-off: every sheet, the store's columns, plain rows; the price command."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from functools import cache
from itertools import combinations
from pathlib import Path

import openpyxl
import planned_examples
import pytest
from click.testing import CliRunner, Result
from openpyxl.worksheet.worksheet import Worksheet

from optimizer.cli import main
from optimizer.documents.build_words import before_words, closing_words, step_words, tools_words
from optimizer.documents.drawing.stick_strips import WIDTH as STRIP_PX
from optimizer.documents.drawing.stick_strips import strip_canvas
from optimizer.documents.order_sheet import ask_words, import_csv, import_rows
from optimizer.documents.sheet_kit import unbroken
from optimizer.documents.workbook import workbook_bytes
from optimizer.model.circuits import Feed
from optimizer.model.outcome import PlanReport
from optimizer.read.places import data_directory
from optimizer.takeoff.take_off import TakeOff
from optimizer.takeoff.work_order import WorkStep
from optimizer.units import show_cut, show_rating

FILE = str(data_directory("examples") / "single-return.yaml")


def planned() -> tuple[PlanReport, TakeOff]:
    return planned_examples.taken_off("single-return")


@cache
def opened(values: bool = False) -> openpyxl.Workbook:
    report, taken = planned()
    return openpyxl.load_workbook(io.BytesIO(workbook_bytes(report, taken=taken)), data_only=values)


def retrofit(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


def build_sheets() -> list[Worksheet]:
    return [sheet for sheet in opened() if sheet.title.startswith("Build")]


def test_answer_order_build_and_appendix_stand_in_this_order() -> None:
    names = [name.split()[0] for name in opened().sheetnames]

    assert list(dict.fromkeys(names)) == ["Answer", "Order", "Build", "Appendix"]


def test_the_build_sheets_have_every_step_with_a_box_to_tick() -> None:
    rows = [row for sheet in build_sheets() for row in sheet.iter_rows(values_only=True) if row[1] == "☐"]

    steps = [unbroken(step_words(step, "US")) for work in planned()[1].work for step in work.steps]

    assert [row[2] for row in rows] == steps
    assert not any(re.search(r"\d-\d+/", step) for step in steps)


def test_a_build_sheet_has_three_runs_at_most_and_prints_on_one_page() -> None:
    runs = {work.run for work in planned()[1].work}
    held = [[row[0] for row in sheet.iter_rows(values_only=True) if row[0] in runs] for sheet in build_sheets()]

    assert {run for page in held for run in page} == runs
    assert max(map(len, held)) <= 3
    for sheet in build_sheets():
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert (sheet.page_setup.fitToWidth or 1, sheet.page_setup.fitToHeight or 1) == (1, 1)


def test_the_last_build_sheet_ends_with_filling_the_power_test_and_a_line_to_sign() -> None:
    words = [str(row[0]) for row in build_sheets()[-1].iter_rows(values_only=True) if row[0]]

    assert "Done by" in words[-1]
    assert [any(part in text for text in words) for part in ("Fill slowly", "Cut the power", "cure")] == [True] * 3


def test_spares_stand_under_the_total_with_sums_of_their_own() -> None:
    bill = planned()[0].bill
    sheet = opened(values=True)["Order"]
    sums = {row[3]: row[9] for row in sheet.iter_rows(values_only=True) if row[9] is not None and row[13] is None}

    assert sums["Total, USD"] == pytest.approx(bill.total_cents / 100)
    assert sums["Spares"] == pytest.approx(bill.spares_cents / 100)
    assert sums["Order and spares"] == pytest.approx((bill.total_cents + bill.spares_cents) / 100)


def test_the_answer_s_total_is_that_of_the_order() -> None:
    bill = planned()[0].bill
    texts = {cell for row in opened(values=True)["Answer"].iter_rows(values_only=True) for cell in row if cell}

    assert bill.total_cents / 100 in texts


def test_a_price_that_is_no_number_is_warned_of_and_may_stay() -> None:
    (rule,) = {
        (one.type, one.operator, one.formula1, one.errorStyle)
        for one in opened()["Order"].data_validations.dataValidation
    }

    assert rule == ("decimal", "greaterThanOrEqual", "0", "warning")


def test_plain_rows_hold_every_line() -> None:
    bill = planned()[0].bill
    _, *rows = import_rows(bill)

    assert [(row[0], row[1], row[-1]) for row in rows] == [
        (line.item_id, line.quantity, line.unit_price_cents / 100) for line in (*bill.lines, *bill.spares)
    ]


def test_the_csv_reads_back_and_a_text_like_a_formula_is_made_harmless() -> None:
    from dataclasses import replace

    bill = planned()[0].bill
    risky = replace(bill, lines=(replace(bill.lines[0], description='=HYPERLINK("x")'), *bill.lines[1:]))
    rows = list(csv.reader(io.StringIO(import_csv(risky))))

    assert len(rows) == 1 + len(bill.lines) + len(bill.spares)
    assert rows[1][3] == '\'=HYPERLINK("x")'


@pytest.mark.long
def test_plan_writes_the_plain_rows_and_leaves_out_spares_when_told(tmp_path: Path) -> None:
    target = tmp_path / "store.csv"

    result = retrofit("plan", FILE, "--no-spares", "--store-csv", str(target))

    assert result.exit_code == 0, result.output
    assert "Spare pieces" not in result.stdout
    assert "(spare)" not in target.read_text(encoding="utf-8-sig")
    assert retrofit("plan", FILE, "--store-csv", str(target)).exit_code == 2  # it is there already


@pytest.mark.slow
def test_the_price_command_says_what_the_plan_costs_and_what_would_be_cheaper(tmp_path: Path) -> None:
    quote, better = tmp_path / "quote.xlsx", tmp_path / "better.xlsx"
    assert retrofit("plan", FILE, "-o", str(quote)).exit_code == 0
    book = openpyxl.load_workbook(quote)
    sheet = book["Order"]
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


@pytest.mark.slow
def test_the_price_command_refuses_a_damaged_quote_by_cell(tmp_path: Path) -> None:
    quote = tmp_path / "quote.xlsx"
    retrofit("plan", FILE, "-o", str(quote))
    book = openpyxl.load_workbook(quote)
    head = next(row for row in range(1, 20) if book["Order"].cell(row, 1).value == "Qty")
    book["Order"].cell(head + 1, 9).value = "about one"
    book.save(quote)

    result = retrofit("price", FILE, str(quote))

    assert result.exit_code == 2
    assert (
        f"quote.xlsx, Order!I{head + 1}: found the text 'about one'; allowed: a plain number above 0" in result.stderr
    )
    assert result.stdout == ""


@pytest.mark.long
def test_no_line_above_a_length_of_pipe_is_wider_than_its_picture() -> None:
    for name in planned_examples.ALL:
        report, taken = planned_examples.taken_off(name)
        canvas = strip_canvas(taken.cuts, report.system.units)
        ends = [box.right for box in canvas.texts] if canvas is not None else []

        assert max(ends, default=0.0) <= STRIP_PX, name


def test_marks_of_pieces_too_short_for_them_stand_clear_of_what_is_told_above() -> None:
    _, taken = planned_examples.taken_off("single-return")
    (pipes,) = taken.cuts.pipes
    *others, last = pipes.pieces
    short = replace(pipes, pieces=(*(replace(one, cut_m=0.02) for one in others), replace(last, cut_m=3.0)))
    canvas = strip_canvas(replace(taken.cuts, pipes=(short,)), "metric")

    assert canvas is not None
    met = [{a.words, b.words} for a, b in combinations(canvas.texts, 2) if a.overlaps(b)]
    assert not [both for both in met if max(map(len, both)) > 2]  # marks so near to each other may meet


@pytest.mark.parametrize(("name", "cemented"), [("single-return", True), ("house-water", False)])
def test_cement_is_spoken_of_where_something_is_cemented(name: str, cemented: bool) -> None:
    _, taken = planned_examples.taken_off(name)
    told = " ".join((*before_words(taken, "US"), *closing_words(taken)))

    assert ("cement" in told) is cemented
    assert ("cure" in told) is cemented


def test_work_on_house_water_alone_speaks_of_house_water() -> None:
    _, taken = planned_examples.taken_off("house-water")
    assert taken.pause is not None
    alone = replace(taken, pause=replace(taken.pause, feeds=frozenset({Feed.HOUSE})))
    told = " ".join((*before_words(alone, "US"), *closing_words(alone)))
    both = " ".join((*before_words(taken, "US"), *closing_words(taken)))

    assert taken.pause.feeds == {Feed.HOUSE, Feed.PUMP}
    assert "Shut the house water." in told
    assert not any(word in told for word in ("pump", "sump", "animals"))
    assert "Unplug the pump and shut the house water." in both
    assert "Crack the house water open" in both


def test_a_fitting_that_is_cemented_on_all_sides_is_named_without_its_ends() -> None:
    ends = ("socket × socket", "socket × socket × socket", "socket × socket × NPT female", "spigot × socket")
    step = WorkStep("remove", "remove", tuple(f"fitting, {one}" for one in ends))

    told = step_words(step, "US")

    assert told == "Remove: fitting, fitting, fitting, socket × socket × NPT female, fitting, spigot × socket"


def test_a_compression_nut_is_turned_and_a_push_fit_end_is_not() -> None:
    _, taken = planned_examples.taken_off("house-water")
    work = next(one for one in taken.work if one.run == "pure water")
    told = {step.code: step_words(step, "US") for step in work.steps}

    assert "shut the house water to pure water" in told["drain house water"]
    assert told["nut, in place"].startswith("Join: in place: joints A, D, E, H (4 at 1/4 in): nut and ring over")
    assert told["push, in place"].startswith("Join: in place: joints J, M (2 at 1/4 in): tube cut square")
    assert "two wrenches for the compression nuts" in tools_words(taken)


@pytest.mark.long
def test_the_store_is_told_what_is_stronger_in_the_pipe_that_is_bought() -> None:
    inch, metric = (planned_examples.taken_off(name)[1].bill for name in ("cellar-sump", "metric-unions"))

    assert "Schedule 80 in place of schedule 40 is fine." in ask_words(inch)
    assert "PN16 in place of PN10 is fine." in ask_words(metric)
    assert "PN16" not in ask_words(inch)


def test_a_cut_is_told_in_whole_millimeters_and_a_rating_is_rounded_down() -> None:
    assert show_cut(1.3771, "metric") == "1377 mm"
    assert show_cut(1.3771, "US") == "4 ft 6-1/4 in"
    assert show_rating(2.28e6, "US") == "330 psi"  # 330.7: 1 psi is 6,894.76 Pa
    assert show_rating(1.0e6, "metric") == "10 bar"
