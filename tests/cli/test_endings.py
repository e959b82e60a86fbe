"""How commands end: exit codes, defects in one line, outputs that are no inputs, nothing left lying about."""

from __future__ import annotations

import io
import os
import shlex
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from running import PROGRAM, SHORT, Retrofit, program, start, surroundings

from optimizer import pipeline, whole_file
from optimizer.cli import main, waiting
from optimizer.errors import CheckError, DocumentError, NoPlanError, SolverError

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="signals, links and /dev of POSIX")


def run(*words: str) -> tuple[int, str]:
    ran = CliRunner().invoke(main, words, prog_name="retrofit")
    return ran.exit_code, ran.output


def broken(error: Exception, monkeypatch: pytest.MonkeyPatch, name: str = "read") -> None:
    def fails(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(pipeline, name, fails)


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (NoPlanError(["the pump is too weak"], proved=True), 1),
        (NoPlanError(["time ran out"], proved=False), 3),
        (CheckError("misses a flow"), 3),
        (SolverError("numbers"), 3),
        (DocumentError("no folder"), 2),
        (MemoryError(), 3),
        (PermissionError(13, "Permission denied", "x.yaml"), 2),
        (ZeroDivisionError("division by zero"), 70),
        (RecursionError("too deep"), 70),
        (KeyError("a\x1b[31mkey"), 70),
        (KeyboardInterrupt(), 130),
    ],
)
def test_every_way_to_end_has_its_code(
    error: Exception, code: int, here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    broken(error, monkeypatch)

    found, told = run("check", SHORT)

    assert found == code
    assert "Traceback" not in told
    assert "\x1b" not in told


def test_a_defect_is_one_line_that_says_how_to_report_it(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broken(ZeroDivisionError("division by zero"), monkeypatch)

    _, told = run("check", SHORT)

    assert told.count("\n") == 1
    assert told.startswith(
        "This is a defect of the program, not of your file (ZeroDivisionError: division by zero at test_endings.py:"
    )
    assert told.endswith("Please report it with the command, the file and what --traceback adds.\n")


@pytest.mark.parametrize("words", [("--traceback", "check", SHORT), ("check", SHORT, "--traceback")])
def test_all_of_a_defect_is_shown_where_that_is_asked_for(
    words: tuple[str, ...], here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    broken(ZeroDivisionError("division by zero"), monkeypatch)

    code, told = run(*words)

    assert code == 70
    assert "Traceback (most recent call last)" in told


def test_wrong_words_on_the_command_line_are_shown_and_not_obeyed(here: Path) -> None:
    code, told = run("check", "no\x1b[31mfile.yaml", "--js\x1bon")

    assert code == 2
    assert "\x1b" not in told


@posix_only
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full")
def test_an_output_that_is_full_is_said(here: Path) -> None:
    with open("/dev/full", "w") as full:
        ran = subprocess.run(
            [*program(), "losses", SHORT],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            env=surroundings(),
            timeout=60,
        )

    assert ran.returncode == 2
    assert "The output: cannot be read or written, No space left on device" in ran.stderr
    assert "Traceback" not in ran.stderr
    assert "Exception ignored" not in ran.stderr


@posix_only
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full")
@pytest.mark.parametrize("words", [("check", "wrong.yaml"), pytest.param(("no-command",), marks=pytest.mark.long)])
def test_an_error_that_nobody_can_hear_keeps_its_exit_code(words: tuple[str, ...], here: Path) -> None:
    Path("wrong.yaml").write_text("runs: {}\n", encoding="utf-8")
    with open("/dev/full", "w") as full:
        ran = subprocess.run([*program(), *words], stderr=full, env=surroundings(), timeout=60)

    assert ran.returncode == 2  # not 1, which is the answer of no


@pytest.mark.parametrize("word", ["\ud800", "a\0b", "x" * 5000])
def test_a_word_that_no_file_can_be_called_is_an_error_as_any(word: str) -> None:
    for words in (("adapters", word, "1 in slip"), ("check", word)):
        code, told = run(*words)
        assert code == 2
        assert "defect" not in told


@pytest.mark.parametrize("quiet_s", [0.0, 5.0])
def test_progress_that_nobody_can_hear_stops_no_work(monkeypatch: pytest.MonkeyPatch, quiet_s: float) -> None:
    class Broken(io.StringIO):
        def write(self, text: str) -> int:
            raise BrokenPipeError

    monkeypatch.setattr(sys, "stderr", Broken())
    monkeypatch.setattr(waiting, "PATIENCE_S", quiet_s)

    assert waiting.wait_for("Working", lambda: time.sleep(0.02) or 5) == 5
    assert waiting.wait_for_search("Searching", lambda tell: time.sleep(0.02) or 6) == 6


@pytest.mark.long
@posix_only
@pytest.mark.parametrize("closed", [">&-", "2>&-", ">&- 2>&-", "<&-"])
def test_closed_streams_are_no_crash(closed: str, here: Path) -> None:
    words = f"exec {shlex.join([*program(), 'flow', SHORT])} {closed}"
    ran = subprocess.run(words, shell=True, capture_output=True, text=True, env=surroundings(), timeout=100)

    assert ran.returncode == (2 if ">&-" in closed.split() else 0)
    assert "Traceback" not in ran.stderr
    if closed == ">&-":
        assert "there is no output to print to (stdout is closed)" in ran.stderr


@posix_only
def test_a_reader_that_goes_away_is_no_answer_of_no(here: Path) -> None:
    child = start("losses", SHORT)
    assert child.stdout is not None
    assert child.stderr is not None
    child.stdout.close()

    assert child.wait(timeout=60) == 0
    assert "Exception ignored" not in child.stderr.read()


def names(target: Path, kind: str) -> Path:
    """Return another name of a file, of the kind that is asked for."""
    other = target.with_name(f"other-{target.name}")
    if kind == "link":
        other.symlink_to(target)
    elif kind == "hard link":
        os.link(target, other)
    else:
        return target
    return other


@posix_only
@pytest.mark.parametrize("kind", ["itself", "link", "hard link"])
@pytest.mark.parametrize("replace", [(), ("--replace",)])
def test_no_output_is_an_input(kind: str, replace: tuple[str, ...], here: Path) -> None:
    own = here / "own.csv"
    own.write_text("item_id,price,currency,price_date\nsch40-elbow-100,0.50,USD,2026-11-01\n")
    system = here / "system.xlsx"
    shutil.copy(SHORT, system)
    before = own.read_bytes(), system.read_bytes()

    code, told = run("plan", SHORT, "--catalog", str(own), "--store-csv", str(names(own, kind)), *replace)
    again, told_again = run("plan", str(system), "-o", str(names(system, kind)), *replace)

    assert (code, again) == (2, 2)
    assert "an output never replaces an input" in told
    assert "an output never replaces an input" in told_again
    assert (own.read_bytes(), system.read_bytes()) == before


@pytest.mark.long
def test_a_quote_is_not_replaced_by_what_is_made_of_it(here: Path) -> None:
    assert run("plan", SHORT, "-o", "quote.xlsx")[0] == 0
    before = Path("quote.xlsx").read_bytes()

    code, told = run("price", SHORT, "quote.xlsx", "-o", "quote.xlsx", "--replace")

    assert code == 2
    assert "quote.xlsx: is quote.xlsx, which is read; an output never replaces an input" in told
    assert Path("quote.xlsx").read_bytes() == before


@posix_only
def test_a_rewritten_file_keeps_its_mode_and_its_hard_links(retrofit: Retrofit, here: Path) -> None:
    system, other = here / "mine.yaml", here / "same.yaml"
    shutil.copy("examples/measured-return.yaml", system)
    system.chmod(0o640)
    os.link(system, other)

    assert retrofit("calibrate", str(system), "--write").exit_code == 0
    assert "calibration:" in system.read_text()
    assert system.stat().st_mode & 0o777 == 0o640
    assert other.samefile(system)


def test_what_is_in_the_way_is_said(here: Path) -> None:
    Path("folder.xlsx").mkdir()
    assert "it is a folder" in run("plan", SHORT, "-o", "folder.xlsx")[1]
    assert "there is no folder" in run("plan", SHORT, "-o", "nowhere/parts.xlsx")[1]
    assert "ends in .xlsx" in run("plan", SHORT, "-o", "parts.ods")[1]
    Path("notes").write_text("mine")
    assert "notes is a file, not a folder" in run("plan", SHORT, "-o", "notes/parts.xlsx")[1]


@posix_only
def test_a_link_to_a_file_of_another_kind_is_said_to_be_one(here: Path) -> None:
    Path("notes.txt").write_text("mine")
    Path("parts.xlsx").symlink_to("notes.txt")

    code, told = run("plan", SHORT, "-o", "parts.xlsx", "--replace")

    assert code == 2
    assert f"parts.xlsx: is a link to {here / 'notes.txt'}, whose name does not end in .xlsx" in told
    assert Path("notes.txt").read_text() == "mine"


def test_several_files_are_written_all_or_none(tmp_path: Path) -> None:
    (tmp_path / "b.svg").mkdir()  # cannot be replaced by a file

    with pytest.raises(DocumentError):
        whole_file.put_all({tmp_path / "a.svg": b"a", tmp_path / "b.svg" / "c" / "d.svg": b"b"})

    assert sorted(path.name for path in tmp_path.iterdir()) == ["b.svg"]


def staged(folder: Path, state: str, process: int) -> Path:
    made = folder / f".retrofit-{whole_file._host()}-{process}-0123abcd.{state}"
    made.mkdir()
    (made / "a.svg").write_text("new a")
    (made / "b.svg").write_text("new b")
    return made


def no_more() -> int:
    """Return the number of a process that has ended."""
    child = subprocess.Popen([sys.executable, "-c", ""])
    child.wait()
    return child.pid


@posix_only
def test_what_a_killed_process_had_begun_is_cleared_away(tmp_path: Path) -> None:
    (tmp_path / "a.svg").write_text("old a")
    staged(tmp_path, "part", no_more())

    whole_file.sweep(tmp_path)

    assert [path.name for path in tmp_path.iterdir()] == ["a.svg"]
    assert (tmp_path / "a.svg").read_text() == "old a"


@posix_only
def test_what_a_killed_process_had_written_is_put_in_place(tmp_path: Path) -> None:
    (tmp_path / "a.svg").write_text("old a")
    staged(tmp_path, "ready", no_more())

    whole_file.sweep(tmp_path)

    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {"a.svg": "new a", "b.svg": "new b"}


@posix_only
def test_what_another_process_is_writing_is_left_alone(tmp_path: Path) -> None:
    busy = staged(tmp_path, "part", os.getppid())

    whole_file.sweep(tmp_path)

    assert busy.is_dir()


@posix_only
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_asked_to_end_it_ends_in_order(number: signal.Signals, here: Path) -> None:
    slow = f"""
import time
from optimizer import pipeline
pipeline.search = lambda *words, **more: time.sleep(60)
{PROGRAM}
"""
    child = start("plan", SHORT, "-o", "parts.xlsx", code=slow)
    assert child.stderr is not None
    for line in iter(child.stderr.readline, ""):
        if line.startswith("Searching"):
            break
    child.send_signal(number)
    _, err = child.communicate(timeout=30)

    assert child.returncode == 130
    assert err == "Stopped; nothing was written.\n"
    assert sorted(path.name for path in here.iterdir()) == ["examples"]


@pytest.mark.long
def test_after_writing_a_stop_does_not_say_that_nothing_was(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from optimizer.cli import commands

    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(commands, "_tell_plan", stopped)

    code, told = run("plan", SHORT, "-o", "parts.xlsx")

    assert code == 130
    assert told.endswith(f"Stopped; written before that: {here / 'parts.xlsx'}.\n")
    assert Path("parts.xlsx").is_file()
