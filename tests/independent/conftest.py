"""What is gone through one by one here takes a pipe whole or leaves it whole; so does the search held against it.

That part of a pipe may stay is checked in `tests/search/test_pipe_kept_in_part.py`.
"""

from __future__ import annotations

import pytest

from optimizer.choices import offers


@pytest.fixture(autouse=True)
def whole_pipes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(offers, "SHARES", ())
