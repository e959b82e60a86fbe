"""What a long search says on the way, and what Ctrl-C does to it."""

from __future__ import annotations

import signal
import time

import pytest
from running import start

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
    """Let Ctrl-C come while the main thread waits for more of the work, so many times."""
    waits, left = waiting._Task.ended_within, [times]

    def wait_or_stop(self: waiting._Task[str], seconds: float) -> bool:
        if seconds > 0.0 and left[0] > 0:
            left[0] -= 1
            raise KeyboardInterrupt
        return waits(self, min(seconds, 0.05))

    monkeypatch.setattr(waiting._Task, "ended_within", wait_or_stop)


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

    assert news.words(7.2) == "7 s; search; best so far 12.34; no plan below 10.00"


def test_a_true_ctrl_c_ends_a_program_with_the_best_so_far() -> None:
    code = (
        "import sys, time\n"
        "from optimizer.cli import waiting\n"
        "waiting.PATIENCE_S = 0.2\n"
        "def work(tell):\n"
        "    try:\n"
        "        while True:\n"
        "            tell('search', 1, 1)\n"
        "            time.sleep(0.05)\n"
        "    except KeyboardInterrupt:\n"
        "        time.sleep(1.0)  # what is under way is brought to its end\n"
        "        return 'the best so far'\n"
        "print(waiting.wait_for_search('Searching', work))\n"
    )
    program = start(code=code)
    assert program.stderr is not None
    assert "Searching ..." in program.stderr.readline()

    time.sleep(0.3)  # it waits again
    program.send_signal(signal.SIGINT)

    out, err = program.communicate(timeout=60)
    assert out == "the best so far\n"
    assert "Ending with the best so far" in err
