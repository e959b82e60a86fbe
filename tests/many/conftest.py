"""A folder of systems, and work without processes."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from many.jobs import GOOD, here

from optimizer.many import workers


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """Return a folder with a system that is planned, one with an error, one in a folder of its own, and no system."""
    folder = tmp_path / "shop"
    (folder / "north").mkdir(parents=True)
    shutil.copy(GOOD, folder / "a.yaml")
    (folder / "bad.yaml").write_text("system: x\nunits: US\nruns: {a: {from: b}}\n", encoding="utf-8")
    text = GOOD.read_text(encoding="utf-8").replace("at least 700 gal/h", "at least 90000 gal/h")
    (folder / "north" / "a.yml").write_text(text, encoding="utf-8")
    (folder / "notes.txt").write_text("nothing", encoding="utf-8")
    return folder


@pytest.fixture
def no_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "by_processes", lambda jobs, workers: here(jobs))
