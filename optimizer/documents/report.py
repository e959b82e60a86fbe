"""A plan as one self-contained HTML page, to open or to print: the answer first, then pictures, then details.

Nothing in the page asks for anything outside of it, and its rules forbid it to. It tells the same numbers as the
workbook.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from optimizer.documents.drawing.frontier_chart import FrontierPoint
from optimizer.documents.pdf import pdf_of
from optimizer.documents.report_facts import ReportFacts, report_facts
from optimizer.documents.report_html import page as whole_page
from optimizer.documents.report_html import paragraph, section
from optimizer.documents.report_sections import SECTIONS, Section
from optimizer.documents.text import require_passed
from optimizer.documents.whole_file import free_target, put_all
from optimizer.documents.words import chance_words, money, status_words, verdict_words
from optimizer.errors import DocumentError
from optimizer.model.outcome import PlanReport
from optimizer.units import US
from optimizer.verify.card import SettingsCard

PAPERS = ("A4", "letter")


def write_report(
    path: Path,
    report: PlanReport,
    overwrite: bool = False,
    *,
    frontier: Sequence[FrontierPoint] = (),
    chosen: FrontierPoint | None = None,
    frontier_notes: Sequence[str] = (),
    card: SettingsCard | None = None,
    paper: str | None = None,
    sections: Sequence[Section] = SECTIONS,
    pdf: Path | None = None,
) -> None:
    """Write a report as an .html file; the same report gives the same file, byte for byte.

    Parameters
    ----------
    path
        Where to write; the name ends in .html and the folder exists.
    report
        The plan and what goes with it.
    overwrite
        Replace a file that is there. Its old content stays until the new one is whole.
    frontier, chosen
        Plans for the chart of cost against flow, and which of them the report is about; without them it is left out.
    frontier_notes
        What is said below that chart or in place of it: what is proved, what was left open, why there is none.
    card
        How everything is set after the work, and what every meter should show; without it that part is left out.
    paper
        "letter" or "A4"; by default letter for US units and A4 for metric ones.
    sections
        What the page holds, in this order.
    pdf
        Where to write the same page as a PDF as well; the name ends in .pdf.

    Raises
    ------
    DocumentError
        When the file is there and `overwrite` is off, when it cannot be written, when the plan did not stand its
        check, or when a PDF is asked for and cannot be made. Nothing is left half-written.
    NetworkError
        When the plumbing, now or after, cannot be solved.
    """
    target = free_target(Path(path), overwrite, ".html")
    printed = None if pdf is None else free_target(Path(pdf), overwrite, ".pdf")
    require_passed(report)
    facts = report_facts(report, frontier, chosen, card, frontier_notes=frontier_notes)
    page = report_page(facts, paper=paper, sections=sections)
    files = {target: page.encode()}
    if printed is not None:
        files[printed] = pdf_of(page)
    put_all(files)


def report_page(facts: ReportFacts, *, paper: str | None = None, sections: Sequence[Section] = SECTIONS) -> str:
    """Return the page of `write_report` as text."""
    require_passed(facts.report)
    if paper is not None and paper not in PAPERS:
        raise DocumentError(f"paper {paper!r}: allowed are {', '.join(PAPERS)}")
    bodies = [(one, one.body(facts)) for one in sections]
    kept = [(one, body) for one, body in bodies if body]
    return whole_page(
        facts.report.system.name,
        _answer(facts.report),
        [(one.key, one.title) for one, _ in kept],
        "".join(section(one.key, one.title, body) for one, body in kept),
        paper or ("letter" if facts.units == US else "A4"),
    )


def _answer(report: PlanReport) -> str:
    """Return what a reader wants to know first: cost, how many flows it mends, how sure that is."""
    cost = money(report.bill.total_cents, report.bill.currency)
    return (
        paragraph(f"{_count_words(report)} Parts: {cost}.", "answer")
        + paragraph(status_words(report.plan))
        + "".join(map(paragraph, chance_words(report.chance)))
        + paragraph(verdict_words(report.verification))
    )


def _count_words(report: PlanReport) -> str:
    """Return how many of the flows that were asked for are reached now, and after."""
    demands = report.verification.demands
    if not demands:
        return "No flow was asked for."
    fine = sum(
        check.before_m3_s >= check.low_m3_s and (check.high_m3_s is None or check.before_m3_s <= check.high_m3_s)
        for check in demands
    )
    met = sum(check.met for check in demands)
    return f"Flows on target: now {fine} of {len(demands)}, after the work {met} of {len(demands)}."
