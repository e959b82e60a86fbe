"""The workbook as openpyxl reads it back: types, formulas with stored values, safety of names, print set-up."""

import datetime
import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest
from conftest import demo_report
from openpyxl.cell import Cell
from openpyxl.worksheet.worksheet import Worksheet

from optimizer.documents.cautions import CAUTIONS, assumptions
from optimizer.documents.sheet_kit import Book, Sheet
from optimizer.documents.sheet_kit import Cell as Written
from optimizer.documents.type_width import text_height_points
from optimizer.documents.words import steps_of
from optimizer.documents.workbook import workbook_bytes, write_workbook
from optimizer.errors import DocumentError, PlanError
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import Status
from optimizer.takeoff import bill_of

SHEETS = ["Summary", "Parts list", "Take-out", "Flow check", "Assumptions and cautions", "For import"]
LISTS = SHEETS[1:4]


def opened(report: PlanReport, values: bool = False, paper: str | None = None) -> openpyxl.Workbook:
    return openpyxl.load_workbook(io.BytesIO(workbook_bytes(report, paper=paper)), data_only=values)


def rows_of(sheet: Worksheet) -> list[dict[str, Cell]]:
    """Return the rows under the titles of the first row, by title."""
    titles = [cell.value for cell in sheet[1]]
    return [dict(zip(titles, row, strict=True)) for row in sheet.iter_rows(min_row=2)]


def texts(book: openpyxl.Workbook) -> Iterator[str]:
    for sheet in book:
        yield from (cell.value for row in sheet.iter_rows() for cell in row if isinstance(cell.value, str))


def row_with(sheet: Worksheet, first: str) -> tuple[object, ...]:
    """Return the values of the first row that starts with this text."""
    return next(row for row in sheet.iter_rows(values_only=True) if row[0] == first)


def test_the_sheets_stand_in_reading_order(report: PlanReport) -> None:
    assert opened(report).sheetnames == SHEETS


def test_every_line_of_the_bill_is_a_row_with_numbers_as_numbers(report: PlanReport) -> None:
    rows = rows_of(opened(report, values=True)["Parts list"])

    for line, row in zip(report.bill.lines, rows, strict=False):
        assert row["Qty"].value == line.quantity
        assert row["List price (USD)"].value == pytest.approx(line.unit_price_cents / 100, abs=1e-9)
        assert row["Extended price (USD)"].value == pytest.approx(line.extended_cents / 100, abs=1e-9)
        words = ("Unit", "Group", "Description", "Size", "Material", "Where used", "Item no.")
        wanted = (
            line.unit,
            line.group,
            line.description,
            line.size,
            line.material,
            line.where_used,
            line.item_id,
        )
        assert tuple(row[title].value or "" for title in words) == wanted
        assert row["Store's unit price (USD)"].value is None
    assert len(rows) == len(report.bill.lines) + 1  # and the total


def test_extended_prices_and_the_total_are_formulas(report: PlanReport) -> None:
    rows = rows_of(opened(report)["Parts list"])
    last = len(report.bill.lines) + 1

    asked = [f'=A{row}*IF(I{row}="",H{row},I{row})' for row in range(2, last + 1)]
    assert [row["Extended price (USD)"].value for row in rows[:-1]] == asked
    assert rows[-1]["Extended price (USD)"].value == f"=SUM(K2:K{last})"
    assert rows[-1]["Store's unit price (USD)"].value == f'=COUNT(I2:I{last})&" of {last - 1} priced"'


def test_how_many_lines_are_priced_has_the_room_of_two_columns(report: PlanReport) -> None:
    sheet = opened(report)["Parts list"]
    row = len(report.bill.lines) + 2

    assert f"I{row}:J{row}" in {str(one) for one in sheet.merged_cells.ranges}


def test_a_flow_that_runs_backwards_stays_a_number_and_says_so(report: PlanReport) -> None:
    first, *rest = report.verification.demands
    demands = (replace(first, all_open_m3_s=-first.all_open_m3_s), *rest)
    backwards = replace(report, verification=replace(report.verification, demands=demands))
    cell = next(row[5] for row in opened(backwards)["Summary"].iter_rows() if row[0].value == "display return")

    assert cell.value == pytest.approx(-1236)
    assert cell.number_format == '#,##0_);#,##0" backwards"'


def test_the_stored_totals_are_the_bill_to_the_cent(report: PlanReport) -> None:
    book = opened(report, values=True)
    total = report.bill.total_cents / 100

    assert rows_of(book["Parts list"])[-1]["Extended price (USD)"].value == pytest.approx(total, abs=1e-9)
    assert row_with(book["Summary"], "Parts, in USD")[1] == pytest.approx(total, abs=1e-9)
    assert row_with(book["Summary"], "Total")[6] == pytest.approx(total, abs=1e-9)


def test_the_summary_fetches_the_total_from_the_parts_list(report: PlanReport) -> None:
    last = len(report.bill.lines) + 2

    assert row_with(opened(report)["Summary"], "Parts, in USD")[1] == f"='Parts list'!K{last}"


def test_prices_are_shown_with_their_currency(report: PlanReport) -> None:
    rows = rows_of(opened(report)["Parts list"])
    francs = replace(report, bill=replace(report.bill, currency="CHF"))

    assert '"$"#,##0.00' in rows[0]["List price (USD)"].number_format
    assert '#,##0.00 "CHF"' in rows_of(opened(francs)["Parts list"])[0]["List price (CHF)"].number_format


def test_each_demand_is_told_before_and_after(report: PlanReport) -> None:
    run, low, high, now, after, all_open, reached = row_with(opened(report, values=True)["Summary"], "display return")

    assert (run, low, high, reached) == ("display return", pytest.approx(1100), None, "yes")
    assert (now, after, all_open) == (pytest.approx(742), pytest.approx(1118), pytest.approx(1236))


def test_the_summary_says_how_sure_the_plan_is(report: PlanReport) -> None:
    plan = replace(report.plan, status=Status.FEASIBLE, bound_cents=(report.plan.material_cents or 0) - 1234)

    assert any(text.startswith("Proved cheapest") for text in texts(opened(report)))
    assert any("could save $12.34 at the very most" in text for text in texts(opened(replace(report, plan=plan))))


def test_steps_settings_and_unchanged_runs_are_on_the_summary(report: PlanReport) -> None:
    said = set(texts(opened(report)))

    steps = [*steps_of(report.plan.runs["riser"].changes), *report.plan.tees["manifold"].changes]

    assert len(steps) == 6  # the third step of the riser has two clauses
    assert set(steps) <= said
    assert {"ball valve handle 35° from open", "3/4 in true-union ball valve, the 1st of 2"} <= said
    assert "Left as they are: display return, media reactor." in said
    assert row_with(opened(report)["Summary"], "return pump")[1:3] == (0.8, 0.9)


def test_the_parts_cost_of_the_runs_adds_up(report: PlanReport) -> None:
    sheet = opened(report, values=True)["Summary"]
    titles = next(row for row in sheet.iter_rows() if row[6].value == "Parts cost")[0].row
    costs = [row[6] for row in sheet.iter_rows(min_row=titles + 1, values_only=True) if isinstance(row[6], float)]

    assert sum(costs[:-1]) == pytest.approx(costs[-1], abs=1e-9)
    assert costs[-1] == pytest.approx(report.bill.total_cents / 100)


def test_the_take_out_list_holds_every_line(report: PlanReport) -> None:
    rows = opened(report)["Take-out"].iter_rows(min_row=2, values_only=True)

    assert [tuple(row) for row in rows] == [
        (line.quantity, line.unit, line.description, line.where, line.fate, line.why) for line in report.bill.taken_out
    ]


def test_the_flow_check_has_every_run_with_its_change_as_a_formula(report: PlanReport) -> None:
    formulas, values = (rows_of(opened(report, values=values)["Flow check"]) for values in (False, True))

    assert [row["Run"].value for row in values] == list(report.system.network.runs)
    assert formulas[1]["Change (gph)"].value == "=G3-F3"
    assert values[1]["Change (gph)"].value == pytest.approx(1118 - 742)
    assert values[1]["Fastest water after (ft/s)"].value == pytest.approx(1.49 / 0.3048)


def test_the_band_of_the_flows_stands_beside_them_where_it_is_known(report_with_band: PlanReport) -> None:
    row = rows_of(opened(report_with_band)["Flow check"])[1]

    assert row["After, at the low end (gph)"].value == pytest.approx(0.9 * 1118)
    assert row["After, at the high end (gph)"].value == pytest.approx(1.1 * 1118)


def test_a_run_that_carries_nothing_yet_shows_a_dash_and_no_number(report: PlanReport) -> None:
    flows = {**report.before_flows_m3_s, "uv line": float("nan")}
    row = rows_of(opened(replace(report, before_flows_m3_s=flows))["Flow check"])[2]

    assert (row["Now (gph)"].value, row["Change (gph)"].value) == ("–", "–")


def test_all_cautions_and_assumptions_are_printed(report: PlanReport) -> None:
    said = set(texts(opened(report)))

    assert {remark.text for remark in (*CAUTIONS, *assumptions(report))} <= said


@pytest.mark.parametrize(
    "word", ["GFCI", "drip loop", "flames", "cure", "drain", "oxygenated", "flood", "backflow", "codes"]
)
def test_the_usual_cautions_of_the_trade_are_among_them(word: str) -> None:
    # The list of usual cautions is common practice, no source.
    assert any(word.lower() in remark.text.lower() or word.lower() in remark.title.lower() for remark in CAUTIONS)


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t=", "\r=", "\n=", " ="])
def test_a_name_that_looks_like_a_formula_stays_text(report: PlanReport, start: str) -> None:
    name = f'{start}HYPERLINK("http://example.invalid","free pipe")'
    plan = report.plan
    runs = {
        run: replace(one, changes=(name,), purchases=tuple(replace(p, where=name) for p in one.purchases))
        for run, one in plan.runs.items()
    }
    named = replace(plan, runs=runs, notes=(name,))
    network = replace(
        report.system.network,
        runs={name if run == "uv line" else run: one for run, one in report.system.network.runs.items()},
    )
    system = replace(report.system, name=name, network=network)
    book = opened(replace(report, system=system, plan=named, bill=bill_of(system, named), notes=(name,)))

    assert sum("HYPERLINK" in text for text in texts(book)) >= 5
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                if isinstance(cell.value, str) and "HYPERLINK" in cell.value:
                    assert cell.data_type == "s"
                assert cell.hyperlink is None


def test_a_very_long_name_is_shortened_and_still_written(report: PlanReport) -> None:
    system = replace(report.system, name="x" * 40_000)

    assert max(len(text) for text in texts(opened(replace(report, system=system)))) == 32_001


@pytest.mark.parametrize("name", ["Tom & Ann's tank", "R&G", "&[Picture]", "&P", "2 tanks", "&&&"])
def test_a_name_in_the_print_header_is_text_and_no_code(name: str) -> None:
    header = opened(demo_report(name))["Parts list"].oddHeader

    assert "&" not in (header.right.text or "").removeprefix("&")
    assert "Parts list" in header.left.text


def test_lists_keep_their_titles_in_sight_on_every_page_and_can_be_filtered(report: PlanReport) -> None:
    book = opened(report)

    for name in LISTS:
        sheet = book[name]
        assert sheet.freeze_panes == "A2"
        assert sheet.print_title_rows == "$1:$1"
        rows = len(report.bill.lines) + 1 if name == "Parts list" else sheet.max_row
        assert sheet.auto_filter.ref == f"A1:{sheet.cell(1, sheet.max_column).column_letter}{rows}"


@pytest.mark.parametrize(
    ("paper", "units", "size"), [(None, "US", 1), (None, "metric", 9), ("letter", "metric", 1), ("A4", "US", 9)]
)
def test_paper_follows_the_units_unless_it_is_named(paper: str | None, units: str, size: int) -> None:
    assert {sheet.page_setup.paperSize for sheet in opened(demo_report(units=units), paper=paper)} == {size}


def test_every_sheet_prints_one_page_wide_with_page_numbers(report: PlanReport) -> None:
    for sheet in opened(report):
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert (sheet.page_setup.fitToWidth or 1, sheet.page_setup.fitToHeight) == (1, 0)
        assert "Page &P of &N" in sheet.oddFooter.right.text
        assert sheet.page_margins.left >= 0.4
    wide = [sheet.page_setup.orientation for sheet in opened(report)]
    assert wide == ["portrait", "landscape", "landscape", "landscape", "portrait", "landscape"]


def test_a_row_is_high_enough_for_its_longest_text(report: PlanReport) -> None:
    line = replace(report.bill.lines[0], note="cement " * 27)  # three in a column of 24 digits: nine lines
    bill = replace(report.bill, lines=(line, *report.bill.lines[1:]))
    short, long = (
        opened(replace(report, bill=one))["Parts list"].row_dimensions[2].height for one in (report.bill, bill)
    )

    assert 2 * 11.5 <= short < 3 * 11.5  # 10 point Arial takes 11.5 points a line (ascent, descent and gap of the font)
    assert 9 * 11.5 <= long <= 11 * 11.5


# Advance widths in thousandths, as stored in the font file of Liberation Sans, which has the metrics of Arial.
@pytest.mark.parametrize(
    ("letter", "thousandths"),
    [
        ("i", 222),
        ("t", 278),
        ("r", 333),
        ("s", 500),
        ("e", 556),
        ("0", 556),
        ("×", 584),
        ("P", 667),
        ("C", 722),
        ("W", 944),
    ],
)
def test_letters_are_taken_as_wide_as_the_type_has_them(letter: str, thousandths: int) -> None:
    per_line = 56_000 // thousandths  # letters in 56 times the type size
    column = 56 * 10 * 96 / 72 / 7 + 1  # digits of 7 pixels

    assert text_height_points(letter * (per_line * 9 // 10), column, {}) == text_height_points("x", column, {})
    assert text_height_points(letter * (per_line + 1), column, {}) > text_height_points("x", column, {})


def test_the_same_report_gives_the_same_bytes(report: PlanReport) -> None:
    assert workbook_bytes(report) == workbook_bytes(report)


def test_the_time_inside_is_a_price_date_unless_one_is_given(report: PlanReport) -> None:
    given = datetime.datetime(2026, 5, 4, 3, 2, 1)
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(report, created=given)))

    assert opened(report).properties.created.date() == datetime.date(2026, 3, 1)
    assert book.properties.created.replace(tzinfo=None) == given


def test_a_plan_that_buys_nothing_says_so(report: PlanReport) -> None:
    runs = {name: replace(one, purchases=(), removed=(), changes=()) for name, one in report.plan.runs.items()}
    plan = replace(report.plan, runs=runs, tees={}, consumables=(), cost_cents=0, bound_cents=0)
    book = opened(replace(report, plan=plan, bill=bill_of(report.system, plan)), values=True)
    said = set(texts(book))

    assert {
        "Nothing needs to be bought.",
        "Nothing comes out.",
        "Nothing is bought and nothing is cut: settings do it.",
    } <= said
    assert rows_of(book["Parts list"])[-1]["Extended price (USD)"].value == 0


def test_a_file_that_is_there_is_left_alone_unless_told(report: PlanReport, tmp_path: Path) -> None:
    path = tmp_path / "parts.xlsx"
    path.write_bytes(b"old")

    with pytest.raises(DocumentError, match=r"parts\.xlsx: is there already"):
        write_workbook(path, report)
    assert path.read_bytes() == b"old"

    write_workbook(path, report, overwrite=True)
    assert path.read_bytes() == workbook_bytes(report)
    assert list(tmp_path.iterdir()) == [path]


def test_a_write_that_fails_leaves_the_old_file_and_nothing_beside_it(
    report: PlanReport, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "parts.xlsx"
    path.write_bytes(b"old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(DocumentError, match="No space left on device"):
        write_workbook(path, report, overwrite=True)

    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_row_beyond_the_sheet_is_an_error_and_never_dropped() -> None:
    import xlsxwriter

    workbook = xlsxwriter.Workbook(io.BytesIO(), {"in_memory": True})
    book = Book(workbook, "US", "USD", 1, "test bench")
    sheet: Sheet = book.sheet("Long", (10.0,), landscape=False)
    sheet.row = 1_048_576

    with pytest.raises(DocumentError, match="row 1048577 does not fit"):
        sheet.write([Written("one too many")])


@pytest.mark.parametrize(
    ("name", "words"), [("parts.ods", "ends in .xlsx"), ("no/such/parts.xlsx", "there is no folder")]
)
def test_a_place_that_can_not_be_written_is_named(report: PlanReport, tmp_path: Path, name: str, words: str) -> None:
    with pytest.raises(DocumentError, match=words):
        write_workbook(tmp_path / name, report)


def test_a_plan_that_failed_its_check_is_not_written(report: PlanReport, tmp_path: Path) -> None:
    failed = replace(report.verification, passed=False, failures=("uv line gets 212 gph, wanted 250",))

    with pytest.raises(DocumentError, match="uv line gets 212"):
        write_workbook(tmp_path / "parts.xlsx", replace(report, verification=failed))
    assert list(tmp_path.iterdir()) == []


def test_a_report_needs_a_plan_and_a_bill_that_fits_it(report: PlanReport) -> None:
    with pytest.raises(PlanError, match="'infeasible'"):
        replace(report, plan=replace(report.plan, status=Status.INFEASIBLE))
    with pytest.raises(PlanError, match="the bill comes to 0 cents"):
        replace(report, bill=replace(report.bill, lines=()))
