"""The cut list and the adapters as sheets, as text and as data."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import openpyxl
import pytest
import xlsxwriter

from optimizer.documents.cut_text import cut_blocks, cut_json
from optimizer.documents.joint_sheets import ADAPTERS_SHEET, CUT_SHEET, adapters_sheet, cut_sheet
from optimizer.documents.sheet_kit import LETTER, Book
from optimizer.documents.tables import plain_text
from optimizer.model.catalog import Kind
from optimizer.model.plan import Plan, RunPlan, Status
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.stock_lengths import load_stick_rules
from optimizer.read.systems import load_system
from optimizer.takeoff.cut_list import CutList, cut_list
from optimizer.takeoff.ports import PortWays, ways_at_ports


@cache
def made() -> tuple[CutList, tuple[PortWays, ...]]:
    """Every pipe of one run of an example bought anew, and the ways at the example's ports."""
    catalog = load_catalog()
    system = load_system(Path(data_directory("examples") / "cellar-sump.yaml"), catalog)
    runs = {}
    for name, run in system.network.runs.items():
        fresh = name == "riser"
        parts = tuple(replace(p, existing=False) if p.kind is Kind.PIPE and fresh else p for p in run.parts)
        runs[name] = RunPlan(name, parts, (), (), (), ())
    plan = Plan(Status.OPTIMAL, 0, 0, "USD", runs, {}, {})
    cuts = cut_list(system.network, plan, catalog, load_stick_rules())
    return cuts, ways_at_ports(system, catalog, {"riser": 5e-4})


def written(cuts: CutList, found: tuple[PortWays, ...]) -> Any:
    memory = io.BytesIO()
    with xlsxwriter.Workbook(memory, {"in_memory": True}) as workbook:
        book = Book(workbook, "US", "USD", LETTER, "Test")
        cut_sheet(book, cuts)
        adapters_sheet(book, found)
    return openpyxl.load_workbook(io.BytesIO(memory.getvalue()))


def column(sheet: Any, letter: str) -> list[Any]:
    return [cell.value for cell in sheet[letter]]


def test_the_cut_sheet_has_each_piece_once_with_its_length_as_a_number() -> None:
    cuts, found = made()
    sheet = written(cuts, found)[CUT_SHEET]
    rows = list(sheet.iter_rows(min_row=2, max_row=1 + len(cuts.pieces), values_only=True))

    assert [row[0] for row in rows] == [piece.mark for piece in cuts.pieces]
    assert [row[6] for row in rows] == pytest.approx([1000 * piece.cut_m for piece in cuts.pieces])
    assert sheet.freeze_panes == "A2"
    assert sheet.auto_filter.ref == f"A1:I{1 + len(cuts.pieces)}"


def test_the_sticks_on_the_sheet_name_every_mark_once_and_add_up() -> None:
    cuts, found = made()
    sheet = written(cuts, found)[CUT_SHEET]
    first = column(sheet, "A").index("Stick") + 2
    last = next(i for i, value in enumerate(column(sheet, "A"), start=1) if str(value).startswith("Total"))
    marks = [mark for row in range(first, last) for mark in sheet[f"E{row}"].value.split(", ")]

    assert sorted(marks, key=int) == [piece.mark for piece in cuts.pieces]
    assert sheet[f"I{last}"].value == f"=SUM(I{first}:I{last - 1})"
    prices = [sheet[f"I{row}"].value for row in range(first, last)]
    assert sum(prices) == pytest.approx(sum(pipes.plan.cost_cents for pipes in cuts.pipes) / 100)


def test_the_adapters_sheet_shows_each_port_with_its_best_ways_and_refusals() -> None:
    cuts, found = made()
    sheet = written(cuts, found)[ADAPTERS_SHEET]
    places, verdicts = column(sheet, "A"), column(sheet, "J")

    for one in found:
        assert any(str(place).startswith(f"{one.port.run}: {one.port.words}") for place in places)
    assert sum("best by price" in str(text) for text in verdicts) == len(found)
    refused = [text for text in verdicts if str(text).startswith("NOT allowed")]
    assert any("brass in salt water" in text for text in refused)
    assert all(isinstance(value, (int, float)) for value in column(sheet, "E")[1 : 1 + len(found)])


def test_nothing_to_cut_and_no_ports_are_said_in_words() -> None:
    book = written(CutList((), (), 0.003, "USD"), ())

    assert "No pipe is cut." in column(book[CUT_SHEET], "B")
    assert "No pump and no device has a threaded port." in column(book[ADAPTERS_SHEET], "A")
    assert "No pipe is cut." in plain_text(cut_blocks(CutList((), (), 0.003, "USD"), "US"))


def test_the_cut_list_as_text_has_marks_lengths_and_how_they_are_measured() -> None:
    cuts, _ = made()
    text = plain_text(cut_blocks(cuts, "US"))

    for words in ("cut these marks", "face to face", "A saw cut takes 1/8 in.", cuts.pieces[0].item.description):
        assert words in text


def test_the_cut_list_as_data_holds_what_is_cut_from_each_stick() -> None:
    cuts, _ = made()
    data = json.loads(json.dumps(cut_json(cuts), allow_nan=False))

    assert sorted((m for stick in data["sticks"] for m in stick["marks"]), key=int) == [
        piece["mark"] for piece in data["pieces"]
    ]
    length_m = {piece["mark"]: piece["cut_m"] for piece in data["pieces"]}
    for stick in data["sticks"]:
        whole = sum(length_m[mark] for mark in stick["marks"]) + stick["saw_m"] + stick["offcut_m"]
        assert whole == pytest.approx(stick["length_m"])
