"""Factors are written into a system file and nothing else in it changes."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.edits.factors import with_factors
from optimizer.edits.saving import text_of
from optimizer.edits.splice import value_at
from optimizer.errors import EditError
from optimizer.model.calibration import Calibration
from optimizer.model.dial import POWER, Dial, DialKind
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system

EXAMPLES = sorted(data_directory("examples").glob("*.yaml"))
FOUND = Calibration(1.12, {"return": 0.94}, 0.05, {"return": POWER})


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_byte_that_was_there_stays(path: Path) -> None:
    before = text_of(path.read_bytes())
    after = with_factors(before, FOUND)
    at = after.index("\n\n# Found from the readings under 'measured'")
    assert before.startswith(after[:at])
    assert after.endswith(before[at:])
    assert after.count("\ncalibration:") == 1


def test_the_factors_are_read_back(tmp_path: Path) -> None:
    path = tmp_path / "system.yaml"
    before = text_of((data_directory("examples") / "cellar-sump.yaml").read_bytes())
    path.write_text(with_factors(before, FOUND), encoding="utf-8")
    system = load_system(path, load_catalog())
    assert system.calibration == FOUND
    assert system.network.loss_factor == 1.12
    assert system.network.points["sump"].head_m == pytest.approx(-0.05)
    assert system.network.pumps["return"].head_factor == 0.94
    assert system.network.pumps["return"].speed == pytest.approx(0.9 ** (1 / 3))


def test_a_block_that_is_there_is_changed_and_keeps_its_comments_and_place() -> None:
    text = "a: 1   # one\ncalibration: # mine\n  loss factor: 1.5   # was high\n  height shift: 1 in\n\n# of b\nb: 2\n"
    after = with_factors(text, Calibration(1.25))
    assert after == "a: 1   # one\ncalibration: # mine\n  loss factor: 1.25   # was high\n\n# of b\nb: 2\n"


def test_writing_twice_is_writing_once() -> None:
    once = with_factors("a: 1\n", FOUND)
    assert with_factors(once, FOUND) == once


def test_line_ends_and_byte_order_mark_stay() -> None:
    after = with_factors("\ufeffa: 1\r\nb: 2\r\n", Calibration(1.1))
    assert after.startswith("\ufeffa: 1\r\nb: 2\r\n")
    assert after.count("\n") == after.count("\r\n")


def test_a_table_and_names_that_yaml_would_misread_are_quoted() -> None:
    table = Dial(DialKind.TABLE, table=((0.3, 0.55), (1.0, 1.0)))
    after = with_factors("a: 1\n", Calibration(dials={"no": table, "a: b": POWER}))
    assert "30 %: 55 %" in after
    assert "'a: b': power" in after


@pytest.mark.parametrize("text", ["{a: 1}\n", "a: |\n  text\nb: >\n  more\n...\n"])
def test_a_mapping_in_brackets_and_a_marked_end_take_another_key(text: str) -> None:
    assert value_at(with_factors(text, Calibration(1.1)), ("calibration", "loss factor")) == "1.1"


@pytest.mark.parametrize("text", ["- a\n", "word\n"])
def test_a_file_that_can_not_take_another_key_is_refused(text: str) -> None:
    with pytest.raises(EditError):
        with_factors(text, FOUND)
