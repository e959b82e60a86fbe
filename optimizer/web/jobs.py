"""The searches of a sitting, seen from the page's program: one process at a time, watched, stopped or ended at once."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any

from optimizer.web.worker import Asked, run

_SPAWN = get_context("spawn")  # a fork of a program with threads may wait for ever
_KILL_WAIT_S = 2.0
MOST_COURSE = 20_000  # of what a search told


@dataclass
class Job:
    """One piece of work. `stage`, `best_cents` and `bound_cents` are what it told last; it has ended once `over`.

    `result` is what came of it; `failed` says in words why nothing did.
    """

    asked: Asked
    words: str
    stage: str = ""
    best_cents: int | None = None
    bound_cents: int | None = None
    result: Any = None
    failed: str = ""
    over: bool = False
    stopping: bool = False
    began: float = field(default_factory=time.monotonic)
    ended: float | None = None
    course: list[tuple[float, int | None, int | None]] = field(default_factory=list)  # seconds, best, bound

    @property
    def elapsed_s(self) -> float:
        return (self.ended or time.monotonic()) - self.began


class Jobs:
    """Runs one job at a time; `then` is called with each that ended by itself, before it counts as over."""

    def __init__(self, then: Callable[[Job], None]) -> None:
        self._then = then
        self._lock = threading.Lock()
        self._closing = threading.Lock()  # a job ends once: by itself, or as it is ended
        self._process: Any = None
        self._stop: Any = None
        self.job: Job | None = None
        self.turns = 0  # rises with each job that begins or ends

    @property
    def busy(self) -> bool:
        return self.job is not None and not self.job.over

    def start(self, asked: Asked, words: str) -> bool:
        """Begin a piece of work; False where another one is still going on."""
        with self._lock:
            if self.busy:
                return False
            job = self.job = Job(asked, words)
            heard, told = _SPAWN.Pipe(duplex=False)
            self._stop = _SPAWN.Event()
            self._process = _SPAWN.Process(target=run, args=(asked, told, self._stop), daemon=True)
            self._process.start()
            told.close()
            self.turns += 1
            threading.Thread(target=self._listen, args=(job, heard, self._process), daemon=True).start()
            return True

    def stop(self) -> None:
        """Ask the work to end with the best so far."""
        with self._lock:
            if self.busy and self.job is not None:
                self._stop.set()
                self.job.stopping = True
                self.turns += 1

    def end(self) -> None:
        """End the work at once; nothing comes of it."""
        with self._lock:
            process, job = self._process, self.job
            if job is not None:  # first: whoever listens to the process hears its end before this call returns
                self._close(job, "It was canceled; nothing was kept.")
            if process is not None and process.is_alive():
                process.kill()
                process.join(_KILL_WAIT_S)

    def _listen(self, job: Job, heard: Connection, process: Any) -> None:
        """Take in what the process tells until it ends, by itself or not."""
        try:
            while not job.over:
                kind, *rest = heard.recv()
                if kind == "progress":
                    job.stage, job.best_cents, job.bound_cents = rest
                    if len(job.course) < MOST_COURSE:
                        job.course.append((job.elapsed_s, *rest[1:]))
                    continue
                if kind == "done":
                    job.result = rest[0]
                    self._then(job)
                self._close(job, "" if kind == "done" else str(rest[0]))
        except (EOFError, OSError):  # it is gone without a word
            self._close(job, "The search ended unexpectedly. Start it again; if it ends so again, this is a defect.")
        finally:
            heard.close()
            process.join(_KILL_WAIT_S)

    def _close(self, job: Job, failed: str) -> None:
        with self._closing:
            if not job.over:
                job.failed, job.ended, job.over = failed, time.monotonic(), True
                self.turns += 1
