"""Processes and a cluster: the same bytes whoever works, whatever dies."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import pytest
from cli.running import ROOT
from many.jobs import retrofit

from optimizer.many import workers
from optimizer.many.answer import SET_ASIDE, Answered, Job, Row


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
