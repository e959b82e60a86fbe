"""`retrofit` as a program of its own: pipes and terminals, progress, Ctrl-C, an encoding that lacks signs, start-up."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from running import LONG, PROGRAM, SHORT, program, start, surroundings

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="signals and terminals of POSIX")

DONE = "examples/measured-return.yaml"  # nothing to buy: its search takes no time

SLOW_SEARCH = f"""
import os, time
from optimizer import pipeline
search = pipeline.search
def slow(*words, **more):
    time.sleep(float(os.environ["DELAY_S"]))
    return search(*words, **more)
pipeline.search = slow
{PROGRAM}
"""

CHATTY_SEARCH = f"""
import ctypes
from optimizer import pipeline
search = pipeline.search
def chatty(*words, **more):
    ctypes.CDLL(None).printf(b"a solver's own words\\n")
    return search(*words, **more)
pipeline.search = chatty
{PROGRAM}
"""


def without_patience(err: str) -> list[str]:
    """Return the lines but those that tell of work of more than a second: on a busy machine any work may be that."""
    return [line for line in err.splitlines() if not re.fullmatch(r"[A-Z].*( \.\.\.( \(.*\))?|: \d+\.\d s)", line)]


@pytest.mark.long
@posix_only
def test_what_a_compiled_library_prints_by_itself_never_mixes_with_data(here: Path) -> None:
    words = [sys.executable, "-c", CHATTY_SEARCH, "plan", DONE, "--json"]
    ran = subprocess.run(words, capture_output=True, text=True, env=surroundings(), check=True, timeout=60)

    json.loads(ran.stdout)
    assert "a solver's own words" in ran.stderr


def test_a_pipe_gets_plain_text_and_nothing_else(here: Path) -> None:
    out, err = start("flow", SHORT).communicate(timeout=60)

    assert out.startswith("Flows today: Single return line\n=====")
    assert "\x1b" not in out
    assert without_patience(err) == []


@posix_only
def test_a_terminal_gets_drawn_tables(here: Path) -> None:
    import pty

    leader, follower = pty.openpty()
    child = subprocess.Popen(
        [*program(), "flow", SHORT], stdout=follower, stderr=follower, env=surroundings(TERM="xterm", COLUMNS="100")
    )
    os.close(follower)
    text = _everything(leader)

    assert child.wait(timeout=60) == 0
    assert "───" in text
    assert "\x1b[1m" in text  # bold titles


def _everything(leader: int) -> str:
    chunks = []
    while True:
        try:
            chunk = os.read(leader, 4096)
        except OSError:  # Linux says so when the other side is closed
            break
        if not chunk:
            break
        chunks.append(chunk)
    os.close(leader)
    return b"".join(chunks).decode("utf-8")


@pytest.mark.long
def test_what_takes_more_than_a_second_is_told_on_stderr(here: Path) -> None:
    out, err = start("plan", DONE, code=SLOW_SEARCH, DELAY_S="1.3").communicate(timeout=60)

    first, second = (line for line in err.splitlines() if line.startswith("Searching"))
    assert first == "Searching for the cheapest plan ... (Ctrl-C ends it with the best so far)"
    assert second.startswith("Searching for the cheapest plan: ")
    assert "Searching" not in out


@pytest.mark.long
def test_data_comes_without_progress(here: Path) -> None:
    out, err = start("plan", DONE, "--json", code=SLOW_SEARCH, DELAY_S="1.3").communicate(timeout=60)

    assert out.startswith("{")
    assert err == ""


@posix_only
def test_the_second_ctrl_c_in_a_search_ends_it_at_once_with_code_130(here: Path) -> None:
    child = start("plan", SHORT, "-o", "parts.xlsx", code=SLOW_SEARCH, DELAY_S="60")
    assert child.stderr is not None
    err_lines = iter(child.stderr.readline, "")  # on a busy machine lines of progress come in between
    assert any(line.startswith("Searching for the cheapest plan ... (Ctrl-C ends it") for line in err_lines)
    child.send_signal(signal.SIGINT)
    assert "\n" in err_lines  # after the terminal's own ^C
    assert child.stderr.readline() == "Ending with the best so far; Ctrl-C once more ends at once.\n"
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=20)

    assert child.returncode == 130
    assert err == "Stopped; nothing was written.\n"
    assert out == ""
    assert not (here / "parts.xlsx").exists()


@pytest.mark.long
def test_signs_that_an_encoding_lacks_do_no_harm(here: Path) -> None:
    child = start("plan", SHORT, PYTHONIOENCODING="ascii")
    out, err = child.communicate(timeout=60)

    assert child.returncode == 0
    assert "socket ? socket" in out
    assert without_patience(err) == []


@pytest.mark.long
@posix_only
def test_a_reader_that_goes_away_is_no_error(here: Path) -> None:
    child = start("losses", LONG)
    assert child.stdout is not None
    child.stdout.close()

    assert child.wait(timeout=60) == 0
    assert child.stderr is not None
    assert "Traceback" not in child.stderr.read()


@posix_only
@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="root may read everything")
def test_a_file_without_permission_is_named(here: Path) -> None:
    Path(SHORT).chmod(0)
    child = start("check", SHORT)
    _, err = child.communicate(timeout=60)

    assert child.returncode == 2
    assert "Permission denied" in err or "cannot be read" in err


@pytest.mark.long
@posix_only
def test_help_comes_at_once(here: Path) -> None:
    """Best of five, in processor time beside the interpreter's own start: a busy machine is no failure."""

    def best(*command: str) -> float:
        times = []
        for _ in range(5):
            before = os.times()
            subprocess.run(command, check=True, capture_output=True, env=surroundings())
            after = os.times()
            times.append(after.children_user - before.children_user + after.children_system - before.children_system)
        return min(times)

    assert best(*program(), "--help") < 0.15 + best(sys.executable, "-c", "")
