"""Many systems at once: the rows of the commands for one, the same whoever works them out and whatever ends it."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from cli.running import ROOT
from click.testing import CliRunner, Result
from short_curve import SHORT

from optimizer import pipeline, whole_file
from optimizer.cli import main
from optimizer.documents import papers
from optimizer.errors import DocumentError, OptimizerError
from optimizer.many import listing, results, workers
from optimizer.many.answer import DEFECT, SET_ASIDE, Answered, Job, Row, answer
from optimizer.many.results import COLUMNS, Kept, frame, pieces
from optimizer.many.run import Progress, folder_of, run
from optimizer.read.places import data_directory

GOOD = ROOT / "examples" / "single-return.yaml"


def job(content: bytes | None = None, **changed: object) -> Job:
    return replace(Job("a.yaml", GOOD.read_bytes() if content is None else content, "plan", key="k"), **changed)  # type: ignore[arg-type]


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """Return a folder with a system that is planned, one with an error, one in a folder of its own, and no system."""
    folder = tmp_path / "shop"
    (folder / "north").mkdir(parents=True)
    shutil.copy(GOOD, folder / "a.yaml")
    (folder / "bad.yaml").write_text("system: x\nunits: US\nruns: {a: {from: b}}\n", encoding="utf-8")
    text = GOOD.read_text(encoding="utf-8").replace("at least 700 gal/h", "at least 90000 gal/h")
    (folder / "north" / "a.yml").write_text(text, encoding="utf-8")
    (folder / "notes.txt").write_text("nothing", encoding="utf-8")
    return folder


def retrofit(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def here(jobs: Iterator[Job]) -> Iterator[Answered]:
    """Work in this process: as workers do, without their start."""
    return map(answer, jobs)


@pytest.fixture
def no_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "by_processes", lambda jobs, workers: here(jobs))


def test_a_row_says_what_the_command_for_one_system_finds() -> None:
    row = answer(job()).row
    system, catalog = pipeline.read(GOOD)
    report = pipeline.plan(system, catalog)

    assert (row.status, row.cost_cents, row.bound_cents) == (
        "optimal",
        report.bill.total_cents,
        report.plan.bound_cents,
    )
    assert report.chance is not None
    assert row.chance == report.chance.trimmed
    (told,), (demand,) = json.loads(row.targets), report.verification.demands
    assert told["before_m3_s"] == pytest.approx(demand.before_m3_s, rel=1e-5)
    assert told["after_m3_s"] == pytest.approx(demand.after_m3_s, rel=1e-5)
    assert row.share_before == pytest.approx(demand.before_m3_s / demand.low_m3_s)
    assert row.share_after == 1.0


@pytest.mark.long
def test_flows_and_prices_are_those_of_the_commands(tmp_path: Path) -> None:
    system, catalog = pipeline.read(GOOD)
    flow = answer(job(what="flow")).row
    prices = "item_id,price,currency,price_date\n" + "".join(
        f"{item.item_id},{2 * item.price_cents / 100:.2f},USD,2026-11-01\n" for item in catalog.items.values()
    )
    price = answer(job(what="price", lists=(("store.csv", prices.encode(), b""),))).row

    assert json.loads(flow.targets)[0]["before_m3_s"] == pytest.approx(
        pipeline.flows(system).flows_m3_s["return line"], rel=1e-5
    )
    assert flow.status == "solved"
    assert flow.cost_cents is None
    shipped = pipeline.plan(system, catalog).bill.total_cents
    assert price.shipped_cents == shipped
    assert price.cost_cents is not None
    assert price.cost_cents <= 2 * shipped  # the same list at twice the price would do


def test_a_flow_past_the_end_of_a_curve_is_marked_and_reaches_no_more_than_it_is_known_to() -> None:
    enough, more = (answer(job(SHORT.replace("900", asked).encode(), what="flow")).row for asked in ("900", "1100"))
    (target,) = json.loads(enough.targets)
    assert target["before_is"] == "a least value"
    assert (enough.share_before, more.share_before) == (1.0, None)


@pytest.mark.parametrize(
    ("content", "status", "words"),
    [
        (b"\xff\xfe\x00", "input error", "a.yaml"),
        (b"system: x\nunits: US\nruns: {}\n", "input error", "a.yaml:3:1"),
        (b"", "input error", "a.yaml"),
        (None, "input error", "it is on fire"),
    ],
)
def test_a_file_that_can_not_be_used_is_a_row_with_its_place(content: bytes | None, status: str, words: str) -> None:
    row = answer(replace(job(), content=content, fault="it is on fire")).row

    assert row.status == status
    assert words in row.error
    assert row.errors >= 1


def test_a_defect_is_a_row_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("by hand")

    monkeypatch.setattr(pipeline, "search", broken)

    row = answer(job()).row

    assert (row.status, row.error) == (DEFECT, "ZeroDivisionError: by hand")


def test_an_error_in_a_list_is_told_before_any_work(shop: Path, tmp_path: Path) -> None:
    own = tmp_path / "own.csv"
    own.write_text("item_id,price,currency,price_date\nno-such-part,1.00,USD,2026-11-01\n", encoding="utf-8")

    result = retrofit("many", shop, "--to", tmp_path / "r.csv", "--catalog", own)

    assert result.exit_code == 2
    assert not (tmp_path / "r.csv").exists()


def test_a_list_comes_with_its_own_sources(tmp_path: Path) -> None:
    catalogs = data_directory("catalogs")
    head, first, *_ = (catalogs / "pipes.csv").read_text(encoding="utf-8").splitlines()
    row = dict(zip(next(csv.reader([head])), next(csv.reader([first])), strict=True))
    text = f"{head}\n{first}\n".replace(row["source"], "our-own-table")
    (tmp_path / "own.csv").write_text(text, encoding="utf-8")
    (tmp_path / "sources.toml").write_text(
        '[our-own-table]\ntitle = "Ours"\nplace = "at hand"\ndate = "2026"\nbasis = "estimate"\n', encoding="utf-8"
    )

    lists = listing.lists_of([tmp_path / "own.csv"])

    assert answer(job(what="check", lists=lists)).row.status == "read"
    without = tuple((name, content, b"") for name, content, _ in lists)
    assert answer(job(what="check", lists=without)).row.status == "input error"


@pytest.mark.long
@pytest.mark.usefixtures("no_processes")
def test_a_folder_becomes_a_table_in_each_form(shop: Path, tmp_path: Path) -> None:
    csv, book, parquet = (tmp_path / f"r{ending}" for ending in (".csv", ".xlsx", ".parquet"))
    for place in (csv, book, parquet):
        result = retrofit("many", shop, "--to", place, "--time-limit", 20)
        assert result.exit_code == 0, result.output
        assert "1  planned, proven cheapest" in result.output

    table = pd.read_parquet(parquet)
    assert list(table.columns) == list(COLUMNS)
    assert list(table["name"]) == ["a.yaml", "bad.yaml", "north/a.yml"]
    assert list(table["status"]) == ["optimal", "input error", "infeasible"]
    assert table["reason"][2]
    again = pd.read_csv(csv, dtype=COLUMNS, keep_default_na=False, na_values={"cost_cents": [""], "chance": [""]} | {
        name: [""] for name, kind in COLUMNS.items() if kind in ("Int64", "Float64")
    })  # fmt: skip
    pd.testing.assert_frame_equal(again.astype(table.dtypes), table)
    sheet = openpyxl.load_workbook(book).active
    assert sheet is not None
    rows = list(sheet.iter_rows(values_only=True))
    assert rows[0] == tuple(COLUMNS)
    assert [row[2] for row in rows[1:]] == [table["cost_cents"][0], None, None]


@pytest.mark.long
@pytest.mark.usefixtures("no_processes")
def test_papers_are_those_of_the_commands(shop: Path, tmp_path: Path) -> None:
    retrofit("many", shop, "--to", tmp_path / "r.csv", "--papers", tmp_path / "papers", "--time-limit", 20)

    assert sorted(path.name for path in (tmp_path / "papers").iterdir()) == ["a.yaml"]
    system, catalog = pipeline.read(GOOD)
    expected = papers.store_rows(pipeline.plan(system, catalog))
    assert (tmp_path / "papers" / "a.yaml" / "order.csv").read_bytes() == expected
    assert (tmp_path / "papers" / "a.yaml" / "plan.xlsx").read_bytes()[:2] == b"PK"


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


def test_papers_come_all_or_none(tmp_path: Path) -> None:
    def papers_of(jobs: Iterator[Job]) -> Iterator[Answered]:
        return (Answered(one.key, Row(one.name, "optimal"), {"plan.xlsx": b"x", "no/such": b"y"}) for one in jobs)

    with pytest.raises(DocumentError, match="cannot be made"):
        run(iter([job()]), 1, papers_of, tmp_path / "kept", tmp_path / "papers")

    assert list((tmp_path / "papers").iterdir()) == []


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


def test_rows_are_not_kept_in_a_list_of_systems(shop: Path) -> None:
    (shop / "r.csv.kept").write_text("a.yaml", encoding="utf-8")

    result = retrofit("many", shop / "r.csv.kept", "--to", shop / "r.csv", "--what", "check")

    assert result.exit_code == 2
    assert "an output never replaces an input" in result.output
    assert (shop / "r.csv.kept").read_text(encoding="utf-8") == "a.yaml"


def test_papers_among_the_systems_are_refused_before_any_work(shop: Path, tmp_path: Path) -> None:
    result = retrofit("many", shop, "--to", tmp_path / "r.csv", "--papers", shop)

    assert result.exit_code == 2
    assert "papers go into a folder of this name, and it is a file" in result.output
    assert not (tmp_path / "r.csv.kept").exists()


def test_what_may_end_otherwise_is_asked_again_by_the_next_start(tmp_path: Path) -> None:
    with Kept(tmp_path / "r.kept") as kept:
        kept.keep("one", Row("one", SET_ASIDE))
    with Kept(tmp_path / "r.kept") as kept:
        assert "one" not in kept


@pytest.mark.parametrize("name", ["../../a.yaml", "/etc/a.yaml", "b\\..\\..\\a.yaml", "a.yaml, C:x"])
def test_no_name_leads_out_of_the_folder_of_papers(tmp_path: Path, name: str) -> None:
    assert folder_of(tmp_path, name).resolve().is_relative_to(tmp_path.resolve())
    assert ":" not in folder_of(Path("papers"), name).as_posix()


def test_a_text_that_looks_like_a_formula_stays_text(tmp_path: Path) -> None:
    rows = [Row("=1+1.yaml", "read")]

    assert b"'=1+1.yaml" in b"".join(pieces(rows, ".csv"))
    (tmp_path / "r.xlsx").write_bytes(b"".join(pieces(rows, ".xlsx")))
    sheet = openpyxl.load_workbook(tmp_path / "r.xlsx").active
    assert sheet is not None
    assert (sheet["A2"].value, sheet["A2"].data_type) == ("=1+1.yaml", "s")


ROWS = [
    Row(f"{number:03}.yaml", "optimal" if number % 3 else "input error", number or None, chance=number / 7 or None)
    for number in range(25)
]


@pytest.mark.parametrize("size", [1, 7, 25, 10_000])
@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_a_table_that_is_written_in_pieces_says_what_one_in_one_piece_does(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, size: int, ending: str
) -> None:
    monkeypatch.setattr(results, "PIECE", size)
    place = tmp_path / f"r{ending}"
    texts = [f"text {number}" for number in range(25)]
    place.write_bytes(b"".join(pieces(ROWS, ending, {"targets: line": texts})))

    if ending == ".csv":
        assert place.read_text(encoding="utf-8") == frame(ROWS, {"targets: line": texts}).to_csv(index=False)
    else:
        pd.testing.assert_frame_equal(pd.read_parquet(place), frame(ROWS, {"targets: line": texts}))


@pytest.mark.parametrize("ending", [".csv", ".xlsx", ".parquet"])
def test_a_table_of_no_rows_has_its_headings(tmp_path: Path, ending: str) -> None:
    place = tmp_path / f"r{ending}"
    place.write_bytes(b"".join(pieces([], ending)))

    read = {".csv": pd.read_csv, ".xlsx": pd.read_excel, ".parquet": pd.read_parquet}[ending](place)
    assert list(read.columns) == list(COLUMNS)


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


@pytest.mark.parametrize(
    ("text", "words"),
    [("", "lists no file"), ("a.yaml\nb.yaml\na.yaml\n", "'a.yaml' is listed more than once")],
)
def test_a_list_that_is_none_is_refused(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "list.txt").write_text(text, encoding="utf-8")

    with pytest.raises(OptimizerError, match=words):
        listing.systems(tmp_path / "list.txt")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes and devices as POSIX has them")
def test_pipes_and_devices_are_neither_waited_for_nor_read_without_end(shop: Path, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "list.txt").write_text("pipe\nshop/a.yaml\n/dev/zero\na\0b\n", encoding="utf-8")

    rows = [answer(one).row for one in listing.jobs(listing.systems(tmp_path / "list.txt"), Job("", None, "check"))]

    assert [row.status for row in rows] == ["input error", "input error", "input error", "read"]
    assert "a device, not a file" in rows[0].error
    assert "a pipe, not a file" in rows[2].error
    for words in (
        ("many", "/dev/zero", "--to", tmp_path / "r.csv"),
        ("many", tmp_path / "pipe", "--to", tmp_path / "r.csv"),
        ("vary", tmp_path / "pipe", "--with", shop / "a.yaml", "--to", tmp_path / "r.csv"),
        ("vary", shop / "a.yaml", "--with", tmp_path / "pipe", "--to", tmp_path / "r.csv"),
    ):
        result = retrofit(*words)
        assert result.exit_code == 2
        assert "not a file" in result.output
    os.mkfifo(tmp_path / "r.csv.kept")
    assert retrofit("many", shop, "--to", tmp_path / "r.csv", "--what", "check").exit_code == 2


def test_a_list_names_files_from_its_own_folder_on(shop: Path) -> None:
    (shop / "list.txt").write_text("# ours\nnorth/a.yml\n\na.yaml\nnone.yaml\n", encoding="utf-8")

    named = listing.systems(shop / "list.txt")

    assert [name for name, _ in named] == ["a.yaml", "none.yaml", "north/a.yml"]
    rows = [answer(one).row for one in listing.jobs(named, Job("", None, "check"))]
    assert [row.status for row in rows] == ["read", "input error", "read"]
    assert "cannot be read" in rows[1].error


def test_neither_a_system_nor_a_list_is_overwritten(shop: Path) -> None:
    (shop / "list.csv").write_text("a.yaml\n", encoding="utf-8")

    result = retrofit("many", shop / "list.csv", "--to", shop / "list.csv", "--replace")

    assert result.exit_code == 2
    assert (shop / "list.csv").read_text(encoding="utf-8") == "a.yaml\n"


def test_what_an_answer_depends_on_is_in_its_key(tmp_path: Path) -> None:
    like = job(lists=(("a.csv", b"1", b""),))
    other = [
        replace(like, content=b"x"),
        replace(like, name="b.yaml"),
        replace(like, what="flow"),
        replace(like, papers=True),
        replace(like, time_limit_s=7.0),
        replace(like, lists=(("a.csv", b"2", b""),)),
        replace(like, lists=(("a.csv", b"1", b"x"),)),
        replace(like, lists=(("b.csv", b"1", b""),)),
        replace(like, lists=(("a.csv", b"1", b""), ("c.csv", b"", b""))),
    ]

    keys = {listing.keyed(one).key for one in (like, *other)}

    assert len(keys) == 1 + len(other)
    assert listing.keyed(like).key in keys


@pytest.mark.long
def test_any_number_of_processes_gives_the_same_bytes(shop: Path, tmp_path: Path) -> None:
    for number in (1, 2):
        result = retrofit("many", shop, "--to", tmp_path / f"{number}.csv", "--workers", number, "--time-limit", 20)
        assert result.exit_code == 0, result.output

    assert (tmp_path / "1.csv").read_bytes() == (tmp_path / "2.csv").read_bytes()


@pytest.mark.long
def test_warnings_of_libraries_in_a_worker_are_not_printed(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "anchors"  # a name given to two nodes: the YAML library warns of it, with a place in itself
    folder.mkdir()
    text = (ROOT / "examples" / "single-return.yaml").read_text(encoding="utf-8")
    (folder / "twice.yaml").write_text(f"{text}notes: [&a one, &a two]\n", encoding="utf-8")
    retrofit("many", folder, "--to", tmp_path / "r.csv", "--what", "check", "--workers", 1)

    assert "Warning" not in "".join(capfd.readouterr())
    assert (tmp_path / "r.csv").exists()


def _deadly(one: Job) -> Answered:
    """Answer, but for one system end the process without a word, and for another the first time only."""
    mark = Path(one.fault)
    if one.name == "deadly" or (one.name == "once" and not mark.exists()):
        if one.name == "once":
            mark.write_bytes(b"")
        os.kill(os.getpid(), signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
        time.sleep(60)
    return Answered(one.key, Row(one.name, "read"))


@pytest.mark.long
def test_a_worker_that_dies_takes_no_other_system_with_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "answer", _deadly)
    names = ["a", "deadly", "b", "once", "c", "d"]
    jobs = [Job(name, b"", "check", key=name, fault=str(tmp_path / "once")) for name in names]

    told = {one.row.name: one.row for one in workers.by_processes(iter(jobs), 2)}

    assert {name: row.status for name, row in told.items()} == {
        name: SET_ASIDE if name == "deadly" else "read" for name in names
    }
    assert f"{workers.TRIES} times" in told["deadly"].error


@pytest.mark.long
def test_a_cluster_gives_the_same_bytes_as_processes(shop: Path, tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, processes=True
    ) as cluster:
        result = retrofit(
            "many", shop, "--to", tmp_path / "c.csv", "--cluster", cluster.scheduler_address, "--time-limit", 20
        )
    assert result.exit_code == 0, result.output
    retrofit("many", shop, "--to", tmp_path / "p.csv", "--workers", 2, "--time-limit", 20)

    assert (tmp_path / "c.csv").read_bytes() == (tmp_path / "p.csv").read_bytes()


@pytest.mark.long
@pytest.mark.long
def test_a_cluster_answers_every_job_of_more_than_wait_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    distributed = pytest.importorskip("distributed")
    monkeypatch.setattr(workers, "IN_FLIGHT", 3)
    names = [f"{number:02}" for number in range(11)]
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, processes=True
    ) as cluster:
        jobs = (Job(name, b"", "check", key=name) for name in names)
        told = sorted(one.row.name for one in workers.by_cluster(jobs, cluster.scheduler_address))

    assert told == names


def test_an_address_where_nothing_answers_is_said(shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(workers, "_CLUSTER_WAIT_S", 0.3)

    result = retrofit("many", shop, "--to", tmp_path / "c.csv", "--cluster", "tcp://127.0.0.1:9")

    assert result.exit_code == 2
    assert "no Dask scheduler answers" in result.output
