"""A path → its bytes, where it is an ordinary file: a pipe would be waited for without end, a device never ends."""

from __future__ import annotations

import stat
from collections.abc import Callable
from pathlib import Path

from optimizer.errors import Fault, InputError

_OTHERS: tuple[tuple[Callable[[int], bool], str], ...] = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe, not a file"),
    (stat.S_ISSOCK, "a socket, not a file"),
    (lambda _: True, "a device, not a file"),
)


def first_bytes(path: Path, most: int, allowed: str) -> bytes:
    """Return a file's bytes, of one that is larger than `most` no more than shows that it is.

    Raises
    ------
    InputError
        What is there is no ordinary file; `allowed` says what is asked for.
    OSError
        There is none, or it cannot be read.
    """
    check_ordinary(path, allowed)
    with path.open("rb") as file:
        return file.read(most + 1)


def check_ordinary(path: Path, allowed: str) -> None:
    """Raise as `first_bytes` does, without reading anything."""
    mode = path.stat().st_mode
    if not stat.S_ISREG(mode):
        found = next(words for is_that, words in _OTHERS if is_that(mode))
        raise InputError([Fault(str(path), found, allowed)])
