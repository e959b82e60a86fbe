"""Fixtures of the search tests."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.choices import offers

# Searches by the list over every place where a pipe may be cut take minutes in all: they run with the slow ones.
_MINUTES = frozenset(
    f"test_{name}.py"
    for name in (
        *("among_what_fits", "around_the_plan", "budget", "cut_limit", "first_plans", "lines_from_elsewhere"),
        *("one_answer", "optimum", "own_lists", "pipe_kept_in_part", "rings", "rules_hold", "safe_unknown_flows"),
        *("second_pump", "several_pumps", "several_sources", "box_search", "plans_by_hand"),
    )
)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what takes minutes as slow, before the markers are looked at."""
    for item in items:
        if Path(__file__).parent == item.path.parent and item.path.name in _MINUTES:
            item.add_marker(pytest.mark.slow)


@pytest.fixture
def whole_pipes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let pipe be replaced whole or not at all, so that every way to plumb a small tree can be written out."""
    monkeypatch.setattr(offers, "SHARES", ())
