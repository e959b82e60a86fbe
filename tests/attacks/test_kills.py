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
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest
from click.testing import CliRunner

from optimizer import pipeline, whole_file
from optimizer.cli import main
from optimizer.documents.workbook import workbook_bytes
from optimizer.model.catalog import Catalog
from optimizer.read.catalogs import load_catalog
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
if sys.argv[3] == "sitting":
    from optimizer.web.sitting import Sitting
    sitting = Sitting(folder / "system.yaml")
    sitting.put(0, new.decode())
    sitting.save()
    sitting.put(sitting.revision, new.decode() + "more")
    sitting.leave()
elif sys.argv[3] == "folder":
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


@pytest.mark.long
def test_a_kill_while_the_page_saves_leaves_the_old_text_or_the_new_one(tmp_path: Path) -> None:
    for step in itertools.count(1):
        folder = tmp_path / str(step)
        folder.mkdir()
        (folder / "system.yaml").write_bytes(OLD)
        ended = not killed(folder, step, "sitting")

        whole_file.sweep(folder)

        after = contents(folder)
        saved, unsaved = after.pop("system.yaml"), after.pop("system.unsaved.yaml", None)
        assert (saved, unsaved) in ((OLD, None), (NEW, None), (NEW, NEW + b"more"))
        assert after == {}
        assert [path for path in folder.iterdir() if path.is_dir()] == []
        if ended:
            assert unsaved
            break
    assert step > 3


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


COMMANDS = {
    "example": ("example", "new.yaml", "--replace"),
    "plan": ("plan", "system.yaml", "-o", "parts.xlsx", "--store-csv", "parts.csv", "--replace"),
    "draw": ("draw", "system.yaml", "-o", "pictures", "--replace"),
    "draw into a new folder": ("draw", "system.yaml", "-o", "more"),
    "settings": ("settings", "system.yaml", "--now", "-o", "card.html", "--replace"),
    "settings as a workbook": ("settings", "system.yaml", "--now", "-o", "card.xlsx", "--replace"),
    "calibrate": ("calibrate", "measured.yaml", "--write"),
    "report": ("report", "system.yaml", "-o", "page.html", "--replace", "--time-limit", "10"),
    "report as a PDF too": ("report", "system.yaml", "-o", "page.html", "--pdf", "page.pdf", "--replace"),
    "price": ("price", "system.yaml", "quote.xlsx", "-o", "cheapest.xlsx", "--replace"),
    "stores": ("stores", "system.yaml", *("--store", "corner.csv"), *("--store", "web.csv"), "-o", "orders.xlsx"),
}
MANY = {
    "many": ("many", "shop", "--to", "table.csv", "--papers", "papers", "--replace", "--workers", "1"),
    "many as a workbook": ("many", "shop", "--to", "table.xlsx", "--what", "flow", "--replace", "--workers", "1"),
    "many as Parquet": ("many", "shop", "--to", "table.parquet", "--what", "check", "--replace", "--workers", "1"),
    "vary": ("vary", "system.yaml", "--with", "with.csv", "--to", "varied.csv", *("--picture", "varied.svg"),
             *("--replace", "--workers", "1")),
}  # fmt: skip
NEEDS = {"report as a PDF too": "weasyprint", "many as Parquet": "pyarrow"}
SIGNALS = [getattr(signal, name, 2) for name in ("SIGKILL", "SIGTERM", "SIGINT")]
EACH = max(1, -(-KILLS // (len(SIGNALS) * (len(COMMANDS) + len(MANY)))))
PROGRAM = "import sys; from optimizer.cli import main; sys.exit(main(prog_name='retrofit'))"


def prepared(folder: Path) -> dict[str, bytes]:
    examples = data_directory("examples")
    shutil.copy(examples / "single-return.yaml", folder / "system.yaml")
    shutil.copy(examples / "measured-return.yaml", folder / "measured.yaml")
    for name in ("new.yaml", "parts.xlsx", "parts.csv", "card.html", "card.xlsx", "page.html", "page.pdf"):
        (folder / name).write_bytes(OLD)
    (folder / "pictures").mkdir()
    return contents(folder)


def prepared_stores(folder: Path) -> dict[str, bytes]:
    """Add what two stores say: the workbook of the plan, sent back, and a list of each, at invented prices."""
    (folder / "quote.xlsx").write_bytes(quote())
    (folder / "cheapest.xlsx").write_bytes(OLD)
    for name, factor in (("corner", 0.9), ("web", 1.1)):
        rows = [f"{key},{factor * item.price_cents / 100:.2f},USD,2026-11-01\n" for key, item in shelf().items.items()]
        (folder / f"{name}.csv").write_text("item_id,price,currency,price_date\n" + "".join(rows), encoding="utf-8")
    return contents(folder)


def prepared_many(folder: Path) -> dict[str, bytes]:
    """Add some systems, one of them broken, one in a folder of its own, and a table of variants."""
    text = (folder / "system.yaml").read_text(encoding="utf-8")
    (folder / "shop" / "north").mkdir(parents=True)
    for name, changed in (("a", text), ("bad", "runs: {}\n"), ("north/c", text.replace("700 gal/h", "650 gal/h"))):
        (folder / "shop" / f"{name}.yaml").write_text(changed, encoding="utf-8")
    (folder / "with.csv").write_text("targets: return line\nat least 640 gal/h\nat least 700 gal/h\n", encoding="utf-8")
    for name in ("table.csv", "table.xlsx", "table.parquet", "varied.csv", "varied.svg"):
        (folder / name).write_bytes(OLD)
    return contents(folder)


@cache
def shelf() -> Catalog:
    return load_catalog()


@cache
def quote() -> bytes:
    system, catalog = pipeline.read(data_directory("examples") / "single-return.yaml")
    return workbook_bytes(pipeline.plan(system, catalog))


def stopped_somewhere(words: tuple[str, ...], number: int, lasts: float, folder: Path, rng: random.Random) -> None:
    """Send a command a signal at a random moment of its work, and let any other command follow."""
    child = run(words, folder)
    time.sleep(rng.uniform(0.0, lasts))
    child.send_signal(number)
    child.wait(timeout=300)
    assert run(("check", "system.yaml"), folder).wait(timeout=300) == 0


def whole_run(words: tuple[str, ...], folder: Path) -> float:
    """Return how long [s] a command takes that nobody stops."""
    begun = time.monotonic()
    assert run(words, folder).wait(timeout=300) in (0, 1)
    return time.monotonic() - begun


def ended_anywhere(
    words: tuple[str, ...], number: int, folder: Path, made: Callable[[Path], dict[str, bytes]]
) -> Iterator[tuple[Path, dict[str, bytes], dict[str, bytes]]]:
    """End a command at random moments; yield each folder then, and what it holds before the command and after all."""
    rng, whole = random.Random(f"{words} {number}"), folder / "whole"
    whole.mkdir()
    before = made(whole)
    lasts, new = whole_run(words, whole), contents(whole)
    assert new != before
    for count in range(EACH):
        one = folder / str(count)
        one.mkdir()
        made(one)
        stopped_somewhere(words, number, lasts, one, rng)
        yield one, before, new


@pytest.mark.slow
@pytest.mark.parametrize("number", SIGNALS)
@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_that_is_ended_at_any_time_leaves_nothing(name: str, number: int, tmp_path: Path) -> None:
    words = COMMANDS[name]
    pytest.importorskip(NEEDS.get(name, "click"))

    def made(folder: Path) -> dict[str, bytes]:
        before = prepared(folder)
        return prepared_stores(folder) if words[0] in ("price", "stores") else before

    for folder, before, new in ended_anywhere(words, number, tmp_path, made):
        found = contents(folder)
        assert set(found) in (set(before), set(new))
        assert all(found[one] in (before.get(one), new.get(one)) or is_whole(one, found[one], number) for one in found)
        assert not list(folder.rglob(".retrofit-*"))


@pytest.mark.slow
@pytest.mark.parametrize("number", SIGNALS)
@pytest.mark.parametrize("name", MANY)
def test_work_on_many_that_is_ended_at_any_time_goes_on_from_there(name: str, number: int, tmp_path: Path) -> None:
    words = MANY[name]
    pytest.importorskip(NEEDS.get(name, "click"))

    def made(folder: Path) -> dict[str, bytes]:
        prepared(folder)
        return prepared_many(folder)

    for folder, before, new in ended_anywhere(words, number, tmp_path, made):
        found = contents(folder)
        assert set(found) <= set(new)
        assert set(found) >= set(before)
        for one, content in found.items():
            if one.endswith(".kept"):  # rows as they come; a kill may leave the last one half written
                assert new[one].startswith(content)
            else:  # a table of the rows that were there when it was asked to stop
                stopped = number != signal.SIGKILL and is_whole(one, content, signal.SIGINT)
                assert stopped or content in (before.get(one), new.get(one)), one

        whole_run(words, folder)

        assert contents(folder) == new
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
        return content.endswith(b"\n")
    if name.endswith(".parquet"):
        return content.startswith(b"PAR1") and content.endswith(b"PAR1")
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
