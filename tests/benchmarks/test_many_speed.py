"""What each way of working on many systems takes beside the work itself, and how much faster two workers are than one.

    python -m pytest -m slow tests/benchmarks/test_many_speed.py -s

Prints what it measured. The bars are for a quiet machine with two cores; where others keep it busy the wall time says
nothing, and is only printed.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from many.test_thousands import system

from optimizer.many.answer import Answered, Job, Row, answer
from optimizer.many.listing import keyed
from optimizer.many.results import Kept
from optimizer.many.workers import by_cluster, by_processes

BUSY = os.getloadavg()[0] > 0.7 * (os.cpu_count() or 1)
pytestmark = pytest.mark.slow
TASKS, SYSTEMS, KEPT = 1_000, 80, 300
MOST_PROCESS_S, MOST_CLUSTER_S, MOST_KEPT_S = 0.005, 0.02, 0.02
LEAST_SCALING = 1.8
Work = Callable[[Iterator[Job]], Iterator[Answered]]


def nothing(number: int) -> Iterator[Job]:
    """Yield jobs whose files can not be read: there is next to nothing to do but to hand them out."""
    for place in range(number):
        yield keyed(Job(f"{place:05}.yaml", None, "check", fault="gone"))


def systems(number: int) -> Iterator[Job]:
    for seed in range(number):
        yield keyed(Job(f"{seed:05}.yaml", system(seed).encode(), "plan"))


def taken_s(work: Work, jobs: Callable[[int], Iterator[Job]], number: int) -> float:
    """Return the wall time for so many jobs [s], without the start of the workers."""
    waiting = jobs(number + 1)
    answers = work(waiting)
    next(answers)  # the first answer comes when the workers are there
    began = time.perf_counter()
    rows = sum(1 for _ in answers)
    assert rows == number
    return time.perf_counter() - began


def told(what: str, seconds: float, bar: float) -> None:
    print(f"{what}: {1000 * seconds:.2f} ms a task")
    assert BUSY or seconds < bar


def test_handing_out_to_processes() -> None:
    told("processes", taken_s(lambda jobs: by_processes(jobs, 1), nothing, TASKS) / TASKS, MOST_PROCESS_S)


def test_handing_out_to_a_cluster() -> None:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, memory_limit="2GiB"
    ) as cluster:
        seconds = taken_s(lambda jobs: by_cluster(jobs, cluster.scheduler_address), nothing, TASKS)
    told("cluster of 2", seconds / TASKS, MOST_CLUSTER_S)


def test_keeping_a_row(tmp_path: Path) -> None:
    row = Row("a.yaml", "optimal", 1234, targets="[{}]" * 50)
    with Kept(tmp_path / "r.kept") as kept:
        began = time.perf_counter()
        for number in range(KEPT):
            kept.keep(str(number), row)
        told("a kept row", (time.perf_counter() - began) / KEPT, MOST_KEPT_S)


def test_two_processes_do_nearly_twice_as_much_as_one() -> None:
    alone = sum(1 for _ in map(answer, systems(3)))  # reads the catalogs, so that the first of all is no slower
    assert alone == 3
    one, two = (taken_s(lambda jobs, n=n: by_processes(jobs, n), systems, SYSTEMS) for n in (1, 2))  # type: ignore[misc]
    print(f"{SYSTEMS / one:.2f} systems a second by one process, {SYSTEMS / two:.2f} by two: {one / two:.2f} times")
    assert BUSY or one / two >= LEAST_SCALING
