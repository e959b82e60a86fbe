"""What the shipped catalogs hold, kept between two runs of the program under a key made of their content.

Two thousand rows take longer to check than to fetch. Whatever is odd about the kept copy (none, unreadable, of other
content, of another program) means that the files are read again; nothing ever depends on it.
"""

from __future__ import annotations

import hashlib
import io
import os
import pickle
import sys
from collections.abc import Hashable, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

from optimizer.read.catalog_rows import Shelf

_HOME = {"darwin": "Library/Caches", "win32": "AppData/Local"}
_UNFINISHED = "new-"  # a killed run leaves such a file; the next copy takes its place
_UNREADABLE = (  # no home is known: RuntimeError; the others are what damaged bytes raise
    *(OSError, RuntimeError, pickle.UnpicklingError, EOFError),
    *(AttributeError, ImportError, IndexError, TypeError, ValueError),
)
_COPIES = 4  # that are kept beside each other, the last ones
_MARK = len(hashlib.sha256().digest())


def key_of(files: Sequence[Path]) -> bytes:
    """Return a key of the content of files, of this program's code as it stands on disk, and of the Python it runs on.

    Raises
    ------
    OSError
        When a file cannot be read.
    """
    found = hashlib.sha256(repr(sys.version).encode())
    package = Path(__file__).parent.parent
    for folder in (package, package / "model", package / "read"):
        with os.scandir(folder) as entries:
            code = sorted((entry.name, entry.stat()) for entry in entries if entry.name.endswith(".py"))
        found.update(repr([(name, at.st_size, at.st_mtime_ns) for name, at in code]).encode())
    for path in files:
        found.update(repr(str(path)).encode() + hashlib.sha256(path.read_bytes()).digest())
    return found.digest()


def fetch(key: bytes) -> Shelf | None:
    """Return the shelf that was kept under a key; None when there is none that can be read."""
    try:
        kept = _place(key).read_bytes()
        body = kept[_MARK:]
        if kept[:_MARK] != hashlib.sha256(body).digest():
            return None
        shelf = _Reader(io.BytesIO(body)).load()
    except _UNREADABLE:
        return None
    return shelf if isinstance(shelf, Shelf) else None


def keep(key: bytes, shelf: Shelf) -> None:
    """Keep a shelf without faults under a key, whole or not at all; where nothing can be written, nothing is kept."""
    import tempfile

    written = io.BytesIO()
    _Writer(written).dump(shelf)
    body = written.getvalue()
    try:
        place = _place(key)
        place.parent.mkdir(parents=True, exist_ok=True)
        for old in (*_older(place.parent), *place.parent.glob(f"{_UNFINISHED}*")):
            old.unlink(missing_ok=True)
        with tempfile.NamedTemporaryFile(dir=place.parent, prefix=_UNFINISHED, delete=False) as file:
            file.write(hashlib.sha256(body).digest() + body)
        Path(file.name).replace(place)
    except (OSError, RuntimeError):  # the latter where nobody's home is known
        return


def _older(folder: Path) -> list[Path]:
    """Return the copies beyond the last few: a second program, such as that of a notebook, has one of its own."""
    kept = sorted(folder.glob("catalogs-*.bin"), key=lambda path: path.stat().st_mtime_ns)
    return kept[: max(len(kept) - (_COPIES - 1), 0)]


def _place(key: bytes) -> Path:
    home = os.environ.get("XDG_CACHE_HOME") or Path.home() / _HOME.get(sys.platform, ".cache")
    return Path(home) / "retrofit" / f"catalogs-{key.hex()[:32]}.bin"


class _Writer(pickle.Pickler):
    """Writes a value as a call of its class, and what is the same in many rows once: both are quicker to fetch."""

    def __init__(self, file: io.BytesIO) -> None:
        super().__init__(file, protocol=pickle.HIGHEST_PROTOCOL)
        self._met: dict[object, object] = {}

    def reducer_override(self, value: Any) -> Any:
        if isinstance(value, type) or not is_dataclass(value):
            return NotImplemented
        return type(value), tuple(self._one_of(getattr(value, field.name)) for field in fields(value))

    def _one_of(self, told: Any) -> object:
        if isinstance(told, Hashable):
            return self._met.setdefault((type(told), told), told)
        return told


class _Reader(pickle.Unpickler):
    """Reads this program's own values and dates; anything else is no shelf."""

    def find_class(self, module: str, name: str) -> object:
        if module.startswith(("optimizer.model.", "optimizer.read.catalog_rows")) or (module, name) in _PLAIN:
            return super().find_class(module, name)
        raise pickle.UnpicklingError(f"{module}.{name}")


_PLAIN = frozenset({("datetime", "date"), ("pathlib", "PosixPath"), ("builtins", "frozenset"), ("builtins", "set")})
