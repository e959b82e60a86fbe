"""Rows as they come → a file beside the results that keeps them, and in the end the results: CSV, a workbook, Parquet.

What is kept is never asked for again: a second start goes on where the first one ended, whatever ended it.
"""

from __future__ import annotations

import io
import json
import math
import os
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, fields
from pathlib import Path
from types import TracebackType
from typing import IO, TYPE_CHECKING, Any, overload

from optimizer.errors import OptimizerError
from optimizer.many.answer import NO_ANSWER, SET_ASIDE, Row
from optimizer.read.ordinary import check_ordinary

if TYPE_CHECKING:
    import pandas as pd

_TYPES = {"int | None": "Int64", "int": "int64", "float | None": "Float64", "str": "string"}
COLUMNS = {one.name: _TYPES[str(one.type)] for one in fields(Row)}
SYNC_EVERY_S = 1.0  # that rows are on the disk is waited for
PIECE = 10_000  # rows of a table that are in memory at a time
_BEGINS = b'{"key": "'  # every line
_AGAIN = (SET_ASIDE, NO_ANSWER)  # what may come out otherwise at another time is asked for again


class Kept:
    """The rows that are kept beside the results, by the key of what they answer.

    They stay on the disk: in memory there is only where each of them stands, however many there are.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._places: dict[str, int] = {}  # where in the file
        self._passing: dict[str, Row] = {}  # those that are not kept for another start
        self._file: IO[bytes] | None = None
        self._end = 0
        self._synced_at = -math.inf

    def __enter__(self) -> Kept:
        try:
            check_ordinary(self.path, "a file of rows that were kept")
            with self.path.open("rb") as file:
                for line in file:
                    told = _row_of(line, self.path)
                    if told is None:  # the last line of a process that was killed
                        break
                    self._places[told[0]] = self._end
                    self._end += len(line)
        except FileNotFoundError:
            pass
        except OSError as error:
            raise OptimizerError(f"{self.path}: cannot be read, {error.strerror or error}") from error
        try:
            self._file = self.path.open("ab")
            self._file.truncate(self._end)
        except OSError as error:
            raise OptimizerError(f"{self.path}: cannot be written, {error.strerror or error}") from error
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file is not None:
            with self._file:
                os.fsync(self._file.fileno())

    def __contains__(self, key: str) -> bool:
        return key in self._places or key in self._passing

    def row(self, key: str) -> Row | None:
        """Return the row of a key; None where it has none yet."""
        return self.rows_of([key])[0] if key in self else None

    def rows_of(self, keys: Iterable[str]) -> Rows:
        """Return the rows of those keys that have one, in their order."""
        found = (self._places.get(key, self._passing.get(key)) for key in keys)
        return Rows(self.path, [one for one in found if one is not None])

    def keep(self, key: str, row: Row) -> None:
        """Keep a row: whoever ends this process, it is kept. Only a machine without power loses its last second."""
        assert self._file is not None
        if row.status in _AGAIN:
            self._passing[key] = row
            return
        line = (json.dumps({"key": key, **asdict(row)}, ensure_ascii=False) + "\n").encode("utf-8", "surrogateescape")
        self._file.write(line)
        self._file.flush()
        if time.monotonic() - self._synced_at > SYNC_EVERY_S:
            os.fsync(self._file.fileno())  # which takes as long as a small system where it is done for each
            self._synced_at = time.monotonic()
        self._places[key] = self._end
        self._end += len(line)


class Rows(Sequence[Row]):
    """Rows that are read from the disk when they are asked for: by where they stand in a file, or themselves."""

    def __init__(self, path: Path, places: Sequence[int | Row]) -> None:
        self._path, self._places = path, places

    def __len__(self) -> int:
        return len(self._places)

    @overload
    def __getitem__(self, at: int) -> Row: ...
    @overload
    def __getitem__(self, at: slice) -> Rows: ...
    def __getitem__(self, at: int | slice) -> Row | Rows:
        if isinstance(at, slice):
            return Rows(self._path, self._places[at])
        return next(iter(Rows(self._path, [self._places[at]])))

    def __iter__(self) -> Iterator[Row]:
        if all(isinstance(place, Row) for place in self._places):
            yield from (place for place in self._places if isinstance(place, Row))
            return
        try:
            with self._path.open("rb") as file:
                for place in self._places:
                    yield place if isinstance(place, Row) else _row_at(file, place, self._path)
        except OSError as error:
            raise OptimizerError(f"{self._path}: cannot be read, {error.strerror or error}") from error


def _row_at(file: IO[bytes], place: int, path: Path) -> Row:
    file.seek(place)
    told = _row_of(file.readline(), path)
    if told is None:
        raise OptimizerError(f"{path}: what was kept there has changed meanwhile; start again")
    return told[1]


def _row_of(line: bytes, path: Path) -> tuple[str, Row] | None:
    """Return the key and the row of a line; None where it is one that was not written to its end."""
    if not line.endswith(b"\n") and (line.startswith(_BEGINS) or _BEGINS.startswith(line)):
        return None
    try:
        told = json.loads(line.decode("utf-8", "surrogateescape"))
        return told.pop("key"), Row(**told)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise OptimizerError(
            f"{path}: what was kept there of an earlier start cannot be read: it was made by another version, or it is "
            "damaged; delete it to begin anew"
        ) from error


def frame(rows: Sequence[Row], before: Mapping[str, Sequence[str]] | None = None) -> pd.DataFrame:
    """Return rows as a table with the types of `COLUMNS`; `before` are columns of texts right of the name."""
    import pandas as pd

    columns = {name: pd.Series([getattr(row, name) for row in rows], dtype=kind) for name, kind in COLUMNS.items()}
    left = {name: pd.Series(list(texts), dtype="string") for name, texts in (before or {}).items()}
    return pd.DataFrame({"name": columns.pop("name"), **left, **columns})


def pieces(rows: Sequence[Row], ending: str, before: Mapping[str, Sequence[str]] | None = None) -> Iterator[bytes]:
    """Yield the bytes of a table of rows, a few thousand rows at a time: the same bytes for the same rows.

    A workbook is put together as one. `before` are columns of texts right of the name.

    Raises
    ------
    OptimizerError
        For Parquet, where `pyarrow` is not installed.
    """
    if ending == ".xlsx":
        yield _workbook(frame(rows, before))
    elif ending == ".csv":
        for number, table in enumerate(_frames(rows, before)):
            yield _csv(table, with_head=number == 0)
    else:
        yield from _parquet(_frames(rows, before))


def _frames(rows: Sequence[Row], before: Mapping[str, Sequence[str]] | None) -> Iterator[pd.DataFrame]:
    for at in range(0, max(1, len(rows)), PIECE):
        here = slice(at, at + PIECE)
        yield frame(list(rows[here]), {name: texts[here] for name, texts in (before or {}).items()})


def _csv(table: pd.DataFrame, with_head: bool) -> bytes:
    from optimizer.documents.order_sheet import harmless

    texts = {name: table[name].map(harmless) for name in table.columns if str(table[name].dtype) == "string"}
    text = table.assign(**texts).to_csv(index=False, header=with_head, lineterminator="\n")
    return str(text).encode("utf-8", "replace")


def _parquet(tables: Iterator[pd.DataFrame]) -> Iterator[bytes]:
    try:
        import pyarrow
        from pyarrow.parquet import ParquetWriter
    except ImportError as error:
        raise OptimizerError(
            "Parquet needs `pyarrow`, which is not installed: python -m pip install 'retrofit-optimizer[parquet]', "
            "or write .csv"
        ) from error
    into = _Passed()
    first = pyarrow.Table.from_pandas(next(tables), preserve_index=False)
    with ParquetWriter(into, first.schema) as writer:
        writer.write_table(first)
        for table in tables:
            yield into.taken()
            writer.write_table(pyarrow.Table.from_pandas(table, schema=first.schema, preserve_index=False))
    yield into.taken()


class _Passed(io.RawIOBase):
    """A file that is written to at its end, and whose bytes are taken from it as it goes on."""

    def __init__(self) -> None:
        super().__init__()
        self._waiting: list[bytes] = []
        self._size = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._waiting.append(bytes(data))
        self._size += len(self._waiting[-1])
        return len(self._waiting[-1])

    def tell(self) -> int:
        return self._size

    def taken(self) -> bytes:
        taken, self._waiting = b"".join(self._waiting), []
        return taken


def _workbook(table: pd.DataFrame) -> bytes:
    from optimizer.documents.sheet_of_rows import rows_workbook

    return rows_workbook(list(table.columns), list(_plain(table)), "Results")


def _plain(table: pd.DataFrame) -> Iterator[tuple[object, ...]]:
    for row in table.astype(object).where(table.notna(), None).itertuples(index=False, name=None):
        yield tuple(one.item() if hasattr(one, "item") else one for one in row)  # numbers of Python, not of numpy
