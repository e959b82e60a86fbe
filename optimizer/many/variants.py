"""One system and a table of changes → one job for each row of the table.

A column names a place of the file by its keys as they stand there, from the left margin on: `targets: return line`,
`rules: certainty`, `runs: riser: parts: 3` (the third one). An empty cell leaves the file as it is there.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from optimizer.edits.splice import set_value
from optimizer.errors import EditError, Fault, InputError
from optimizer.many.answer import Job
from optimizer.many.listing import keyed
from optimizer.read.ordinary import first_bytes

MOST_BYTES, MOST_ROWS, MOST_COLUMNS = 5_000_000, 100_000, 50
NAME = "name"


@dataclass(frozen=True, slots=True)
class Variants:
    """What varies: the headings of the columns, and a name and the cells of each row, as they are written."""

    columns: tuple[str, ...]
    names: tuple[str, ...]
    cells: tuple[tuple[str, ...], ...]

    def column(self, place: int) -> tuple[str, ...]:
        return tuple(row[place] for row in self.cells)

    def numbers(self, place: int) -> tuple[float, ...] | None:
        """Return a column as the numbers that its cells begin with, where each one does and their units agree."""
        found = [re.match(r"\s*(?:at (?:least|most) +)?(-?\d+(?:\.\d+)?)\s*(.*)", cell) for cell in self.column(place)]
        if not all(found) or len({one[2].strip() for one in found if one}) > 1:
            return None
        values = tuple(float(one[1]) for one in found if one)
        return values if all(math.isfinite(value) for value in values) else None


def read_variants(path: Path) -> Variants:
    """Return the table of a CSV file; InputError with every fault, by row and column."""
    try:
        content = first_bytes(path, MOST_BYTES, "a CSV file")
    except OSError as error:
        raise InputError([Fault(str(path), f"no file that can be read: {error.strerror}", "a CSV file")]) from error
    return variants_of(content, str(path))


def variants_of(content: bytes, place: str) -> Variants:
    """Return the table of some bytes; InputError with every fault, by row and column of `place`.

    Cells are told apart by commas, or as the row of headings has them: by tabs, as spreadsheets copy, or semicolons.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError([Fault(place, "bytes that are no UTF-8 text", "a CSV file in UTF-8")]) from error
    if len(content) > MOST_BYTES:
        raise InputError([Fault(place, "more than 5 MB", "a table of at most 5 MB")])
    rows = [row for row in _rows(place, text) if len(row) > 1 or any(row)]
    if len(rows) < 2:
        raise InputError([Fault(place, "no row of values", "a row of headings, then a row for each variant")])
    heads = [head.strip() for head in rows[0]]
    faults = _bad_headings(place, heads)
    if len(rows) > MOST_ROWS:
        faults.append(Fault(place, f"{len(rows) - 1:,} rows", f"at most {MOST_ROWS:,}"))
    faults += [
        Fault(f"{place}, row {number}", f"{len(row)} cells", f"{len(heads)}, one for each heading")
        for number, row in enumerate(rows[1:], start=2)
        if len(row) != len(heads)
    ]
    if faults:
        raise InputError(faults)
    named = heads.index(NAME) if NAME in heads else None
    kept = [at for at in range(len(heads)) if at != named]
    width = len(str(len(rows) - 1))
    names = [
        row[named].strip() if named is not None and row[named].strip() else f"{number:0{width}}"
        for number, row in enumerate(rows[1:], start=1)
    ]
    twice = sorted({name for name in names if names.count(name) > 1}) if len(set(names)) < len(names) else []
    if twice:
        raise InputError([Fault(place, f"'{twice[0]}' as the name of two rows", "a name of its own for each row")])
    cells = tuple(tuple(row[at].strip() for at in kept) for row in rows[1:])
    return Variants(tuple(heads[at] for at in kept), tuple(names), cells)


def _rows(place: str, text: str) -> list[list[str]]:
    rows: list[list[str]] = []
    first = next(iter(text.splitlines()), "")
    sign = next((one for one in "\t;" if one in first and "," not in first), ",")
    try:
        for cells in csv.reader(io.StringIO(text, newline=""), delimiter=sign, strict=True):
            rows.append(cells)
    except csv.Error as error:
        fault = Fault(f"{place}, row {len(rows) + 1}", str(error), "comma-separated cells, quotes in pairs")
        raise InputError([fault]) from error
    return rows


def _bad_headings(where: str, heads: Sequence[str]) -> list[Fault]:
    allowed = "a place in the file such as 'targets: return line', 'rules: budget', or 'name'"
    faults = [
        Fault(f"{where}, row 1, column {place}", f"'{head}'" if head else "an empty heading", allowed)
        for place, head in enumerate(heads, start=1)
        if not all(key.strip() for key in head.split(":"))
    ]
    for head in sorted({head for head in heads if head and heads.count(head) > 1}):
        faults.append(Fault(f"{where}, row 1", f"'{head}' more than once", "each place once"))
    if len(heads) > MOST_COLUMNS:
        faults.append(Fault(f"{where}, row 1", f"{len(heads)} columns", f"at most {MOST_COLUMNS}"))
    return faults


def place_of(heading: str) -> tuple[str | int, ...]:
    """Return the path of a heading: keys, and for the parts of a list their number less one."""
    keys = [key.strip().strip("'\"") for key in heading.split(":")]
    return tuple(int(key) - 1 if re.fullmatch(r"[1-9]\d{0,3}", key) else key for key in keys)


def jobs(file: Path, text: str, variants: Variants, like: Job) -> Iterator[Job]:
    """Yield a job for each row: the file's text with the cells of the row put in, or why that can not be done."""
    for name, cells in zip(variants.names, variants.cells, strict=True):
        content: bytes | None = None
        fault = ""
        try:
            changed = text
            for heading, cell in zip(variants.columns, cells, strict=True):
                if cell:
                    changed = set_value(changed, place_of(heading), cell)
            content = changed.encode("utf-8")
        except EditError as error:
            fault = f"a change that can not be made: {error}"
        yield keyed(replace(like, name=job_name(file, name), content=content, fault=fault))


def job_name(file: Path, name: str) -> str:
    """Return what a variant is called where its errors are told."""
    return f"{file.name} ({name})"
