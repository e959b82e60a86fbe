"""A plan as one self-contained HTML page, in the parts of the workbook: answer, order, build, card.

Nothing in the page asks for anything outside of it, and its rules forbid it to. It tells the same numbers as the
workbook.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from optimizer.documents.answer import headline
from optimizer.documents.drawing.frontier_chart import FrontierPoint
from optimizer.documents.pdf import pdf_of
from optimizer.documents.report_facts import ReportFacts, report_facts
from optimizer.documents.report_html import page as whole_page
from optimizer.documents.report_html import paragraph, section
from optimizer.documents.report_sections import SECTIONS, Section
from optimizer.documents.text import require_passed
from optimizer.errors import DocumentError
from optimizer.model.note import Note
from optimizer.model.outcome import PlanReport
from optimizer.takeoff.take_off import TakeOff
from optimizer.units import US
from optimizer.verify.card import SettingsCard
from optimizer.whole_file import free_target, put_all

PAPERS = ("A4", "letter")


def write_report(
    path: Path,
    report: PlanReport,
    overwrite: bool = False,
    *,
    frontier: Sequence[FrontierPoint] = (),
    chosen: FrontierPoint | None = None,
    frontier_notes: Sequence[Note] = (),
    card: SettingsCard | None = None,
    taken: TakeOff | None = None,
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
        How everything is set after the work, and what every meter should show; without it the meters are left out.
    taken
        The take-off of the plan; without it the part about building is left out.
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
    facts = report_facts(report, frontier, chosen, card, frontier_notes=frontier_notes, taken=taken)
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
    """Return what a reader wants to know first, in one sentence."""
    return paragraph(headline(report), "answer")
