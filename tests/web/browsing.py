"""A real browser on a page's server: the server in a thread, the browser driven by playwright, every request noted."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from cli.running import start

from optimizer.web.app import application
from optimizer.web.guard import Guard
from optimizer.web.serve import _bound
from optimizer.web.sitting import Sitting

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
REQUIRED = "REQUIRE_BROWSER" in os.environ  # as .ci/run says: then a missing browser is a failure
NOWHERE = "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1"


def needs_a_browser() -> Any:
    """Return the mark that passes tests over, with a word, where there is no browser to drive."""
    try:
        import playwright.sync_api  # noqa: F401
    except ImportError:
        missing = "playwright is not installed: the page was not walked through in a browser"
    else:
        missing = "" if CHROMIUM else "there is no Chromium on this machine: the page was not walked through in it"
    if missing and REQUIRED:
        pytest.fail(missing, pytrace=False)
    return pytest.mark.skipif(bool(missing), reason=missing or "all there")


@contextmanager
def served(path: Path) -> Iterator[tuple[str, Sitting]]:
    """Serve a file; yield the address that opens it, and its sitting."""
    sitting = Sitting(path)
    listener = _bound(0)
    guard = Guard(application(sitting), listener.getsockname()[1])
    server = uvicorn.Server(uvicorn.Config(guard, log_level="critical", lifespan="off", timeout_graceful_shutdown=1))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        yield guard.start_address, sitting
    finally:
        server.should_exit = True
        sitting.plans.jobs.end()
        thread.join(5)


@contextmanager
def as_a_program(path: Path) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """Open a file with the command itself; yield the address that it tells, and its process."""
    process = start("open", str(path), "--no-browser", PYTHONUNBUFFERED="1")
    try:
        assert process.stdout is not None
        match = re.search(r"http\S+", process.stdout.readline())
        assert match is not None
        yield match[0], process
    finally:
        process.kill()
        process.communicate()


@contextmanager
def held(sitting: Sitting) -> Iterator[None]:
    """Hold the search that goes on where it is, however quick or slow the machine: it ends while nobody looks."""
    jobs = sitting.plans.jobs
    until(lambda: jobs.busy and jobs._process is not None and jobs._process.is_alive())
    process = jobs._process.pid
    os.kill(process, signal.SIGSTOP)
    try:
        yield
    finally:
        with suppress(ProcessLookupError):
            os.kill(process, signal.SIGCONT)


def until(true: Callable[[], bool], seconds: float = 300.0) -> None:
    """Wait until something is so."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it never came to be so"
        time.sleep(0.02)
