"""The settings card as text, page and workbook: one set of numbers, whole files, the usual cautions."""

from __future__ import annotations

import io
from dataclasses import replace
from html import escape
from pathlib import Path

import openpyxl
import planned_examples
import pytest
from click.testing import CliRunner

from optimizer.cli import main
from optimizer.documents.card_words import emergency_lines
from optimizer.documents.report import report_page
from optimizer.documents.report_facts import report_facts
from optimizer.documents.settings_card import card_blocks, card_page, card_workbook, meter_rows, note_lines, write_card
from optimizer.documents.tables import plain_text
from optimizer.documents.workbook import workbook_bytes
from optimizer.errors import DocumentError
from optimizer.model.dial import RPM, Dial
from optimizer.model.outcome import PlanReport
from optimizer.read.places import data_directory
from optimizer.verify.card import SettingsCard

FILE = data_directory("examples") / "single-return.yaml"


def planned() -> PlanReport:
    return planned_examples.searched(FILE.stem)[0]


def card() -> SettingsCard:
    return planned_examples.card_of(FILE.stem)


def test_page_workbook_and_text_have_the_same_numbers() -> None:
    text, page = plain_text(card_blocks(card())), card_page(card())
    book = openpyxl.load_workbook(io.BytesIO(card_workbook(card())))
    cells = {str(cell.value) for row in book["Card"].iter_rows() for cell in row if cell.value is not None}

    for row in meter_rows(card(), card().modes[0]):
        for number in row:
            assert number in text
            assert number in page
            assert number in cells


def test_an_emergency_is_told_of_what_there_is() -> None:
    bin_told, return_told = (
        " ".join(emergency_lines(planned_examples.searched(name)[0].system))
        for name in ("house-water", "single-return")
    )

    assert "House water runs on" in bin_told
    assert "emergency drain" not in bin_told
    assert "House water" not in return_told
    assert "The emergency drain runs" in return_told


def test_the_workbook_and_the_report_of_the_plan_hold_the_same_card() -> None:
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(planned(), card=card())))
    alone = openpyxl.load_workbook(io.BytesIO(card_workbook(card())))["Card"]
    page = report_page(report_facts(planned(), card=card()))

    assert list(book["Card"].values) == list(alone.values)
    for mode in card().modes:
        for row in meter_rows(card(), mode):
            assert all(number.split(" (")[0] in page for number in row if mode.meters)
    assert all(escape(line) in page for line in note_lines(card()))


@pytest.mark.parametrize("dial", [None, RPM])
def test_percents_that_nobody_explained_are_told_as_what_they_are_taken(dial: Dial | None) -> None:
    found = planned_examples.card_of("cellar-sump")
    modes = tuple(
        replace(mode, network=replace(mode.network, pumps={n: replace(p, dial=dial) for n, p in at.items()}))
        for mode in found.modes
        for at in (mode.network.pumps,)
    )
    slower = min(pump.speed for mode in modes for pump in mode.network.pumps.values())
    text = plain_text(card_blocks(replace(found, modes=modes)))

    assert slower < 0.99
    assert ("mean is not stated (`dial`): here they are shares of full rpm" in text) is (dial is None)
    assert "Safe: " in text


def test_without_the_card_the_workbook_and_the_report_say_nothing_of_it() -> None:
    assert "Card" not in openpyxl.load_workbook(io.BytesIO(workbook_bytes(planned()))).sheetnames
    assert "What every meter should show" not in report_page(report_facts(planned()))


def test_the_card_gives_the_last_word_to_codes_and_licensed_trades() -> None:
    for told in (plain_text(card_blocks(card())), card_page(card())):
        assert "Local codes, and licensed electricians and plumbers, have the last word" in told
        assert "GFCI" in told


def test_the_page_asks_for_nothing_from_outside_and_has_one_title() -> None:
    page = card_page(card())

    assert "http" not in page.replace("http-equiv", "")
    assert page.count("<h1>") == 1


def test_the_same_card_gives_the_same_bytes() -> None:
    assert card_workbook(card()) == card_workbook(card())
    assert card_page(card()) == card_page(card())


def test_a_file_that_is_there_is_not_overwritten(tmp_path: Path) -> None:
    target = tmp_path / "card.html"
    target.write_text("mine")

    with pytest.raises(DocumentError):
        write_card(target, card())
    assert target.read_text() == "mine"


@pytest.mark.parametrize("name", ["card.html", "card.xlsx"])
def test_the_command_writes_a_page_or_a_workbook(tmp_path: Path, name: str) -> None:
    result = CliRunner().invoke(main, ["settings", str(FILE), "-o", str(tmp_path / name)])

    assert result.exit_code == 0, result.output
    assert (tmp_path / name).stat().st_size > 2000


def test_the_command_prints_the_card_of_the_plumbing_as_it_stands() -> None:
    result = CliRunner().invoke(main, ["settings", "--now", str(FILE)])

    assert result.exit_code == 0, result.output
    assert "as it stands" in result.stdout
    assert "576 gph" in result.stdout
