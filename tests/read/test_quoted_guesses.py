"""What a quote did not name stays a list price, is marked, and is never called cheaper now."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from openpyxl import Workbook
from quotes import PARTS, filled, planned, price_cell

from optimizer import pipeline
from optimizer.documents.quote_text import guessed, quote_blocks, quote_json, verdict
from optimizer.documents.tables import plain_text
from optimizer.model.bill import Bill, BillLine
from optimizer.model.plan import Status
from optimizer.model.quote import Quote, QuotedPrice


def line(item_id: str, cents: int) -> BillLine:
    return BillLine(item_id, "Fittings", item_id, "1 in", "", "PVC", "", 1, "each", cents, "riser", "2026-11-01")


PLAN = Bill("USD", (line("elbow", 500), line("union", 700)), ())
OTHER = Bill("USD", (line("sweep", 300), line("union", 700)), ())


def same(book: Workbook) -> None:
    """Leave every line priced."""


def without_couplings(book: Workbook) -> None:
    price_cell(book[PARTS], "sch40-reducing-coupling-100x075").value = None


def quote_of(*names: str) -> Quote:
    return Quote("USD", {name: QuotedPrice(500, "Order!I9") for name in names})


def test_cheaper_now_is_said_of_quoted_prices_alone() -> None:
    assert "cheaper now" in verdict(PLAN, OTHER, quote_of("elbow", "union", "sweep"))
    for names in (("elbow", "union"), ("elbow", "sweep"), ()):
        words = verdict(PLAN, OTHER, quote_of(*names))
        assert "cheaper now" not in words
        assert "if the list prices marked *" in words


def test_the_sentence_counts_the_guesses_of_both_plans() -> None:
    assert "(1 in your plan, 2 in the other)" in verdict(PLAN, OTHER, quote_of("elbow"))
    assert (guessed(PLAN, quote_of("elbow")), guessed(OTHER, quote_of("elbow"))) == (1, 2)


def test_every_line_says_whose_price_it_has(tmp_path: Path) -> None:
    report, catalog = planned()
    quote = pipeline.read_quote(filled(tmp_path, without_couplings), report, catalog)
    text = plain_text(quote_blocks(report.bill, report.bill, quote, report))

    named = len([each for each in report.bill.lines if quote.names(each)])
    assert 0 < named < len(report.bill.lines)
    assert text.count("* list price") == len(report.bill.lines) - named
    told = quote_json(report.bill, report.bill, quote, report)
    assert len(told["list_prices_kept"]) == len(report.bill.lines) - named


def test_a_quote_of_all_lines_leaves_no_mark(tmp_path: Path) -> None:
    report, catalog = planned()
    quote = pipeline.read_quote(filled(tmp_path, same), report, catalog)

    assert "* list price" not in plain_text(quote_blocks(report.bill, report.bill, quote, report))


def test_that_no_other_plan_is_cheaper_is_said_of_a_proof_alone() -> None:
    report, _ = planned()
    bill, quote = report.bill, quote_of()
    open_plan = replace(report.plan, status=Status.FEASIBLE, bound_cents=0)

    assert "No other plan is cheaper" in plain_text(quote_blocks(bill, bill, quote, report))
    text = plain_text(quote_blocks(bill, bill, quote, replace(report, plan=open_plan)))
    assert "No cheaper plan was found" in text
    assert "not proven cheapest" in text
    assert "No other plan is cheaper" not in text
