"""The workbook as openpyxl reads it back: types, formulas with stored values, safety of names, print set-up."""

import datetime
import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import openpyxl
import planned_examples
import pytest
from invented import demo_report
from openpyxl.cell import Cell
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet
from said import free, worded

from optimizer.documents.answer import change_lines, headline, safety_words
from optimizer.documents.cautions import CAUTIONS, assumptions
from optimizer.documents.safety_text import worst_of_modes
from optimizer.documents.sheet_kit import Book, Sheet
from optimizer.documents.sheet_kit import Cell as Written
from optimizer.documents.text import unconnected_words
from optimizer.documents.type_width import text_height_points
from optimizer.documents.workbook import workbook_bytes, write_workbook
from optimizer.errors import DocumentError, PlanError
from optimizer.model.catalog import Kind
from optimizer.model.checks import Check
from optimizer.model.network import Part
from optimizer.model.note import note
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import Status
from optimizer.model.safety import SafetyCheck, SafetyReport
from optimizer.model.system import Share
from optimizer.takeoff import bill_of
from optimizer.verify.check import unconnected_runs

SHEETS = ["Answer", "Order", "Appendix"]  # without a take-off and a card


def opened(report: PlanReport, values: bool = False, paper: str | None = None) -> openpyxl.Workbook:
    return openpyxl.load_workbook(io.BytesIO(workbook_bytes(report, paper=paper)), data_only=values)


def head_row(sheet: Worksheet, first: str = "Qty") -> int:
    """Return the first row that begins with this title."""
    return next(row for row in range(1, sheet.max_row + 1) if sheet.cell(row, 1).value == first)


def rows_of(sheet: Worksheet, first: str = "Qty") -> list[dict[str, Cell]]:
    """Return the rows under the row of titles that begins with this one, by title, down to one without a first cell."""
    head = head_row(sheet, first)
    titles = [cell.value for cell in sheet[head] if cell.value]
    found = []
    for row in sheet.iter_rows(min_row=head + 1):
        if row[0].value is None:
            break
        found.append(dict(zip(titles, row, strict=False)))
    return found


def total_row(sheet: Worksheet) -> int:
    return next(row for row in range(1, sheet.max_row + 1) if str(sheet.cell(row, 4).value).startswith("Total, "))


def texts(book: openpyxl.Workbook) -> Iterator[str]:
    for sheet in book:
        yield from (cell.value for row in sheet.iter_rows() for cell in row if isinstance(cell.value, str))


def row_with(sheet: Worksheet, first: str) -> tuple[object, ...]:
    """Return the values of the first row that starts with this text."""
    return next(row for row in sheet.iter_rows(values_only=True) if row[0] == first)


def test_the_sheets_stand_in_reading_order(report: PlanReport) -> None:
    assert opened(report).sheetnames == SHEETS


def test_every_line_of_the_bill_is_a_row_with_numbers_as_numbers(report: PlanReport) -> None:
    rows = rows_of(opened(report, values=True)["Order"])

    for line, row in zip(report.bill.lines, rows, strict=True):
        assert row["Qty"].value == line.quantity
        assert row["List price (USD)"].value == pytest.approx(line.unit_price_cents / 100, abs=1e-9)
        assert row["Extended price (USD)"].value == pytest.approx(line.extended_cents / 100, abs=1e-9)
        words = ("Unit", "Size", "Ends", "Standard", "Item no.")
        wanted = (line.unit, line.size, line.ends, line.standard, line.item_id)
        assert tuple(row[title].value or "" for title in words) == wanted
        assert line.where_used in row["Where used"].value
        assert row["What"].value in line.description
        assert row["Material, rating"].value.startswith(line.material)
        assert row["Store's unit price (USD)"].value is None
        assert row["In stock"].value == "☐"


def test_a_line_says_what_pressure_its_part_is_rated_for(report: PlanReport) -> None:
    rated = replace(report.bill.lines[0], rating_pa=1.0e6)  # 10 bar, by definition 145.04 psi
    bill = replace(report.bill, lines=(rated, *report.bill.lines[1:]))

    assert rows_of(opened(replace(report, bill=bill))["Order"])[0]["Material, rating"].value == "PVC, 145 psi"


def test_extended_prices_and_the_total_are_formulas(report: PlanReport) -> None:
    sheet = opened(report)["Order"]
    rows, head, total = rows_of(sheet), head_row(sheet), total_row(sheet)

    price = 'IF(I{0}="",H{0},IFERROR(VALUE(I{0}),H{0}))'
    asked = [f"=A{row}*{price.format(row)}" for row in range(head + 1, total)]
    assert [row["Extended price (USD)"].value for row in rows] == asked
    assert sheet.cell(total, 10).value == f"=SUM(J{head + 1}:J{total - 1})"
    cells = f"I{head + 1}:I{total - 1}"
    assert sheet.cell(total, 8).value == f'=SUMPRODUCT(({cells}<>"")*ISNUMBER(VALUE({cells})))&" of {len(rows)} priced"'


def test_a_flow_that_runs_backwards_stays_a_number_and_says_so(report: PlanReport) -> None:
    first, *rest = report.verification.demands
    demands = (replace(first, all_open_m3_s=-first.all_open_m3_s), *rest)
    backwards = replace(report, verification=replace(report.verification, demands=demands))
    cell = next(row[4] for row in opened(backwards)["Answer"].iter_rows() if row[0].value == "display return")

    assert cell.value == pytest.approx(-1236)
    assert cell.number_format == '#,##0_);#,##0" backwards"'


def test_the_stored_totals_are_the_bill_to_the_cent(report: PlanReport) -> None:
    book = opened(report, values=True)
    total = report.bill.total_cents / 100

    assert book["Order"].cell(total_row(book["Order"]), 10).value == pytest.approx(total, abs=1e-9)
    assert row_with(book["Answer"], "Store total, USD")[1] == pytest.approx(total, abs=1e-9)


def test_the_answer_fetches_the_total_from_the_order(report: PlanReport) -> None:
    book = opened(report)

    assert row_with(book["Answer"], "Store total, USD")[1] == f"='Order'!J{total_row(book['Order'])}"


def test_the_order_has_lines_for_who_asks_and_says_what_may_stand_in(report: PlanReport) -> None:
    sheet = opened(report)["Order"]
    first = [cell.value for cell in sheet[1] if cell.value]

    assert first == ["Name", "Phone", "Date", "Pick-up"]
    assert {"not drain (DWV) fittings", "Schedule 80", "BSP"} <= {
        words for words in ("not drain (DWV) fittings", "Schedule 80", "BSP") if words in str(sheet["A3"].value)
    }


def test_prices_are_shown_with_their_currency(report: PlanReport) -> None:
    rows = rows_of(opened(report)["Order"])
    francs = replace(report, bill=replace(report.bill, currency="CHF"))

    assert '"$"#,##0.00' in rows[0]["List price (USD)"].number_format
    assert '#,##0.00 "CHF"' in rows_of(opened(francs)["Order"])[0]["List price (CHF)"].number_format


def test_each_demand_is_told_before_and_after_with_a_bar(report: PlanReport) -> None:
    sheet = opened(report, values=True)["Answer"]
    run, target, now, after, all_open, _ = row_with(sheet, "display return")

    assert (run, target) == ("display return", "at least 1,100")
    assert (now, after, all_open) == (pytest.approx(742), pytest.approx(1118), pytest.approx(1236))
    assert len(sheet._images) == len(report.verification.demands)


def test_the_answer_says_which_flows_are_asked_for_as_shares(report: PlanReport) -> None:
    *others, reactor = report.verification.demands
    split = replace(reactor, share=Share(("riser",), 0.0, 0.08))
    told = replace(report, verification=replace(report.verification, demands=(*others, split)))

    assert "Asked for as shares: media reactor at most 8 % of riser." in texts(opened(told))
    assert not any("as shares" in text for text in texts(opened(report)))


def test_the_answer_begins_with_what_the_parts_cost_and_bring(report: PlanReport) -> None:
    told = opened(report)["Answer"]["A2"].value

    total = f"${report.bill.total_cents / 100:.2f}"
    assert told == f"Parts for {total} bring all 3 flows to their targets. Today 0 of 3 are on target."


def test_the_answer_says_how_sure_the_plan_is(report: PlanReport) -> None:
    plan = replace(report.plan, status=Status.FEASIBLE, bound_cents=(report.plan.material_cents or 0) - 1234)

    assert any("could save at most $12.34" in text for text in texts(opened(replace(report, plan=plan))))


def test_what_changes_takes_three_lines_however_many_runs_change(report: PlanReport) -> None:
    few = list(change_lines(report))
    runs = {
        f"{name} {copy}": replace(one, run=f"{name} {copy}")
        for copy in range(3)
        for name, one in report.plan.runs.items()
    }
    many = list(change_lines(replace(report, plan=replace(report.plan, runs=runs))))

    assert few[0].startswith("riser: replace 5 parts by 1-1/2 in. pipe, 1-1/2 in. 90° sweep elbow")
    assert few[-1] == "Set pump return pump to 90 % (now 80 %) and 2 valves as the card says."
    assert len(few) <= 3
    assert len(many) == 3
    assert "riser 2" in many[1]


def test_what_is_close_to_its_limit_is_named(report: PlanReport) -> None:
    checks = (
        SafetyCheck(
            Check.DRAIN_BACK,
            free("drain-back into the sump"),
            "volume",
            0.02,
            0.0681,
            0.0757,
            free("the sump runs over"),
            high=0.0795,
        ),
        SafetyCheck(Check.MAIN_DRAIN, free("flow into 'display'"), "flow", 1e-4, 2e-4, 1e-3, free("it floods")),
    )
    checked = replace(report, verification=replace(report.verification, safety=SafetyReport(checks)))

    words = safety_words(checked)  # 0.0681 m³ are 17.99 of 20.00 gal (231 cubic inches)
    assert words.startswith(
        "All 2 checks passed; close to its limit: drain-back into the sump, 18.0 gal of 20.0 gal (105 % at the "
        "upper end of the flow)"
    )
    assert "display" not in words


def test_every_run_has_its_change_as_a_formula(report: PlanReport) -> None:
    formulas, values = (rows_of(opened(report, values=values)["Appendix"], "Run") for values in (False, True))

    assert [row["Run"].value for row in values][: len(report.system.network.runs)] == list(report.system.network.runs)
    row = formulas[1]["Now"].row
    assert formulas[1]["Change"].value == f"=G{row}-F{row}"
    assert values[1]["Change"].value == pytest.approx(1118 - 742)
    assert values[1]["Highest velocity (ft/s)"].value == pytest.approx(1.49 / 0.3048)


def test_the_band_of_the_flows_stands_beside_them_where_it_is_known(report_with_band: PlanReport) -> None:
    row = rows_of(opened(report_with_band)["Appendix"], "Run")[1]

    assert row["80 % range, low end"].value == pytest.approx(0.9 * 1118)
    assert row["80 % range, high end"].value == pytest.approx(1.1 * 1118)


def test_a_run_that_carries_nothing_yet_shows_a_dash_and_no_number(report: PlanReport) -> None:
    flows = {**report.before_flows_m3_s, "uv line": float("nan")}
    row = rows_of(opened(replace(report, before_flows_m3_s=flows))["Appendix"], "Run")[2]

    assert (row["Now"].value, row["Change"].value) == ("–", "–")


def test_removed_parts_all_cautions_and_assumptions_are_in_the_appendix(report: PlanReport) -> None:
    said = set(texts(opened(report)))

    assert {remark.text for remark in (*CAUTIONS, *assumptions(report))} <= said
    assert {worded(line.why) for line in report.bill.taken_out} <= said


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
        run: replace(one, changes=(free(name),), purchases=tuple(replace(p, where=name) for p in one.purchases))
        for run, one in plan.runs.items()
    }
    named = replace(plan, runs=runs, notes=(free(name),))
    network = replace(
        report.system.network,
        runs={name if run == "uv line" else run: one for run, one in report.system.network.runs.items()},
    )
    system = replace(report.system, name=name, network=network)
    book = opened(
        replace(report, system=system, plan=named, bill=bill_of(system, named), notes=(note("new run", run=name),))
    )

    assert sum("HYPERLINK" in text for text in texts(book)) >= 4
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
    header = opened(demo_report(name))["Order"].oddHeader

    assert "&" not in (header.right.text or "").removeprefix("&")
    assert "Order" in header.left.text


def test_the_order_keeps_its_titles_in_sight_on_every_page_and_can_be_filtered(report: PlanReport) -> None:
    sheet = opened(report)["Order"]
    head = head_row(sheet)

    assert sheet.freeze_panes == f"A{head + 1}"
    assert sheet.print_title_rows == f"${head}:${head}"
    assert sheet.auto_filter.ref == f"A{head}:N{total_row(sheet) - 1}"


@pytest.mark.parametrize(
    ("paper", "units", "size"), [(None, "US", 1), (None, "metric", 9), ("letter", "metric", 1), ("A4", "US", 9)]
)
def test_paper_follows_the_units_unless_it_is_named(paper: str | None, units: str, size: int) -> None:
    assert {sheet.page_setup.paperSize for sheet in opened(demo_report(units=units), paper=paper)} == {size}


def test_every_sheet_prints_one_page_wide_with_page_numbers_and_all_that_is_on_it(report: PlanReport) -> None:
    for sheet in opened(report):
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert "Page &P of &N" in sheet.oddFooter.right.text
        assert sheet.page_margins.left >= 0.3
        assert sheet.print_area == f"'{sheet.title}'!$A$1:${get_column_letter(sheet.max_column)}${sheet.max_row}"
    pages = [(sheet.page_setup.fitToWidth or 1, sheet.page_setup.fitToHeight) for sheet in opened(report)]
    assert pages == [(1, None), (1, None), (1, 3)]  # one page is what a file says by saying nothing
    wide = [sheet.page_setup.orientation for sheet in opened(report)]
    assert wide == ["portrait", "landscape", "landscape"]


def test_a_long_order_takes_more_pages_rather_than_smaller_letters(report: PlanReport) -> None:
    bill = replace(report.bill, lines=report.bill.lines * 8)
    sheet = opened(replace(report, bill=bill, plan=replace(report.plan, cost_cents=bill.total_cents)))["Order"]

    assert (sheet.page_setup.fitToWidth or 1, sheet.page_setup.fitToHeight) == (1, 0)


def test_a_row_is_high_enough_for_its_longest_text(report: PlanReport) -> None:
    line = replace(report.bill.lines[0], description="cement " * 27)  # three in a column of 27 digits: nine lines
    bill = replace(report.bill, lines=(line, *report.bill.lines[1:]))
    sheets = [opened(replace(report, bill=one))["Order"] for one in (report.bill, bill)]
    short, long = (sheet.row_dimensions[head_row(sheet) + 1].height for sheet in sheets)

    assert 11.5 <= short < 3 * 11.5  # 10 point Arial takes 11.5 points a line (ascent, descent and gap of the font)
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


def test_a_plan_that_buys_nothing_says_so_once_and_has_no_empty_lists(report: PlanReport) -> None:
    runs = {name: replace(one, purchases=(), removed=(), changes=()) for name, one in report.plan.runs.items()}
    plan = replace(report.plan, runs=runs, tees={}, consumables=(), cost_cents=0, bound_cents=0)
    book = opened(replace(report, plan=plan, bill=bill_of(report.system, plan)), values=True)
    said = list(texts(book))

    assert book.sheetnames == ["Answer", "Appendix"]
    assert sum(text.startswith("New settings alone, no parts, bring") for text in said) == 1
    assert not any("Removed parts" in text or "Nothing needs to be bought" in text for text in said)
    assert row_with(book["Answer"], "Store total, USD")[1] == 0


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
    failed = replace(report.verification, passed=False, failures=(free("uv line gets 212 gph, wanted 250"),))

    with pytest.raises(DocumentError, match="uv line gets 212"):
        write_workbook(tmp_path / "parts.xlsx", replace(report, verification=failed))
    assert list(tmp_path.iterdir()) == []


def test_a_report_needs_a_plan_and_a_bill_that_fits_it(report: PlanReport) -> None:
    with pytest.raises(PlanError, match="'infeasible'"):
        replace(report, plan=replace(report.plan, status=Status.INFEASIBLE))
    with pytest.raises(PlanError, match="the bill comes to 0 cents"):
        replace(report, bill=replace(report.bill, lines=()))


def test_lines_that_are_not_connected_yet_are_not_on_target_today() -> None:
    report, _ = planned_examples.searched("house-water")

    assert [check.unconnected for check in report.verification.demands] == [("pure water",), ("mixing",)]
    assert headline(report).endswith("Today 0 of 2 are on target.")
    assert unconnected_words(report).startswith("Not connected yet: pure water, mixing.")


@pytest.mark.long
def test_a_line_waits_for_its_pump_to_be_connected() -> None:
    network = planned_examples.searched("cellar-sump")[0].system.network
    riser = network.runs["riser"]
    gap = Part(Kind.OPEN_JOINT, (), ())
    apart = network.with_runs({"riser": replace(riser, parts=(*riser.parts, gap))})

    assert unconnected_runs(network, ("left outlet",)) == ()
    assert unconnected_runs(network, ("uv line",)) == ("uv line",)
    assert unconnected_runs(apart, ("left outlet",)) == ("riser",)


def test_a_small_flow_keeps_its_decimal_on_the_sheets_and_no_change_is_no_minus() -> None:
    report, _ = planned_examples.searched("house-water")  # 4.6 gph on 1/4 in. tube
    sheet = openpyxl.load_workbook(io.BytesIO(workbook_bytes(report)))["Appendix"]
    row = next(row for row in sheet.iter_rows(min_col=1, max_col=11) if row[0].value == "pure water")

    assert [row[at].number_format for at in (3, 5, 6)] == ['0.0_);0.0" backwards";0_)'] * 3
    assert row[7].number_format == "0_);0_);0_)"


def test_a_check_of_several_modes_stands_once_on_the_sheet_as_it_comes_out_worst() -> None:
    title = note("freeboard", tank="display")

    def check(mode: str, after: float) -> SafetyCheck:
        told = note("check of a mode", what=title, mode=mode)
        return SafetyCheck(Check.FREEBOARD, told, "height", 0.0, after, 0.03, note("runs over its rim"))

    (one,) = worst_of_modes((check("day", 0.01), check("night", 0.02), check("feeding", 0.0)))

    assert dict(one.title.values)["mode"] == "night"
