"""Rows as they come → a file beside the results that keeps them, and in the end the results: CSV, a workbook, Parquet.

What is kept is never asked for again: a second start goes on where the first one ended, whatever ended it.
"""

from __future__ import annotations

import io
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, fields
from pathlib import Path
from types import TracebackType
from typing import IO, TYPE_CHECKING

from optimizer.errors import OptimizerError
from optimizer.many.answer import NO_ANSWER, SET_ASIDE, Row

if TYPE_CHECKING:
    import pandas as pd

_TYPES = {"int | None": "Int64", "int": "int64", "float | None": "Float64", "str": "string"}
COLUMNS = {one.name: _TYPES[str(one.type)] for one in fields(Row)}
_AGAIN = (SET_ASIDE, NO_ANSWER)  # what may come out otherwise at another time is asked for again


class Kept:
    """The rows that are kept beside the results, by the key of what they answer."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rows: dict[str, Row] = {}
        self._file: IO[bytes] | None = None

    def __enter__(self) -> Kept:
        whole = 0
        try:
            with self.path.open("rb") as file:
                for line in file:
                    told = _row_of(line)
                    if told is None:  # the last line of a process that was killed
                        break
                    self.rows[told[0]] = told[1]
                    whole += len(line)
        except FileNotFoundError:
            pass
        except OSError as error:
            raise OptimizerError(f"{self.path}: cannot be read, {error.strerror or error}") from error
        try:
            self._file = self.path.open("ab")
            self._file.truncate(whole)
        except OSError as error:
            raise OptimizerError(f"{self.path}: cannot be written, {error.strerror or error}") from error
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file is not None:
            self._file.close()

    def keep(self, key: str, row: Row) -> None:
        """Keep a row; it is on the disk when this returns, as far as the system tells."""
        assert self._file is not None
        if row.status not in _AGAIN:
            line = json.dumps({"key": key, **asdict(row)}, ensure_ascii=False) + "\n"
            self._file.write(line.encode("utf-8", "surrogateescape"))
            self._file.flush()
            os.fsync(self._file.fileno())
        self.rows[key] = row


def _row_of(line: bytes) -> tuple[str, Row] | None:
    """Return the key and the row of a line; None where it is not whole."""
    if not line.endswith(b"\n"):
        return None
    try:
        told = json.loads(line.decode("utf-8", "surrogateescape"))
        return told.pop("key"), Row(**told)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise OptimizerError(
            "what was kept of an earlier start can not be read: it was made by another version, or it is damaged; "
            "delete it to begin anew"
        ) from error


def frame(rows: Sequence[Row], before: Mapping[str, Sequence[str]] | None = None) -> pd.DataFrame:
    """Return rows as a table with the types of `COLUMNS`; `before` are columns of texts right of the name."""
    import pandas as pd

    columns = {name: pd.Series([getattr(row, name) for row in rows], dtype=kind) for name, kind in COLUMNS.items()}
    left = {name: pd.Series(list(texts), dtype="string") for name, texts in (before or {}).items()}
    return pd.DataFrame({"name": columns.pop("name"), **left, **columns})


def written(table: pd.DataFrame, ending: str) -> bytes:
    """Return a table as the bytes of a file: the same bytes for the same rows.

    Raises
    ------
    OptimizerError
        For Parquet, where `pyarrow` is not installed.
    """
    if ending == ".csv":
        return _csv(table)
    if ending == ".xlsx":
        return _workbook(table)
    try:
        import pyarrow  # noqa: F401
    except ImportError as error:
        raise OptimizerError(
            "Parquet needs `pyarrow`, which is not installed: python -m pip install 'retrofit-optimizer[parquet]', "
            "or write .csv"
        ) from error
    into = io.BytesIO()
    table.to_parquet(into, engine="pyarrow", index=False)
    return into.getvalue()


def _csv(table: pd.DataFrame) -> bytes:
    from optimizer.documents.order_sheet import harmless

    texts = {name: table[name].map(harmless) for name in table.columns if str(table[name].dtype) == "string"}
    return str(table.assign(**texts).to_csv(index=False, lineterminator="\n")).encode("utf-8", "replace")


def _workbook(table: pd.DataFrame) -> bytes:
    from optimizer.documents.sheet_of_rows import rows_workbook

    return rows_workbook(list(table.columns), list(_plain(table)), "Results")


def _plain(table: pd.DataFrame) -> Iterator[tuple[object, ...]]:
    for row in table.astype(object).where(table.notna(), None).itertuples(index=False, name=None):
        yield tuple(one.item() if hasattr(one, "item") else one for one in row)  # numbers of Python, not of numpy
