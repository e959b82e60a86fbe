"""Bytes put into a file whole or not at all; what is there already stays unless its replacement is allowed."""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path

from optimizer.errors import DocumentError


def free_target(path: Path, overwrite: bool, ending: str) -> Path:
    """Return where to write, through links, once it is clear that nothing is in the way.

    Parameters
    ----------
    path
        Where to write; the folder exists.
    overwrite
        Whether a file that is there may be replaced.
    ending
        What the name must end in, such as ".xlsx".

    Raises
    ------
    DocumentError
        Another ending, a folder, no such folder, or a file that may not be replaced.
    """
    try:
        return _free_target(path, overwrite, ending)
    except (OSError, RuntimeError) as error:  # no permission to look there, or links that go round in a circle
        raise DocumentError(f"{path}: cannot be written, {getattr(error, 'strerror', None) or error}") from error


def _free_target(path: Path, overwrite: bool, ending: str) -> Path:
    target = path.resolve()
    if target.is_dir() or not target.parent.is_dir():
        why = "it is a folder" if target.is_dir() else f"there is no folder {target.parent}"
        raise DocumentError(f"{path}: cannot be written, {why}")
    if target.suffix.lower() != ending:
        raise DocumentError(f"{path}: the name of this file ends in {ending}; write {path.with_suffix(ending).name}")
    if target.exists() and not overwrite:
        raise DocumentError(f"{path}: is there already; choose another name, or allow it (--replace)")
    return target


def put_whole(target: Path, content: bytes) -> None:
    """Put the content in place in one step: it is written beside the target first.

    Raises
    ------
    DocumentError
        When it cannot be written; what was there is still there then.
    """
    beside = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    try:
        with beside.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, target)
    except OSError as error:
        raise DocumentError(f"{target}: cannot be written, {error.strerror or error}") from error
    finally:
        with contextlib.suppress(OSError):
            beside.unlink()
