"""The page: one file that asks for nothing, the answer first, the numbers of the workbook, sound for screen readers."""

import io
import itertools
import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import planned_examples
import pytest
from said import free

from optimizer.documents.build_words import step_words
from optimizer.documents.drawing.frontier_chart import FrontierPoint
from optimizer.documents.drawing.palette import picture_style
from optimizer.documents.drawing.stick_strips import piece_words
from optimizer.documents.order_sheet import item_words
from optimizer.documents.report import report_page, write_report
from optimizer.documents.report_facts import ReportFacts, report_facts, shown_now
from optimizer.documents.report_html import paragraph
from optimizer.documents.report_sections import SECTIONS, Section
from optimizer.documents.words import flow_words
from optimizer.documents.workbook import workbook_bytes
from optimizer.errors import DocumentError
from optimizer.units import flow_value

sys.path.insert(0, str(Path(__file__).parent / "drawing"))
from example_plans import NAMES, hand_report

VOID = {"meta", "link", "br", "hr", "img", "input"}
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


class Outline(HTMLParser):
    """A page read strictly: every tag closed in turn; headings, ids, links and tables kept."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.stack: list[str] = []
        self.tags: Counter[str] = Counter()
        self.headings: list[str] = []
        self.ids: list[str] = []
        self.attributes: list[tuple[str, dict[str, str]]] = []
        self.text = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        kept = {name: value or "" for name, value in attrs}
        self.tags[tag] += 1
        self.attributes.append((tag, kept))
        if "id" in kept:
            self.ids.append(kept["id"])
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(tag)
        if tag not in VOID:
            self.stack.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.stack.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.stack.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.stack and self.stack[-1] not in ("style", "title"):
            self.text += data + "\n"


@pytest.fixture(scope="module")
def facts() -> ReportFacts:
    return report_facts(hand_report("cellar-sump"))


@pytest.fixture(scope="module")
def page(facts: ReportFacts) -> str:
    return report_page(facts)


@pytest.fixture(scope="module", params=NAMES)
def outline(request: pytest.FixtureRequest) -> Outline:
    return Outline(report_page(report_facts(hand_report(request.param))))


@pytest.mark.long
def test_a_page_has_a_language_one_title_and_one_first_heading(outline: Outline) -> None:
    assert outline.stack == []
    assert ("html", {"lang": "en"}) in outline.attributes
    assert outline.headings.count("h1") == 1
    assert outline.headings[0] == "h1"


def test_headings_skip_no_level(outline: Outline) -> None:
    levels = [int(tag[1]) for tag in outline.headings]

    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))


def test_ids_are_used_once_and_every_reference_has_its_target(outline: Outline) -> None:
    assert len(outline.ids) == len(set(outline.ids))
    wanted = [kept["href"].removeprefix("#") for tag, kept in outline.attributes if tag in ("a", "use")]
    wanted += [one for _, kept in outline.attributes for one in kept.get("aria-labelledby", "").split()]
    assert wanted
    assert set(wanted) <= set(outline.ids)


def test_every_table_has_a_caption_and_headers_for_columns_and_rows(outline: Outline) -> None:
    scopes = Counter(kept.get("scope") for tag, kept in outline.attributes if tag == "th")

    assert outline.tags["caption"] == outline.tags["table"] > 0
    assert set(scopes) == {"col", "row"}


def test_every_picture_has_a_title_and_a_description(outline: Outline) -> None:
    assert outline.tags["svg"] == outline.tags["desc"] > 0
    assert outline.tags["title"] == outline.tags["svg"] + 1
    assert all(kept["role"] == "img" for tag, kept in outline.attributes if tag == "svg")


def test_what_scrolls_can_be_reached_with_the_keyboard_and_has_a_name(outline: Outline) -> None:
    scrolling = [kept for _, kept in outline.attributes if "scroll" in kept.get("class", "").split()]

    assert scrolling
    assert all(kept["tabindex"] == "0" and kept["aria-label"] for kept in scrolling)


def test_every_cell_of_a_table_bears_the_title_of_its_column(outline: Outline) -> None:
    cells = [kept for tag, kept in outline.attributes if tag == "td"]

    assert cells
    assert all(kept["data-title"] and kept["role"] == "cell" for kept in cells)


@pytest.mark.long
def test_on_paper_the_plumbing_after_the_work_has_a_sheet_of_its_own(page: str) -> None:
    sheets = [kept for tag, kept in Outline(page).attributes if kept.get("class", "").startswith("sheet ")]
    uses = [kept["href"] for tag, kept in Outline(page).attributes if tag == "use"]

    assert uses == ["#schematic-after-body"]
    assert [kept["class"] for kept in sheets] == ["sheet tall"]
    assert ".plan .sheet{display:none}" in page.partition("@media print")[0]
    assert "@page tall{size:letter portrait;" in page


def test_shapes_that_a_sheet_takes_from_the_screen_keep_their_looks(page: str) -> None:
    # A browser matches rules inside what is taken over alone, so the group itself must bear the class of pictures.
    assert '<g id="schematic-after-body" class="pic">' in page


def test_a_page_asks_for_nothing_from_outside(page: str) -> None:
    outline = Outline(page)

    for tag, kept in outline.attributes:
        assert tag not in ("script", "iframe", "img", "object", "embed", "form", "base"), tag
        links = [value for name, value in kept.items() if name in ("href", "src", "srcset", "action", "xlink:href")]
        assert all(value.startswith("#") or value == "data:," for value in links)
    assert "://" not in page
    assert not re.search(r"url\(|@import", page)
    assert "default-src 'none'" in page


def test_the_answer_comes_first(page: str, facts: ReportFacts) -> None:
    text = Outline(page).text

    assert f"Parts for ${facts.report.bill.total_cents / 100:.2f} bring all" in text


def test_the_parts_come_in_the_order_of_the_workbook_with_cuts_and_steps() -> None:
    report, taken = planned_examples.taken_off("single-return")
    system, card = report.system, planned_examples.card_of("single-return")
    outline = Outline(report_page(report_facts(report, card=card, taken=taken)))

    keys = [kept["id"] for tag, kept in outline.attributes if tag == "section"]
    assert keys == ["answer", "order", "build", "card", "appendix"]
    for piece in taken.cuts.pieces:
        assert f"mark {piece.mark}\n{piece_words(piece.cut_m, system.units)}\n" in outline.text
    for run in taken.work:
        assert all(f"☐ {step_words(step, report.system.units)}" in outline.text for step in run.steps)


def test_the_page_tells_the_numbers_of_the_workbook(page: str, facts: ReportFacts) -> None:
    report, text = facts.report, Outline(page).text
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(report)), data_only=True)
    rows = list(book["Appendix"].iter_rows(values_only=True))
    head = next(place for place, row in enumerate(rows) if row[0] == "Run")

    for row in rows[head + 1 : head + 1 + len(report.system.network.runs)]:
        before, after = report.before_flows_m3_s[row[0]], report.verification.flows_m3_s[row[0]]
        assert row[5] == pytest.approx(flow_value(before, "US"), abs=1e-6)
        assert row[6] == pytest.approx(flow_value(after, "US"), abs=1e-6)
        assert flow_words(before, "US") in text
        assert flow_words(after, "US") in text
    for line in report.bill.lines:
        assert item_words(line) in text
        assert f"${line.extended_cents / 100:,.2f}" in text


def test_the_pictures_show_the_flows_of_the_check(facts: ReportFacts) -> None:
    for run, flow in facts.report.verification.flows_m3_s.items():
        assert facts.after.solution.flows_m3_s[run] == pytest.approx(flow, abs=1e-9)


@pytest.mark.long
def test_the_pictures_show_the_flows_of_a_plan_that_was_searched() -> None:
    report = planned_examples.searched("starter")[0]

    after = report_facts(report).after.solution.flows_m3_s

    assert after == pytest.approx(dict(report.verification.flows_m3_s), abs=1e-9)


def test_what_a_file_says_is_shown_as_text(page: str) -> None:
    assert "mind the &lt;b&gt;drain&lt;/b&gt;" in page


@pytest.mark.long
def test_the_same_report_gives_the_same_page(page: str, facts: ReportFacts) -> None:
    assert report_page(facts) == page
    assert report_page(report_facts(hand_report("cellar-sump"))) == page


def test_a_section_is_added_by_handing_it_over(facts: ReportFacts) -> None:
    told = Section("settings", "Settings card", lambda given: paragraph(f"For {given.report.system.name}."))
    silent = Section("safety", "Nothing to say", lambda given: "")

    page = report_page(facts, sections=(told, silent, *SECTIONS))

    assert '<section id="settings" aria-labelledby="settings-heading">' in page
    assert '<a href="#settings">Settings card</a>' in page
    assert "Nothing to say" not in page


def test_cost_against_flow_is_there_when_it_was_worked_out(facts: ReportFacts, page: str) -> None:
    points = (FrontierPoint(0, 0.0002), FrontierPoint(5000, 0.0003))

    with_chart = report_page(replace(facts, frontier=points, chosen=points[1]))

    assert 'id="frontier"' in with_chart
    assert 'id="frontier"' not in page


def test_what_is_to_be_said_of_cost_against_flow_stands_there_even_without_the_chart(facts: ReportFacts) -> None:
    page = report_page(replace(facts, frontier_notes=(free("No plan was found: the time limit came."),)))

    assert 'id="frontier"' in page
    assert "<li>No plan was found: the time limit came.</li>" in page
    assert 'id="frontier-title"' not in page


@pytest.mark.long
@pytest.mark.parametrize(
    ("units", "paper", "wanted"), [("US", None, "letter"), ("metric", None, "A4"), ("US", "A4", "A4")]
)
def test_the_paper_is_the_one_of_the_country_unless_told(
    units: str, paper: str | None, wanted: str, facts: ReportFacts
) -> None:
    report = replace(facts.report, system=replace(facts.report.system, units=units))

    assert f"@page{{size:{wanted};" in report_page(replace(facts, report=report), paper=paper)


def test_an_unknown_paper_is_refused(facts: ReportFacts) -> None:
    with pytest.raises(DocumentError, match="A4, letter"):
        report_page(facts, paper="napkin")


def test_a_page_is_written_whole_and_replaces_nothing_unasked(tmp_path: Path) -> None:
    path, report = tmp_path / "plan.html", hand_report("single-return")
    write_report(path, report)
    first = path.read_bytes()

    with pytest.raises(DocumentError, match="is there already"):
        write_report(path, report)
    write_report(path, report, overwrite=True)

    assert path.read_bytes() == first
    assert os.listdir(tmp_path) == ["plan.html"]


def test_a_plan_that_failed_its_check_is_not_written(tmp_path: Path) -> None:
    report = hand_report("single-return")
    failed = replace(report, verification=replace(report.verification, passed=False, failures=(free("too little"),)))

    with pytest.raises(DocumentError, match="too little"):
        write_report(tmp_path / "plan.html", failed)
    assert os.listdir(tmp_path) == []


def test_like_parts_that_come_out_are_marked_where_they_stand() -> None:
    report = hand_report("cellar-sump")
    facts = report_facts(report)
    gone = shown_now(report.system, facts.now, report).gone

    parts = report.system.network.runs["riser"].parts
    assert gone == {("riser", index) for index, part in enumerate(parts) if part.kind.value == "elbow"}


@pytest.mark.long
@pytest.mark.skipif(CHROMIUM is None, reason="there is no Chromium to print with")
def test_a_browser_prints_the_page(tmp_path: Path) -> None:
    source, printed = tmp_path / "plan.html", tmp_path / "plan.pdf"
    write_report(source, hand_report("metric-unions"))
    quiet = ["--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync"]
    folder = f"--user-data-dir={tmp_path / 'browser'}"
    command = [str(CHROMIUM), "--headless", "--no-sandbox", "--disable-quic", "--no-first-run", *quiet, folder]

    subprocess.run(
        [*command, "--no-pdf-header-footer", f"--print-to-pdf={printed}", source.as_uri()],
        check=True,
        capture_output=True,
        timeout=60,
    )

    content = printed.read_bytes()
    assert content.startswith(b"%PDF")
    a4_points = re.search(rb"/MediaBox\s*\[\s*0 0 59[45]\S* 84[12]\S*\s*\]", content)
    assert a4_points


@pytest.mark.parametrize("name", ["schematic-after", "frontier"])
def test_the_pictures_in_the_readme_have_todays_looks(name: str) -> None:
    # Which of the plans that cost the same is drawn may differ from machine to machine; the looks may not.
    svg = (Path(__file__).parents[2] / "examples" / "pictures" / f"{name}.svg").read_text(encoding="utf-8")

    assert picture_style() in svg
    assert f'<g id="{name}-body" class="pic">' in svg
