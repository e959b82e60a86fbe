"""How long a command may still take: one clock that all it does looks at, however deep inside."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_until: ContextVar[float] = ContextVar("until", default=math.inf)


class TimeIsUp(Exception):  # noqa: N818 - it tells of no fault: whoever set the time catches it
    """The time that `limited` gave is over: it is raised by `look` and caught where the time was set."""


@contextmanager
def limited(time_limit_s: float) -> Iterator[None]:
    """Give what is done inside so much wall time [s], and no more than what is around it has left."""
    token = _until.set(min(_until.get(), time.monotonic() + time_limit_s))
    try:
        yield
    finally:
        _until.reset(token)


@contextmanager
def unlimited() -> Iterator[None]:
    """Let what is done inside come to its end: what was found is to be told, however late it is."""
    token = _until.set(math.inf)
    try:
        yield
    finally:
        _until.reset(token)


def left_s() -> float:
    """Return the time that is left [s], 0 where it is over; endless where no limit was set."""
    return max(0.0, _until.get() - time.monotonic())


def look() -> None:
    """Raise TimeIsUp where the time is over. Long loops call it in every turn: it costs next to nothing."""
    if time.monotonic() > _until.get():
        raise TimeIsUp
