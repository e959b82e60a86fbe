"""Work that may take a while: told on stderr once it takes more than a second, and open to Ctrl-C all along."""

from __future__ import annotations

import os
import shutil
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Generic, TypeVar

from optimizer.cli.output import say, tell

T = TypeVar("T")
Tell = Callable[[str, "int | None", "int | None"], None]  # stage, best so far, proved bound [cents]
_SOLVERS = frozenset({"ortools", "scipy"})
PATIENCE_S = 1.0  # what takes less is not worth a line


def wait_for(words: str, work: Callable[[], T], quiet: bool = False) -> T:
    """Return what the work returns, or raise what it raises.

    It runs beside the main thread, which so hears Ctrl-C even while a solver is busy.
    """
    started = time.monotonic()
    task = _Task(work)
    with _output_kept_clean():
        task.start()
        task.join(PATIENCE_S)
        told = task.is_alive() and not quiet
        if told:
            say(f"{words} ...", err=True)
        task.join()
    if told:
        say(f"{words}: {time.monotonic() - started:.1f} s", err=True)
    return task.outcome()


def wait_for_search(words: str, work: Callable[[Tell], T], quiet: bool = False) -> T:
    """Return what a search returns that says how far it is, and that Ctrl-C ends with the best so far.

    On a terminal one line shows the stage, the best cost and the bound. A second Ctrl-C ends it at once.
    """
    started = time.monotonic()
    news = _News()
    task = _Task(lambda: work(news.tell))
    with _output_kept_clean():
        task.start()
        told = False
        while not task.ended_within(0.0):
            try:
                if not task.ended_within(PATIENCE_S) and not told and not quiet:
                    told = True
                    tell(f"{words} ... (Ctrl-C ends it with the best so far)")
                if told and _on_terminal():
                    tell(f"\r\x1b[K{news.words(time.monotonic() - started)}", nl=False)
            except KeyboardInterrupt as stop:
                if news.stop or type(stop) is not KeyboardInterrupt:  # asked for twice, or by another program
                    raise
                news.stop = True
                tell("\nEnding with the best so far; Ctrl-C once more ends at once.")
    if told:
        clear = "\r\x1b[K" if _on_terminal() else ""
        tell(f"{clear}{words}: {time.monotonic() - started:.1f} s")
    return task.outcome()


def _on_terminal() -> bool:
    return sys.stderr is not None and sys.stderr.isatty()


class _News:
    """The last that a search told; told again, it is stopped where someone asked for that."""

    def __init__(self) -> None:
        self.stop = False
        self._last: tuple[str, int | None, int | None] = ("", None, None)

    def tell(self, stage: str, best: int | None, bound: int | None) -> None:
        self._last = (stage, best, bound)
        if self.stop:
            raise KeyboardInterrupt

    def words(self, elapsed_s: float) -> str:
        stage, best, bound = self._last
        told = [f"{elapsed_s:.0f} s", stage]
        told += [] if best is None else [f"best so far {best / 100:.2f}"]
        told += [] if not bound else [f"no plan below {bound / 100:.2f}"]
        return "; ".join(part for part in told if part)[: shutil.get_terminal_size().columns - 1]


@contextmanager
def _output_kept_clean() -> Iterator[None]:
    """Send what a compiled library prints by itself to the error output: some solvers do, in the middle of data."""
    if sys.stdout is not None:
        sys.stdout.flush()
    kept = -1
    with suppress(OSError):  # started without an output or without an error output
        kept = os.dup(1)
        os.dup2(2, 1)
    try:
        yield
    finally:
        if kept >= 0:
            _flush_compiled()
            os.dup2(kept, 1)
            os.close(kept)


def _flush_compiled() -> None:
    """Bring out what a compiled library has printed and not yet let go of; only solvers print."""
    if _SOLVERS.isdisjoint(sys.modules):
        return
    import ctypes

    with suppress(OSError, AttributeError, TypeError):  # no C library under that name
        ctypes.CDLL(None).fflush(None)


class _Task(threading.Thread, Generic[T]):
    """Work with its result or error kept. A daemon: the program can end while it is still busy."""

    def __init__(self, work: Callable[[], T]) -> None:
        super().__init__(daemon=True)
        self._work = work
        self._results: list[T] = []
        self._error: BaseException | None = None
        self._ended = threading.Event()

    def ended_within(self, seconds: float) -> bool:
        """Wait so long at most; return whether the work is over.

        After a Ctrl-C `is_alive` cannot be asked: a join that was interrupted takes the thread for ended.
        """
        return self._ended.wait(seconds)

    def run(self) -> None:
        try:
            self._results.append(self._work())
        except BaseException as error:  # all are raised again in the main thread
            self._error = error
        finally:
            self._ended.set()

    def outcome(self) -> T:
        if self._error is not None:
            raise self._error
        return self._results[0]
