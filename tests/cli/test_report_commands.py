"""`report` writes a page, `draw` a folder of pictures; both whole, or nothing with a reason and an exit code."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from running import Retrofit

PICTURES = {"schematic-now.svg", "head-1.svg", "pump-1.svg", "losses-now.svg"}


@pytest.mark.long
def test_report_writes_one_page(retrofit: Retrofit, here: Path) -> None:
    result = retrofit("report", "examples/starter.yaml", "-o", "plan.html")

    assert (result.exit_code, result.stdout) == (0, "Wrote plan.html.\n")
    page = Path("plan.html").read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>")
    assert "bring the flow to its target" in page


@pytest.mark.long
def test_report_prints_on_the_paper_that_is_asked_for(retrofit: Retrofit, here: Path) -> None:
    retrofit("report", "examples/starter.yaml", "-o", "plan.html", "--paper", "A4")

    assert "@page{size:A4;" in Path("plan.html").read_text(encoding="utf-8")


@pytest.mark.long
def test_report_replaces_a_file_only_when_told(retrofit: Retrofit, here: Path) -> None:
    Path("plan.html").write_text("mine")

    refused = retrofit("report", "examples/starter.yaml", "-o", "plan.html")
    kept = Path("plan.html").read_text()
    replaced = retrofit("report", "examples/starter.yaml", "-o", "plan.html", "--replace")

    assert (refused.exit_code, kept, replaced.exit_code) == (2, "mine", 0)
    assert "plan.html: is there already" in refused.stderr


def test_report_wants_a_name_that_a_browser_opens(retrofit: Retrofit, here: Path) -> None:
    result = retrofit("report", "examples/starter.yaml", "-o", "plan.pdf")

    assert result.exit_code == 2
    assert "plan.html" in result.stderr


def test_draw_writes_a_plumbing_as_it_stands(retrofit: Retrofit, here: Path) -> None:
    result = retrofit("draw", "examples/starter.yaml", "-o", "pictures")

    assert result.exit_code == 0
    assert {path.name for path in Path("pictures").iterdir()} == PICTURES
    for path in Path("pictures").iterdir():
        assert ET.parse(path).getroot().tag == "{http://www.w3.org/2000/svg}svg"


@pytest.mark.long
def test_draw_with_a_plan_shows_it_now_and_after(retrofit: Retrofit, here: Path) -> None:
    result = retrofit("draw", "examples/starter.yaml", "-o", "pictures", "--plan")

    assert result.exit_code == 0
    names = {path.name for path in Path("pictures").iterdir()}
    assert names == PICTURES | {"schematic-after.svg", "losses-after.svg", "frontier.svg", "certainty.svg"}


@pytest.mark.long
def test_draw_twice_gives_the_same_bytes(retrofit: Retrofit, here: Path) -> None:
    for folder in ("one", "two"):
        retrofit("draw", "examples/cellar-sump.yaml", "-o", folder)

    for path in Path("one").iterdir():
        assert path.read_bytes() == (Path("two") / path.name).read_bytes()


@pytest.mark.parametrize("command", ["draw", "report"])
def test_a_missing_system_file_is_told(command: str, retrofit: Retrofit, here: Path) -> None:
    result = retrofit(command, "nowhere.yaml", "-o", "out.html")

    assert result.exit_code == 2
    assert "nowhere.yaml" in result.stderr
    assert not Path("out.html").exists()


def test_draw_replaces_nothing_unasked(retrofit: Retrofit, here: Path) -> None:
    Path("pictures").mkdir()
    (Path("pictures") / "losses-now.svg").write_text("mine")

    result = retrofit("draw", "examples/starter.yaml", "-o", "pictures")

    assert result.exit_code == 2
    assert [path.name for path in Path("pictures").iterdir()] == ["losses-now.svg"]
