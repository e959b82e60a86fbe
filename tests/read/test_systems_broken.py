"""Broken system files in tests/broken, each with the whole message that it must give in the .txt file beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.errors import InputError
from optimizer.model.catalog import Catalog
from optimizer.read.systems import load_system

BROKEN = Path(__file__).parent.parent / "broken"
NAMES = sorted(path.stem for path in BROKEN.glob("*.yaml"))


@pytest.mark.parametrize("name", NAMES)
def test_a_broken_file_gives_exactly_its_message(name: str, catalog: Catalog, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(BROKEN)

    with pytest.raises(InputError) as caught:
        load_system(Path(f"{name}.yaml"), catalog)

    assert str(caught.value) + "\n" == Path(f"{name}.txt").read_text(encoding="utf-8")


def test_there_are_at_least_25_broken_files() -> None:
    assert len(NAMES) >= 25


def test_a_missing_file_is_said_to_be_missing(catalog: Catalog, tmp_path: Path) -> None:
    path = tmp_path / "nowhere.yaml"

    with pytest.raises(InputError) as caught:
        load_system(path, catalog)

    assert str(caught.value) == f"{path}: found no such file; allowed: the path of a system file"


def test_a_directory_is_no_system_file(catalog: Catalog, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="found a folder"):
        load_system(tmp_path, catalog)
