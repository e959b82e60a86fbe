"""The shipped catalog, and what reads a system file or one run from its parts."""

from __future__ import annotations

from pathlib import Path

import pytest
from read.one_line import SYSTEM

from optimizer.model.catalog import Catalog
from optimizer.model.network import Part
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system


@pytest.fixture(scope="module")
def catalog() -> Catalog:
    return load_catalog()


@pytest.fixture
def read(catalog: Catalog, tmp_path: Path):  # type: ignore[no-untyped-def]
    """Return a function that reads the text of a system file."""

    def read_text(text: str) -> System:
        path = tmp_path / "system.yaml"
        path.write_text(text, encoding="utf-8")
        return load_system(path, catalog)

    return read_text


@pytest.fixture
def line(read):  # type: ignore[no-untyped-def]
    """Return a function that reads one run from its parts."""

    def read_line(parts: str, size: str = "1 in sch 40 PVC", more: str = "", units: str = "US") -> tuple[Part, ...]:
        system = read(SYSTEM.format(parts=parts, size=size, more=more, units=units))
        return system.network.runs["line"].parts

    return read_line
