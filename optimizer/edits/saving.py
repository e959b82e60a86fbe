"""An edited text → its file, if that still holds what the text was made from; whole or not at all."""

from __future__ import annotations

from pathlib import Path

from optimizer.errors import DocumentError, FileChangedError
from optimizer.whole_file import put_whole, sweep


def text_of(content: bytes) -> str:
    """Return the text of a file's bytes, line ends and byte order mark as they are; UnicodeDecodeError if none."""
    return content.decode("utf-8")


def save(path: Path, old: bytes | None, text: str) -> bytes:
    """Put a text into a file, through links, and return its bytes.

    Parameters
    ----------
    path
        The file. Its mode and its other names (hard links) stay.
    old
        What it held when the text was made from it; None: there was no such file.
    text
        What it is to hold, line ends and byte order mark as they are to be.

    Raises
    ------
    FileChangedError
        When it holds something else by now, or is there or gone against what `old` says; nothing is written.
    DocumentError
        When it cannot be written; what was there is still there then.
    """
    target = path.resolve()
    sweep(target.parent)
    found = _content(target)
    if found != old:
        raise FileChangedError(path, old, found)
    content = text.encode("utf-8")
    if content != old:
        put_whole(target, content)
    return content


def _content(target: Path) -> bytes | None:
    try:
        if target.exists() and not target.is_file():
            raise DocumentError(f"{target}: cannot be written, it is no ordinary file")
        return target.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise DocumentError(f"{target}: cannot be read, {error.strerror or error}") from error
