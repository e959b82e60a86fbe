"""Fixtures of the search tests."""

from __future__ import annotations

import pytest

from optimizer.choices import offers


@pytest.fixture
def whole_pipes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let pipe be replaced whole or not at all, so that every way to plumb a small tree can be written out."""
    monkeypatch.setattr(offers, "SHARES", ())
