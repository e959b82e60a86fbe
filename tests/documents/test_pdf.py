"""The report as a PDF: the page's words and sheets, its own letters, and a plain error where the library is missing."""

import importlib.util
import re
import sys
import xml.etree.ElementTree as ET
import zlib
from functools import cache
from pathlib import Path

import pytest
from click.testing import CliRunner

from optimizer.cli import main
from optimizer.documents.pdf import pdf_of, require_pdf, with_own_style
from optimizer.documents.report import report_page, write_report
from optimizer.documents.report_facts import report_facts
from optimizer.errors import DocumentError
from optimizer.read.places import data_directory

sys.path.insert(0, str(Path(__file__).parent / "drawing"))
from example_plans import hand_report


@cache
def page() -> str:
    return report_page(report_facts(hand_report("single-return")))


@cache
def printed() -> bytes:
    pytest.importorskip("weasyprint", exc_type=(ImportError, OSError))  # OSError: the system has no Pango
    return pdf_of(page())


def pictures() -> list[str]:
    return re.findall(r"<svg xmlns.*?</svg>", with_own_style(page()), re.DOTALL)


def unpacked(pdf: bytes) -> bytes:
    """Return the packed streams of a PDF, in which its objects may lie."""
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.DOTALL)
    return b"\n".join(zlib.decompressobj().decompress(one) for one in streams if one[:1] == b"x")


def test_for_the_pdf_every_picture_is_complete_in_itself() -> None:
    assert len(pictures()) == page().count("<svg ")
    for picture in pictures():
        ET.fromstring(picture)
        assert "<use" not in picture
        assert ".pic .pipe.pipe{stroke:#000000}" in picture


def test_a_halo_lies_under_its_letters() -> None:
    haloed = re.search(r'<text class="words halo"([^>]*)>([^<]*)</text>(.*?)</text>', "".join(pictures()))

    assert haloed is not None
    assert haloed[3] == f'<text class="words"{haloed[1]}>{haloed[2]}'


@pytest.mark.long
def test_a_pdf_has_pages_of_the_paper_its_own_letters_and_tags_for_screen_readers() -> None:
    objects = unpacked(printed())

    assert printed().startswith(b"%PDF")
    assert re.search(rb"/MediaBox \[\s*0 0 612 792\s*\]", objects)  # letter, in points
    assert b"/StructTreeRoot" in objects
    assert set(re.findall(rb"/BaseFont /(?:[A-Z]{6}\+)?([\w-]+)", objects)) == {b"Arial", b"Arial-Bold"}


@pytest.mark.long
def test_the_same_page_gives_the_same_pdf() -> None:
    assert printed() == pdf_of(page())


@pytest.mark.long
def test_a_report_is_written_as_a_page_and_as_a_pdf(tmp_path: Path) -> None:
    assert printed()
    write_report(tmp_path / "plan.html", hand_report("single-return"), pdf=tmp_path / "plan.pdf")

    assert (tmp_path / "plan.html").read_text(encoding="utf-8") == page()
    assert (tmp_path / "plan.pdf").read_bytes() == printed()


def test_a_name_that_does_not_end_in_pdf_is_refused_and_nothing_is_written(tmp_path: Path) -> None:
    with pytest.raises(DocumentError, match=r"ends in \.pdf"):
        write_report(tmp_path / "plan.html", hand_report("single-return"), pdf=tmp_path / "plan.doc")
    assert list(tmp_path.iterdir()) == []


def without_library(monkeypatch: pytest.MonkeyPatch) -> None:
    found = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "weasyprint" else found(name))


def test_without_the_library_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    without_library(monkeypatch)

    with pytest.raises(DocumentError, match=r"pip install 'retrofit-optimizer\[pdf\]'"):
        require_pdf()


def test_the_command_says_so_before_it_searches(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    without_library(monkeypatch)
    file, html, pdf = data_directory("examples") / "starter.yaml", tmp_path / "plan.html", tmp_path / "plan.pdf"

    result = CliRunner().invoke(main, ["report", str(file), "-o", str(html), "--pdf", str(pdf)])

    assert result.exit_code == 2
    assert "a PDF needs the optional library WeasyPrint" in result.output
    assert "Searching" not in result.output
    assert list(tmp_path.iterdir()) == []
