"""How pipe is bought and which pipe lies there already, as a system file says it."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.errors import InputError
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system

CATALOG = load_catalog()
PLAIN = (data_directory("examples") / "single-return.yaml").read_text(encoding="utf-8")


def load(tmp_path: Path, more: str) -> System:
    path = tmp_path / "system.yaml"
    path.write_text(f"{PLAIN}\n{more}\n", encoding="utf-8")
    return load_system(path, CATALOG)


def test_pipe_is_bought_in_the_sticks_of_the_usual_store_unless_the_file_says_otherwise(tmp_path: Path) -> None:
    rules = load(tmp_path, "").rules

    assert (rules.pipe_in_sticks, rules.store) == (True, "")


@pytest.mark.parametrize(("words", "sticks"), [("in sticks", True), ("by the foot", False), ("by length", False)])
def test_a_file_says_how_pipe_is_bought(tmp_path: Path, words: str, sticks: bool) -> None:
    assert load(tmp_path, f"rules: {{buy pipe: {words}}}").rules.pipe_in_sticks is sticks


def test_a_store_of_the_stick_table_is_named(tmp_path: Path) -> None:
    assert load(tmp_path, "rules: {store: supply house}").rules.store == "supply house"


def test_a_home_center_is_known_by_its_older_name_too(tmp_path: Path) -> None:
    for name in ("home center", "home store"):
        assert load(tmp_path, f"rules: {{store: {name}}}").rules.store == "home center"


def test_an_unknown_store_is_a_fault_with_the_nearest_spelling(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="found the store 'suply house'; allowed: home center, supply house"):
        load(tmp_path, "rules: {store: suply house}")


def test_owned_pipe_is_known_by_its_catalog_row(tmp_path: Path) -> None:
    owned = load(tmp_path, "owned: {1 in sch 40 PVC: [4 ft, 30 in], 3/4 in sch 40 PVC: 600 mm}").owned_m

    assert owned == {
        "sch40-pipe-100": pytest.approx((4 * 0.3048, 30 * 0.0254)),
        "sch40-pipe-075": pytest.approx((0.6,)),
    }


def test_every_fault_of_owned_pipe_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        load(tmp_path, "owned: {1 in sch 40 PVC: [4 ft, 30], 7 in sch 40 PVC: 1 ft, 2 in sch 40 PVC: 0 ft}")

    assert len(caught.value.faults) == 3
