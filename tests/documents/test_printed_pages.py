"""The workbook of each example as a spreadsheet program prints it: on how many pages, and in what size of type."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from functools import cache
from pathlib import Path

import openpyxl
import planned_examples
import pytest

from optimizer.documents.report_facts import report_facts
from optimizer.documents.sheet_kit import Sheet
from optimizer.documents.workbook import workbook_bytes
from optimizer.model.outcome import PlanReport
from optimizer.takeoff.take_off import TakeOff
from optimizer.verify.card import SettingsCard

NAMES = ("cellar-sump", "metric-unions", "single-return")
FRONT = 3  # answer, order, card
every_example = pytest.mark.parametrize("name", planned_examples.each(NAMES))
no_program = pytest.mark.skipif(shutil.which("soffice") is None, reason="no spreadsheet program on this machine")


def planned(name: str) -> tuple[PlanReport, TakeOff, SettingsCard]:
    return *planned_examples.taken_off(name), planned_examples.card_of(name)


@cache
def content(name: str, paper: str) -> bytes:
    report, taken, card = planned(name)
    return workbook_bytes(report, taken=taken, card=card, facts=report_facts(report, with_gains=False), paper=paper)


def most_pages(name: str) -> int:
    """Four sheets, one page of the workbench more for every three runs that change, three of the appendix."""
    return FRONT + 1 + -(-len(planned(name)[1].work) // 3) + 3


@pytest.mark.long
@every_example
def test_the_sheets_are_answer_order_build_card_and_an_appendix(name: str) -> None:
    names = openpyxl.load_workbook(io.BytesIO(content(name, "letter"))).sheetnames

    kinds = list(dict.fromkeys(re.sub(r" \d+$", "", one) for one in names))
    assert kinds == ["Answer", "Order", "Build", "Card", "Appendix", "Plumbing after"]


@pytest.mark.long
@every_example
def test_each_sheet_states_on_how_many_pages_it_prints(name: str) -> None:
    book = openpyxl.load_workbook(io.BytesIO(content(name, "A4")))
    pages = [(sheet.page_setup.fitToWidth or 1, sheet.page_setup.fitToHeight or 1) for sheet in book]

    assert {wide for wide, _ in pages} == {1}
    assert sum(high for _, high in pages) <= most_pages(name)
    assert all(sheet.print_area for sheet in book)


@every_example
def test_print_is_not_scaled_down_beyond_reading(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    scales: dict[str, float] = {}
    kept = Sheet.set_print

    def noted(sheet: Sheet) -> None:
        scales[sheet.worksheet.get_name()] = sheet.scale
        kept(sheet)

    monkeypatch.setattr(Sheet, "set_print", noted)
    report, taken, card = planned(name)
    workbook_bytes(report, taken=taken, card=card, facts=report_facts(report, with_gains=False))

    # 10 point type: 6.5 points are the least that is read at the workbench, 5 what one looks up once (no source)
    assert {sheet: scale for sheet, scale in scales.items() if scale < 0.65 and sheet != "Appendix"} == {}
    assert scales["Appendix"] >= 0.5


@no_program
@pytest.mark.slow
@pytest.mark.parametrize("paper", ["letter", "A4"])
@every_example
def test_a_spreadsheet_program_prints_it_on_these_pages(name: str, paper: str, tmp_path: Path) -> None:
    path = tmp_path / "parts.xlsx"
    path.write_bytes(content(name, paper))
    home = (tmp_path / "home").as_uri()
    command = [
        "soffice",
        f"-env:UserInstallation={home}",
        "--headless",
        "--convert-to",
        "pdf",
        "--outdir",
        str(tmp_path),
    ]
    subprocess.run([*command, "--outdir", str(tmp_path), str(path)], check=True, capture_output=True, timeout=180)

    pdf = (tmp_path / "parts.pdf").read_bytes()
    assert 5 <= len(re.findall(rb"/Type\s*/Page[^s]", pdf)) <= most_pages(name)
