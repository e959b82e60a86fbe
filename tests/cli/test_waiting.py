"""What a long search says on the way, and what Ctrl-C does to it."""

from __future__ import annotations

import time

import pytest

from optimizer.cli import waiting
from optimizer.cli.waiting import Tell, wait_for_search


def search_until_stopped(tell: Tell) -> str:
    """Return what was found once the teller asks to end, as every search does."""
    try:
        for _ in range(1000):
            tell("search", 1234, 1000)
            time.sleep(0.01)
    except KeyboardInterrupt:
        return "the best so far"
    return "the proof"


def interrupted(monkeypatch: pytest.MonkeyPatch, times: int) -> None:
    """Let Ctrl-C come while the main thread waits, so many times."""
    join, left = waiting._Task.join, [times]

    def join_or_stop(self: waiting._Task[str], timeout: float | None = None) -> None:
        join(self, 0.05)
        if timeout is not None and left[0] > 0 and waiting_began[0]:
            left[0] -= 1
            raise KeyboardInterrupt
        waiting_began[0] = True

    waiting_began = [False]
    monkeypatch.setattr(waiting._Task, "join", join_or_stop)


def test_ctrl_c_ends_a_search_with_the_best_so_far(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    interrupted(monkeypatch, 1)

    assert wait_for_search("Searching", search_until_stopped) == "the best so far"
    assert "Ending with the best so far" in capsys.readouterr().err


def test_a_second_ctrl_c_ends_it_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    def deaf(tell: Tell) -> str:
        time.sleep(2.0)
        return "too late"

    interrupted(monkeypatch, 2)

    with pytest.raises(KeyboardInterrupt):
        wait_for_search("Searching", deaf)


def test_the_line_on_a_terminal_tells_stage_best_and_bound() -> None:
    news = waiting._News()
    news.tell("search", 1234, 1000)

    assert news.words(7.2) == "7 s; search; best so far 12.34; none below 10.00"
