"""Rows that are kept: after a stop, a kill or a change only what is missing is worked out."""

from __future__ import annotations

import os
import subprocess
import sys
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from many.jobs import GOOD, ROWS, here, retrofit

from optimizer import whole_file
from optimizer.errors import OptimizerError
from optimizer.many import listing, results, workers
from optimizer.many.answer import SET_ASIDE, Answered, Job, Row, answer
from optimizer.many.results import Kept
from optimizer.many.run import Progress, run


def test_a_second_start_does_only_what_has_changed(shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    worked: list[str] = []

    def noted(jobs: Iterator[Job], workers: int) -> Iterator[Answered]:
        for one in jobs:
            worked.append(one.name)
            yield answer(one)

    monkeypatch.setattr(workers, "by_processes", noted)
    first = retrofit("many", shop, "--to", tmp_path / "r.csv", "--what", "check")
    again = retrofit("many", shop, "--to", tmp_path / "r.csv", "--what", "check")
    assert (first.exit_code, again.exit_code) == (0, 0)
    assert worked == ["a.yaml", "bad.yaml", "north/a.yml"]

    (shop / "bad.yaml").write_bytes(GOOD.read_bytes())
    retrofit("many", shop, "--to", tmp_path / "r.csv", "--what", "check")
    assert worked[3:] == ["bad.yaml"]


def test_a_stop_leaves_a_whole_table_and_the_next_start_ends_it(
    shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopping(jobs: Iterator[Job], workers: int) -> Iterator[Answered]:
        yield answer(next(jobs))
        raise KeyboardInterrupt

    whole = tmp_path / "whole.csv"
    monkeypatch.setattr(workers, "by_processes", lambda jobs, workers: here(jobs))
    retrofit("many", shop, "--to", whole, "--what", "check")
    monkeypatch.setattr(workers, "by_processes", stopping)
    place = tmp_path / "r.csv"

    for rows in (1, 2, 3):
        result = retrofit("many", shop, "--to", place, "--what", "check")
        assert result.exit_code == 130
        assert len(pd.read_csv(place)) == rows
    monkeypatch.setattr(workers, "by_processes", lambda jobs, workers: here(jobs))
    assert retrofit("many", shop, "--to", place, "--what", "check").exit_code == 0
    assert place.read_bytes() == whole.read_bytes()


def test_a_stop_before_the_first_row_leaves_the_table_that_is_there(
    shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(jobs: Iterator[Job], workers: int) -> Iterator[Answered]:
        raise KeyboardInterrupt

    monkeypatch.setattr(workers, "by_processes", stopped)
    (tmp_path / "r.csv").write_text("name\nof last week\n", encoding="utf-8")

    result = retrofit("many", shop, "--to", tmp_path / "r.csv", "--what", "check", "--replace")

    assert result.exit_code == 130
    assert "Stopped: 0 of 3 are done." in result.output
    assert (tmp_path / "r.csv").read_text(encoding="utf-8") == "name\nof last week\n"


def test_what_a_kill_left_among_the_papers_is_cleared_at_any_depth(tmp_path: Path) -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    left = tmp_path / "papers" / "north" / "of" / f".retrofit-{whole_file._host()}-{ended.pid}-00000000.part"
    left.mkdir(parents=True)
    (left / "plan.xlsx").write_bytes(b"half")

    run(iter([]), 0, here, tmp_path / "kept", tmp_path / "papers")

    assert not left.exists()


def test_a_job_that_is_lost_is_said(shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "by_processes", lambda jobs, workers: map(answer, [*jobs][1:]))

    result = retrofit("many", shop, "--to", tmp_path / "r.csv", "--what", "check")

    assert result.exit_code == 2
    assert "1 system has no answer" in result.output
    monkeypatch.setattr(workers, "by_processes", lambda jobs, workers: here(jobs))
    assert retrofit("many", shop, "--to", tmp_path / "r.csv", "--what", "check").exit_code == 0


@pytest.mark.parametrize("cut", [1, 40, 10**6])
def test_a_line_that_was_not_kept_whole_is_worked_out_again(tmp_path: Path, cut: int) -> None:
    place = tmp_path / "r.kept"
    with Kept(place) as kept:
        kept.keep("one", Row("one", "optimal", 5))
        kept.keep("two", Row("two", "optimal", 6))
    content = place.read_bytes()
    second = content.index(b"\n") + 1
    place.write_bytes(content[: max(second, len(content) - cut)])

    with Kept(place) as kept:
        assert ("one" in kept, "two" in kept) == (True, False)
        kept.keep("two", Row("two", "optimal", 6))
    assert place.read_bytes() == content


@pytest.mark.parametrize("content", [b"something else\n", b"something else", b"{}", b"\x00", b"[" * 5000])
def test_what_is_no_kept_file_is_said_and_stays(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "r.kept").write_bytes(content)

    with pytest.raises(OptimizerError, match=r"r\.kept: .*delete it"), Kept(tmp_path / "r.kept"):
        pass
    assert (tmp_path / "r.kept").read_bytes() == content


def test_what_may_end_otherwise_is_asked_again_by_the_next_start(tmp_path: Path) -> None:
    with Kept(tmp_path / "r.kept") as kept:
        kept.keep("one", Row("one", SET_ASIDE))
    with Kept(tmp_path / "r.kept") as kept:
        assert "one" not in kept


def test_rows_are_read_from_the_disk_as_they_were_kept(tmp_path: Path) -> None:
    strange = Row("ä \u2028 \udce9.yaml", "input error", error="x" * 500)
    passing = Row("c", SET_ASIDE)
    with Kept(tmp_path / "r.kept") as kept:
        kept.keep("2", strange)
        kept.keep("1", ROWS[4])
        kept.keep("3", passing)
        rows = kept.rows_of(["1", "nowhere", "2", "3"])
        assert (kept.row("1"), kept.row("nowhere")) == (ROWS[4], None)
    assert list(rows) == [ROWS[4], strange, passing]
    assert (rows[1], rows[-1], list(rows[1:]), len(rows)) == (strange, passing, [strange, passing], 3)
    with Kept(tmp_path / "r.kept") as kept:
        assert list(kept.rows_of(["1", "2", "3"])) == [ROWS[4], strange]


def test_rows_are_there_at_once_and_on_the_disk_from_time_to_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", lambda file: synced.append(file))
    with Kept(tmp_path / "r.kept") as kept:
        for number, row in enumerate(ROWS, start=1):
            kept.keep(row.name, row)
            assert (tmp_path / "r.kept").read_bytes().count(b"\n") == number
        assert len(synced) == 1
        monkeypatch.setattr(results, "SYNC_EVERY_S", -1.0)
        kept.keep("again", ROWS[0])
        assert len(synced) == 2
    assert len(synced) == 3


def test_what_is_kept_takes_little_memory_however_much_it_is(tmp_path: Path) -> None:
    with Kept(tmp_path / "r.kept") as kept:
        kept.keep("0", replace(ROWS[0], targets="x" * 20_000))
        tracemalloc.start()
        for number in range(1, 50):
            kept.keep(str(number), replace(ROWS[0], targets="x" * 20_000))
        grown, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()

    assert grown < 50 * 500  # bytes: a key and a place for each row, not the row


def test_progress_tells_rate_and_time_left(shop: Path, tmp_path: Path) -> None:
    told: list[Progress] = []
    jobs = listing.jobs(listing.systems(shop), Job("", None, "check"))

    run(jobs, 3, here, tmp_path / "kept", tell=told.append)

    assert [one.done for one in told] == [1, 2, 3]
    assert told[-1].left_s == 0.0
    assert Progress(10, 30, 4, 2.0).left_s == pytest.approx(20 / 3.0)  # 6 in 2 s, 20 are left
