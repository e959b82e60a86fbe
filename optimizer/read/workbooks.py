"""A workbook (.xlsx) → its sheets as plain cells, in little memory; what can not be read is one clear fault.

The file is looked at before it is opened: a small file may unpack to gigabytes, and one that needs a password is no
workbook at all on the outside. Cells are then read one after the other; nothing of the file is kept besides.
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

from optimizer.errors import Fault, InputError
from optimizer.read.ordinary import check_ordinary

MOST_BYTES = 50_000_000  # of the file, pictures and all
MOST_UNPACKED_BYTES = 10_000_000  # of its tables and texts: a parts list has a twentieth of it
MOST_ENTRIES = 2_000
MOST_CELLS = 200_000
MOST_COLUMNS = 200
MOST_ROWS = 1_048_576  # of any sheet that a spreadsheet program writes
_OLD_OR_LOCKED = b"\xd0\xcf\x11\xe0"  # how an encrypted workbook begins, and one in the format before .xlsx
_ALLOWED = "the workbook of a plan, saved as .xlsx without a password"


@dataclass
class Sheet:
    """The cells of a sheet that hold something: values, how numbers are shown, formulas. Rows and columns from 1."""

    title: str
    values: dict[tuple[int, int], Any] = field(default_factory=dict)
    formats: dict[tuple[int, int], str] = field(default_factory=dict)
    formulas: dict[tuple[int, int], str] = field(default_factory=dict)

    def rows(self, after: int = 0) -> list[int]:
        """Return the numbers of the rows behind one that hold anything."""
        return sorted({row for row, _ in (*self.values, *self.formulas) if row > after})


def load_sheets(path: Path) -> list[Sheet]:
    """Return the sheets of a workbook that hold tables, without charts.

    Raises
    ------
    InputError
        No such file, no workbook, encrypted, damaged, or larger than any parts list.
    """
    _look(path)
    try:
        return _sheets(path)
    except InputError:
        raise
    except Exception:  # the library raises whatever it stumbles over in a damaged file
        raise _fault(path, "a damaged workbook") from None


def _fault(path: Path, found: str, allowed: str = _ALLOWED) -> InputError:
    return InputError([Fault(path.name, found, allowed)])


def _look(path: Path) -> None:
    """Refuse what is too large or locked, before anything of it is unpacked."""
    try:
        check_ordinary(path, _ALLOWED)
        size = path.stat().st_size
        with path.open("rb") as file:
            locked = file.read(4) == _OLD_OR_LOCKED
        if locked:
            raise _fault(path, "a workbook that is locked with a password, or in an older format")
        if size > MOST_BYTES:
            raise _fault(path, f"a file of {size / 1e6:,.0f} MB", f"at most {MOST_BYTES / 1e6:.0f} MB")
        with zipfile.ZipFile(path) as packed:
            entries = packed.infolist()
    except FileNotFoundError:
        raise _fault(path, "no such file") from None
    except (zipfile.BadZipFile, ValueError, NotImplementedError) as error:
        raise _fault(path, f"no workbook that can be read ({type(error).__name__})") from None
    except OSError as error:
        raise _fault(path, f"a file that cannot be read ({error.strerror})") from None
    _look_inside(path, entries)


def _look_inside(path: Path, entries: list[zipfile.ZipInfo]) -> None:
    if any(entry.flag_bits & 0x1 for entry in entries):
        raise _fault(path, "a workbook that is locked with a password")
    unpacked = sum(entry.file_size for entry in entries if not entry.filename.startswith("xl/media/"))
    if unpacked > MOST_UNPACKED_BYTES or len(entries) > MOST_ENTRIES:
        found = f"a workbook of {unpacked / 1e6:,.0f} MB unpacked, in {len(entries):,} pieces"
        raise _fault(path, found, f"at most {MOST_UNPACKED_BYTES / 1e6:.0f} MB, in {MOST_ENTRIES:,} pieces")


def _sheets(path: Path) -> list[Sheet]:
    import openpyxl

    found: dict[str, Sheet] = {}
    for stored in (True, False):
        book = openpyxl.load_workbook(path, read_only=True, data_only=stored)
        try:
            left = MOST_CELLS
            for sheet in book.worksheets:
                into = found.setdefault(sheet.title, Sheet(sheet.title))
                for cell in _cells(path, sheet):
                    left -= 1
                    if left < 0:
                        raise _fault(path, f"more than {MOST_CELLS:,} cells", "a parts list")
                    _keep(into, cell, stored)
        finally:
            book.close()
    return list(found.values())


def _cells(path: Path, sheet: Any) -> Iterator[Any]:
    """Yield the cells of a sheet that hold something; what it says of its own size is not believed."""
    sheet.reset_dimensions()
    for number, row in enumerate(sheet.rows):  # rows that are left out are counted as well, however many
        if number >= MOST_ROWS:
            raise _fault(path, f"a sheet {sheet.title!r} of more than {MOST_ROWS:,} rows", "a parts list")
        yield from (cell for cell in islice(row, MOST_COLUMNS) if cell.value is not None)


def _keep(sheet: Sheet, cell: Any, stored: bool) -> None:
    place = (cell.row, cell.column)
    if stored:
        sheet.values[place] = cell.value
        sheet.formats[place] = str(cell.number_format)
    else:
        formula = getattr(cell.value, "text", cell.value)  # of an array it is an object of its own
        if isinstance(formula, str) and formula.startswith("="):
            sheet.formulas[place] = formula
