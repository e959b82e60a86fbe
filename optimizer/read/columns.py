"""CSV text → rows whose cells are read one by one, every fault kept with its file, row and column."""

from __future__ import annotations

import csv
import datetime
import difflib
import io
import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

from optimizer import ranges
from optimizer.errors import Fault, InputError, QuantityError
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.read.end_words import form_of
from optimizer.read.ordinary import first_bytes

MONEY_PLACES = 2  # whole cents
_NUMBER = re.compile(r"-?\d{1,40}(\.\d{1,40})?")
_DECIMAL_COMMA = re.compile(r"-?\d+,\d+")
_DATE = re.compile(r"\d{4}-\d\d-\d\d")
_MILLI = "e-3"
_WHOLE = r"[1-9][0-9]{0,3}"  # no part of a size is zero
_INCHES = re.compile(rf"{_WHOLE}(/{_WHOLE}|-{_WHOLE}/{_WHOLE})? in")
_MILLIMETRES = re.compile(rf"{_WHOLE}(/{_WHOLE})? mm")
_FORMS = {str(form): form for form in Form}
_SYSTEMS = {
    Form.BARB: SizeSystem.HOSE,
    Form.HOSE: SizeSystem.HOSE,
    Form.COMPRESSION: SizeSystem.TUBE,
    Form.PUSH_FIT: SizeSystem.TUBE,
    Form.TUBE: SizeSystem.TUBE,
}
UNWRITABLE = re.compile(  # control characters, halves of signs, marks that turn the direction of text, no signs at all
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ufffe\uffff\ud800-\udfff]"
)
LONGEST_CELL = 500  # signs
MOST_BYTES = 20_000_000
_Word = TypeVar("_Word", bound=StrEnum)


class CellError(ValueError):
    """A cell cannot be read: what is allowed there, and what was perhaps meant."""

    def __init__(self, allowed: str, suggestion: str | None = None) -> None:
        super().__init__(allowed)
        self.allowed, self.suggestion = allowed, suggestion


@dataclass(frozen=True, slots=True)
class Table:
    """A CSV file as its header and its rows of stripped cells, with the row numbers that a spreadsheet shows."""

    name: str
    header: tuple[str, ...]
    rows: tuple[tuple[int, dict[str, str]], ...]


@dataclass(slots=True)
class Row:
    """One row while it is read. A cell that cannot be read leaves a fault and a stand-in; see `sound`."""

    file: str
    number: int
    cells: dict[str, str]
    faults: list[Fault] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)  # what is odd, with its place, and counts all the same

    @property
    def sound(self) -> bool:
        return not self.faults

    def place(self, column: str) -> str:
        return f"{self.file}, row {self.number}, column {column}"

    def fault(self, column: str, allowed: str, suggestion: str | None = None) -> None:
        self.faults.append(Fault(self.place(column), repr(self.cells.get(column, "")), allowed, suggestion))

    def text(self, column: str, default: str = "") -> str:
        return self.cells.get(column, "") or default

    def required(self, column: str) -> str:
        text = self.cells.get(column, "")
        if not text:
            self.fault(column, "a name; the cell is empty")
        return text

    def number_in(self, column: str, low: float = 0.0, above: bool = False) -> float:
        """Return a plain decimal number of at least `low` (or above it)."""
        return self._number(column, self.cells.get(column, ""), "", low, above)

    def metres(self, column: str, above: bool = False, default: float | None = None) -> float:
        """Return in metres [m] what a column in mm holds; an empty cell gives the default, if there is one."""
        text = self.cells.get(column, "")
        if not text and default is not None:
            return default
        return self._number(column, text, _MILLI, 0.0, above)

    def _number(self, column: str, text: str, exponent: str, low: float, above: bool) -> float:
        try:
            value = _number(text, exponent)
        except CellError as error:
            self.fault(column, error.allowed, error.suggestion)
            return 1.0
        if value < low or (above and value == low):
            self.fault(column, f"a number {'above' if above else 'of at least'} {low:g}")
            return 1.0
        least, most = ranges.column(column)
        if value != 0 and not least <= abs(value) <= most:
            scale = 1000 if exponent else 1
            self.fault(column, f"0, or a number from {scale * least:g} to {scale * most:g}")
            return 1.0
        return value

    def cents(self, column: str) -> int:
        """Return a price, written in currency units with at most two decimals, in whole cents."""
        text = self.cells.get(column, "")
        try:
            cents = _cents(text)
            with ranges.noting() as notes:
                ranges.money(cents / 100, text, self.cells.get("currency", ""))
        except CellError as error:
            self.fault(column, error.allowed, error.suggestion)
            return 0
        except QuantityError as error:
            self.fault(column, error.allowed)
            return 0
        self.remarks += [f"{self.place(column)}: {note}" for note in notes]
        return cents

    def date(self, column: str) -> datetime.date:
        try:
            return _date(self.cells.get(column, ""))
        except CellError as error:
            self.fault(column, error.allowed)
            return datetime.date.min

    def currency(self, column: str) -> str:
        text = self.cells.get(column, "")
        if not (len(text) == 3 and text.isascii() and text.isalpha() and text.isupper()):
            upper = text.upper() if len(text) == 3 and text.isascii() and text.isalpha() else None
            self.fault(column, "a currency of three capital letters, such as USD", upper)
        return text

    def end(self, column: str) -> End:
        try:
            return parse_end(self.cells.get(column, ""))
        except CellError as error:
            self.fault(column, error.allowed, error.suggestion)
            return End(Form.SOCKET, "0 in", SizeSystem.IPS)

    def word(self, column: str, words: type[_Word], default: _Word) -> _Word:
        """Return the member of an enumeration whose value stands in the cell."""
        try:
            return words(self.cells.get(column, ""))
        except ValueError:
            self.one_of(column, [str(word) for word in words])
            return default

    def one_of(self, column: str, allowed: Collection[str], allowed_words: str = "") -> str:
        """Return the cell's text, which must be one of these."""
        text = self.cells.get(column, "")
        if text not in allowed:
            self.fault(column, allowed_words or "one of " + ", ".join(allowed), nearest(text, allowed))
        return text


def nearest(text: str, allowed: Collection[str]) -> str | None:
    """Return the allowed word that is spelled most like the text, None when none is near."""
    found = difflib.get_close_matches(text.lower(), [word.lower() for word in allowed], n=1, cutoff=0.6)
    return next((word for word in allowed if found and word.lower() == found[0]), None)


def sign_words(sign: str) -> str:
    """Return what a sign that no text has is called in a message."""
    number = ord(sign)
    return f"{'half sign' if 0xD800 <= number <= 0xDFFF else 'control character'} U+{number:04X}"


@lru_cache(maxsize=4096)
def _number(text: str, exponent: str) -> float:
    if _NUMBER.fullmatch(text):
        return float(text + exponent)
    if _DECIMAL_COMMA.fullmatch(text):
        raise CellError("a number with a decimal point", text.replace(",", "."))
    raise CellError("a number with a decimal point")


@lru_cache(maxsize=4096)
def _cents(text: str) -> int:
    if _DECIMAL_COMMA.fullmatch(text):
        raise CellError("a price with a decimal point", text.replace(",", "."))
    if not _NUMBER.fullmatch(text):
        raise CellError("a price such as 4.29, without a currency sign")
    whole, _, part = text.partition(".")
    if text.startswith("-"):
        raise CellError("a price of at least 0")
    if len(part.rstrip("0")) > MONEY_PLACES:
        raise CellError("a price with at most two decimals")
    return int(whole + part[:MONEY_PLACES].ljust(MONEY_PLACES, "0"))


@lru_cache(maxsize=256)
def _date(text: str) -> datetime.date:
    try:
        if _DATE.fullmatch(text):
            return datetime.date.fromisoformat(text)
    except ValueError:
        pass
    raise CellError("a date as year-month-day, such as 2026-11-01")


@lru_cache(maxsize=4096)
def parse_end(text: str) -> End:
    """Return the end that a catalog cell spells in full: nominal size and form, `1-1/2 in socket` or `32 mm spigot`.

    The size system follows from both: threads, barbs and tube have their own; sockets and spigots in mm are metric.
    """
    size, form_text = _split_end(text)
    form = _FORMS.get(form_text)
    if form is None:
        near = _written_otherwise(form_text)
        raise CellError(f"a nominal size and one of {', '.join(_FORMS)}", f"{size} {near}" if near else None)
    return End(form, size, system_of(form, size))


def _written_otherwise(form_text: str) -> Form | None:
    """Return the form that other words of the trade mean, or a spelling that is near, of the same thread."""
    try:
        return form_of(form_text)
    except QuantityError as error:
        return _FORMS[error.suggestion] if error.suggestion else None


def _split_end(text: str) -> tuple[str, str]:
    words = text.split(" ", 2)
    size = " ".join(words[:2])
    if len(words) < 3 or not (_INCHES.fullmatch(size) or _MILLIMETRES.fullmatch(size)):
        raise CellError("a nominal size and a form, such as 1-1/2 in socket, 3/4 in NPT male or 32 mm spigot")
    return size, words[2]


def system_of(form: Form, size: str) -> SizeSystem:
    """Return the table that a nominal size is taken from."""
    if form.is_thread:
        return SizeSystem.THREAD
    return _SYSTEMS.get(form) or (SizeSystem.METRIC if size.endswith(" mm") else SizeSystem.IPS)


def read_table(path: Path) -> Table:
    """Return a CSV file's rows, cells stripped, blank rows left out.

    Raises InputError when the file is not there, not UTF-8, empty, or has rows of another length than its header.
    """
    lines = list(_lines(path))
    if not lines:
        raise InputError([Fault(path.name, "an empty file", "a header row with the names of the columns, then rows")])
    (_, header), rest = lines[0], lines[1:]
    if len(header) == 1 and ";" in header[0]:
        raise InputError([Fault(f"{path.name}, row 1", "cells separated by semicolons", "cells separated by commas")])
    faults = [_repeated(path.name, header, index) for index, name in enumerate(header) if name in header[:index]]
    faults += [fault for number, cells in rest for fault in _unwritable(path.name, number, cells, header)]
    faults += [_ragged(path.name, number, cells, header) for number, cells in rest if len(cells) != len(header)]
    if faults:
        raise InputError(faults)
    names = tuple(header)
    return Table(path.name, names, tuple((number, dict(zip(names, cells, strict=True))) for number, cells in rest))


def _lines(path: Path) -> Iterator[tuple[int, list[str]]]:
    text = _text(path)
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    number = 0
    try:
        for number, cells in enumerate(reader, start=1):
            if any(cells):
                yield number, [cell.strip() for cell in cells]
    except csv.Error as error:
        place = f"{path.name}, row {number + 1} (line {reader.line_num} of the file)"
        raise InputError([Fault(place, str(error), "comma-separated cells, quotes in pairs")]) from error


_WORKBOOK = b"PK\x03\x04"  # how a packed file such as .xlsx or .ods begins


def _text(path: Path) -> str:
    try:
        content = first_bytes(path, MOST_BYTES, "a CSV file that can be read")
        if len(content) > MOST_BYTES:
            raise InputError([Fault(path.name, "a file of more than 20 MB", "a CSV file of at most 20 MB")])
        if content.startswith(_WORKBOOK):
            raise InputError([Fault(path.name, "a workbook", "a list of prices as text: save its sheet as CSV UTF-8")])
        return content.decode("utf-8-sig")
    except (OSError, ValueError) as error:
        if isinstance(error, UnicodeDecodeError):
            row = error.object.count(b"\n", 0, error.start) + 1
            found = f"a byte that is not UTF-8 (number {error.start + 1})"
            raise InputError([Fault(f"{path.name}, row {row}", found, "text saved as CSV UTF-8")]) from error
        why = getattr(error, "strerror", None) or "no such file"
        raise InputError([Fault(str(path), why, "a CSV file that can be read")]) from error


def _unwritable(file: str, number: int, cells: Sequence[str], header: Sequence[str]) -> Iterator[Fault]:
    if UNWRITABLE.search("".join(cells)) is None and all(len(cell) <= LONGEST_CELL for cell in cells):
        return
    row = "".join(cells)
    if len(row) <= LONGEST_CELL * 2 and not UNWRITABLE.search(row) and max(map(len, cells)) <= LONGEST_CELL:
        return
    for name, cell in zip(header, cells, strict=False):
        place = f"{file}, row {number}, column {name}"
        wrong = UNWRITABLE.search(cell)
        if wrong is not None:
            yield Fault(place, f"the {sign_words(wrong[0])} in {cell[:60]!r}", "printable characters")
        if len(cell) > LONGEST_CELL:
            yield Fault(place, f"a text of {len(cell):,} characters", f"at most {LONGEST_CELL}")


def _repeated(file: str, header: Sequence[str], index: int) -> Fault:
    return Fault(f"{file}, row 1", f"the column {header[index]!r} twice", "each column once")


def _ragged(file: str, number: int, cells: Sequence[str], header: Sequence[str]) -> Fault:
    found = f"{len(cells)} cells"
    return Fault(f"{file}, row {number}", found, f"{len(header)}, one for each column (quote a cell that has a comma)")
