"""Jobs → answers as they come, by processes of this machine or by the workers of a cluster that is there already.

A worker that dies takes nothing with it: its job is given to others. One whose workers die each time is set aside.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from itertools import islice
from multiprocessing import get_context
from typing import Any

from optimizer.errors import OptimizerError
from optimizer.many.answer import Answered, Job, answer, set_aside
from optimizer.processes import serve_another

TRIES = 3  # of one job, by different workers
IN_FLIGHT = (
    16  # jobs that wait at a cluster for each of its threads: enough to hide the way there, few enough to be small
)
_SPAWN = get_context("spawn")  # a fork of a program with threads may wait for ever
_CLUSTER_WAIT_S = 30.0


def by_processes(jobs: Iterator[Job], workers: int) -> Iterator[Answered]:
    """Yield the answers of jobs as they come, from so many processes; they end with the generator.

    Each process is a pool of its own, so that the death of one is known to be that of its own job.
    """
    lanes = [_Lane() for _ in range(workers)]
    again: list[tuple[Job, int]] = []
    running: dict[Future[Answered], tuple[_Lane, Job, int]] = {}
    try:
        while True:
            for lane in lanes:
                if lane.free:
                    job, tried = again.pop() if again else (next(jobs, None), 0)
                    if job is None:
                        break
                    running[lane.start(job)] = (lane, job, tried + 1)
            if not running:
                return
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                lane, job, tries = running.pop(future)
                if isinstance(future.exception(), BrokenProcessPool):
                    lane.renew()
                    if tries < TRIES:
                        again.append((job, tries))
                    else:
                        yield set_aside(job, tries)
                else:
                    lane.free = True
                    yield future.result()
    finally:
        for lane in lanes:
            lane.end()


class _Lane:
    """One process, and whether it is free."""

    def __init__(self) -> None:
        self.renew()

    def renew(self) -> None:
        self._pool = ProcessPoolExecutor(1, mp_context=_SPAWN, initializer=serve_another)
        self._pid: Future[int] | None = None
        self.free = True

    def start(self, job: Job) -> Future[Answered]:
        if self._pid is None:
            self._pid = self._pool.submit(os.getpid)
        self.free = False
        return self._pool.submit(answer, job)

    def end(self) -> None:
        """End the process, in the middle of its work if need be."""
        pid, self._pid = self._pid, None
        if pid is not None and not self.free:
            with suppress(OSError, BrokenProcessPool):
                os.kill(pid.result(), signal.SIGTERM)
        self._pool.shutdown(wait=True, cancel_futures=True)


def by_cluster(jobs: Iterator[Job], address: str) -> Iterator[Answered]:
    """Yield the answers of jobs as they come, from the workers of a Dask scheduler at this address.

    Raises
    ------
    OptimizerError
        Where `distributed` is not installed, or nothing answers at the address.
    """
    try:
        from distributed import Client, as_completed
        from distributed.scheduler import KilledWorker
    except ImportError as error:
        raise OptimizerError(
            "a cluster needs `distributed`, which is not installed: python -m pip install 'retrofit-optimizer[cluster]'"
        ) from error
    try:
        client = Client(address, timeout=_CLUSTER_WAIT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        why = str(error) or type(error).__name__
        raise OptimizerError(f"no Dask scheduler answers at {address}: {why}") from error
    with client:
        known: dict[Any, Job] = {}

        def begun() -> Iterator[Any]:
            for job in jobs:
                future = client.submit(answer, job, pure=False, key=f"{job.key}-{len(job.name)}-{id(job)}")
                known[future] = job
                yield future

        source = begun()
        room = IN_FLIGHT * max(1, sum(client.nthreads().values()))
        coming = as_completed(list(islice(source, room)), with_results=True,
                              raise_errors=False, loop=client.loop)  # fmt: skip
        for future, told in coming:
            job = known.pop(future)
            if future.status == "finished":
                yield told
            elif isinstance(future.exception(), KilledWorker):
                yield set_aside(job, TRIES)
            else:
                raise OptimizerError(f"the cluster gave no answer for {job.name}: {future.exception()}")
            future.release()
            following = next(source, None)
            if following is not None:
                coming.add(following)
