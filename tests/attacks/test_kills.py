"""A process that is killed while it writes leaves the old files or the new ones, and after the next start nothing else.

Some 30 kills in the usual tests, one before each step of writing; `KILLS=500 python -m pytest tests/attacks -m slow`
kills whole commands at random times.
"""

from __future__ import annotations

import io
import itertools
import os
import random
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner

from optimizer import whole_file
from optimizer.cli import main
from optimizer.read.places import data_directory

ROOT = Path(__file__).parent.parent.parent
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="kills as POSIX has them")
KILLS = int(os.environ.get("KILLS", "60"))
OLD, NEW = b"old " * 5000, b"new " * 7000

# Ends itself, as by SIGKILL, before the n-th call that changes something on the disk.
WRITER = """
import os, signal, sys
from pathlib import Path
left = int(sys.argv[1])
def deadly(work):
    def call(*words, **more):
        global left
        left -= 1
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return work(*words, **more)
    return call
for home, names in ((os, ("replace", "fsync", "mkdir", "rmdir", "rename", "unlink")), (Path, ("unlink",))):
    for name in names:
        setattr(home, name, deadly(getattr(home, name)))
from optimizer.whole_file import put_all, put_folder
folder = Path(sys.argv[2])
new = b"new " * 7000
if sys.argv[3] == "folder":
    put_folder(folder / "pictures", {f"{name}.svg": new for name in "abc"})
else:
    put_all({folder / f"{name}.svg": new for name in sys.argv[3]})
"""


def setup_module() -> None:
    """Let Ctrl-C end a command in the background too, where it is ignored, and that is inherited."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


def killed(folder: Path, step: int, what: str) -> bool:
    """Return whether the writer was killed before its end."""
    ran = subprocess.run(
        [sys.executable, "-c", WRITER, str(step), str(folder), what],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        timeout=60,
    )
    assert ran.returncode in (0, -signal.SIGKILL), ran.stderr
    return ran.returncode != 0


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("what", ["a", "abc"])
def test_a_kill_at_any_step_leaves_the_old_files_or_the_new_ones(what: str, tmp_path: Path) -> None:
    kills = 0
    for step in itertools.count(1):
        folder = tmp_path / str(step)
        folder.mkdir()
        for name in what:
            (folder / f"{name}.svg").write_bytes(OLD)
        ended = not killed(folder, step, what)
        assert all((folder / f"{name}.svg").read_bytes() in (OLD, NEW) for name in what)

        whole_file.sweep(folder)  # the next start

        after = contents(folder)
        assert sorted(after) == [f"{name}.svg" for name in what]
        assert len(set(after.values())) == 1  # all old or all new
        assert [path for path in folder.iterdir() if path.is_dir()] == []
        if ended:
            assert set(after.values()) == {NEW}
            break
        kills += 1
    assert kills >= 3


def test_a_kill_at_any_step_leaves_a_whole_new_folder_or_none(tmp_path: Path) -> None:
    for step in itertools.count(1):
        folder = tmp_path / str(step)
        folder.mkdir()
        ended = not killed(folder, step, "folder")

        whole_file.sweep(folder)

        after = contents(folder)
        assert after in ({}, {f"pictures/{name}.svg": NEW for name in "abc"})
        assert sorted(path.name for path in folder.iterdir()) == (["pictures"] if after else [])
        if ended:
            assert after
            break


@pytest.mark.parametrize("state", ["part", "ready"])
def test_what_a_kill_left_in_a_folder_of_pictures_is_seen_to_by_any_command_beside_it(
    tmp_path: Path, state: str
) -> None:
    prepared(tmp_path)
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    left = tmp_path / "pictures" / f".retrofit-{whole_file._host()}-{ended.pid}-00000000.{state}"
    left.mkdir()
    (left / "one.svg").write_bytes(NEW)

    CliRunner().invoke(main, ["check", str(tmp_path / "system.yaml")])

    there = {path.name: path.read_bytes() for path in (tmp_path / "pictures").iterdir()}
    assert there == ({"one.svg": NEW} if state == "ready" else {})


COMMANDS = (
    ("example", "new.yaml", "--replace"),
    ("plan", "system.yaml", "-o", "parts.xlsx", "--store-csv", "parts.csv", "--replace"),
    ("draw", "system.yaml", "-o", "pictures", "--replace"),
    ("draw", "system.yaml", "-o", "more"),
    ("settings", "system.yaml", "--now", "-o", "card.html", "--replace"),
    ("calibrate", "measured.yaml", "--write"),
    ("report", "system.yaml", "-o", "page.html", "--replace", "--time-limit", "10"),
)
PROGRAM = "import sys; from optimizer.cli import main; sys.exit(main(prog_name='retrofit'))"


def prepared(folder: Path) -> dict[str, bytes]:
    examples = data_directory("examples")
    shutil.copy(examples / "single-return.yaml", folder / "system.yaml")
    shutil.copy(examples / "measured-return.yaml", folder / "measured.yaml")
    for name in ("new.yaml", "parts.xlsx", "parts.csv", "card.html", "page.html"):
        (folder / name).write_bytes(OLD)
    (folder / "pictures").mkdir()
    return contents(folder)


@pytest.mark.slow
@pytest.mark.parametrize("number", [getattr(signal, name, 2) for name in ("SIGKILL", "SIGTERM", "SIGINT")])
@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: words[0])
def test_a_command_that_is_ended_at_any_time_leaves_nothing(
    words: tuple[str, ...], number: int, tmp_path: Path
) -> None:
    rng = random.Random(" ".join(words) + str(number))
    begun = time.monotonic()
    whole = tmp_path / "whole"
    whole.mkdir()
    before = prepared(whole)
    run(words, whole).wait(timeout=300)
    lasts, new = time.monotonic() - begun, contents(whole)
    assert new != before
    for count in range(max(1, -(-KILLS // (3 * len(COMMANDS))))):
        folder = tmp_path / str(count)
        folder.mkdir()
        prepared(folder)
        child = run(words, folder)
        time.sleep(rng.uniform(0.0, lasts))
        child.send_signal(number)
        child.wait(timeout=300)
        run(("check", "system.yaml"), folder).wait(timeout=300)
        found = contents(folder)
        assert set(found) in (set(before), set(new))
        assert all(
            found[name] in (before.get(name), new.get(name)) or is_whole(name, found[name], number) for name in found
        )
        assert not list(folder.rglob(".retrofit-*"))


def is_whole(name: str, content: bytes, number: int) -> bool:
    """Return whether a page, or the papers of the best plan that a search had at Ctrl-C, are whole.

    Where the time limit cuts the studies of a page short, each run tells more or less.
    """
    if name.endswith(".html"):
        ends = content.lower().startswith(b"<!doctype html>"), content.rstrip().endswith(b"</html>")
        return all(ends)
    if number != signal.SIGINT:
        return False
    if name.endswith(".csv"):
        return content.endswith(b"\r\n")
    try:
        return name.endswith(".xlsx") and zipfile.ZipFile(io.BytesIO(content)).testzip() is None
    except zipfile.BadZipFile:
        return False


def run(words: tuple[str, ...], folder: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM, *words],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
