"""A fresh folder with the examples in it, and the commands run there in this process."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from running import ROOT, Retrofit

from optimizer.cli import main, waiting


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a fresh folder with the examples in it, and go there."""
    shutil.copytree(ROOT / "examples", tmp_path / "examples")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def retrofit(here: Path, monkeypatch: pytest.MonkeyPatch) -> Retrofit:
    """Return a function that runs `retrofit` with these words, in this process."""
    monkeypatch.setattr(waiting, "PATIENCE_S", 60.0)  # a busy machine tells of its waits; these tests are not of that

    def run(*words: str) -> Result:
        return CliRunner().invoke(main, words, prog_name="retrofit", catch_exceptions=False)

    return run
