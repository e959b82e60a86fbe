"""A parts list that came back from a store (.xlsx) → the prices in it. Nothing is guessed.

Rows are known by their item number and columns by their titles: rows may be moved, sorted and left out, columns and
sheets added. What is wrong is a fault of its cell; what is missing or odd is a remark, and the list price counts.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, time, timedelta
from decimal import ROUND_HALF_UP, Decimal
from difflib import get_close_matches
from pathlib import Path
from typing import Any
from unicodedata import normalize

from optimizer.errors import Fault, InputError, visible
from optimizer.model.quote import (
    ITEM_TITLE,
    QUANTITY_TITLE,
    STORE_PART_TITLE,
    STORE_PRICE_TITLE,
    Quote,
    QuotedPrice,
    priced_title,
)
from optimizer.ranges import MOST_MONEY
from optimizer.read.columns import LONGEST_CELL
from optimizer.read.workbooks import Sheet, load_sheets

_HEAD_ROWS = 60  # the titles stand in one of the first
_LONGEST_SHOWN = 40  # signs of a text that is no price
_NO_PRICE = frozenset(  # what stores write in place of one: common practice, no source
    {"ask", "on request", "call", "none", "no", "n/a", "na", "tbd", "out of stock", "not in stock", "-", "–", "?"}
)
_PRICE = "a plain number above 0, or an empty cell: then the list price counts"
ODD_FACTOR = 5  # a price more than so many times the list price, or under one part in so many of it, is odd
_TITLE = re.compile(rf"{re.escape(STORE_PRICE_TITLE)}\s*(?:\((?P<currency>.*)\))?", re.IGNORECASE)
_SIGNS = {"$": "USD", "€": "EUR", "£": "GBP", "¥": "JPY", "₹": "INR", "₩": "KRW", "₽": "RUB", "₺": "TRY", "zł": "PLN"}
_CODE = re.compile(r"\b[A-Z]{3}\b")
_NOT_MONEY = frozenset({"RED"})  # a colour in a number format


@dataclass(frozen=True, slots=True)
class Asked:
    """One line that the store was asked to price: quantity, and the list price of one [whole cents]."""

    quantity: int
    list_cents: int
    spare: bool = False  # may be left out without a word


@dataclass
class _Reading:
    file: str
    currency: str
    asked: Mapping[str, Asked]
    known_cents: Mapping[str, int]
    faults: list[Fault] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    prices: dict[str, QuotedPrice] = field(default_factory=dict)
    seen: dict[str, str] = field(default_factory=dict)  # item number -> place of its price cell
    words: dict[str, str] = field(default_factory=dict)  # item number -> what the store wrote in place of a price


@dataclass(frozen=True, slots=True)
class _Table:
    """A sheet with the columns of a parts list: its row of titles and their columns, from 1."""

    sheet: Sheet
    head: int
    columns: Mapping[str, int]
    currency: str | None

    def place(self, file: str, row: int, title: str) -> str:
        from openpyxl.utils import get_column_letter

        return f"{file}, {visible(self.sheet.title)}!{get_column_letter(self.columns[title])}{row}"

    def value(self, row: int, title: str) -> Any:
        return self.sheet.values.get((row, self.columns[title])) if title in self.columns else None


def load_quote(
    path: Path, currency: str, asked: Mapping[str, Asked], known_cents: Mapping[str, int] | None = None
) -> Quote:
    """Return the prices of a filled-in workbook.

    Parameters
    ----------
    path
        The workbook, as a spreadsheet program saved it.
    currency
        What the plan is in; a quote in any other one, or in none, is a fault.
    asked
        What the store was asked to price, by item number.
    known_cents
        List prices of other items [whole cents] that a row may name as well, such as those of the catalogs.

    Raises
    ------
    InputError
        With every fault of the file, each with its cell.
    """
    file = Path(path).name
    reading = _Reading(file, currency, asked, known_cents or {})
    table = _find_table(reading, load_sheets(Path(path)))
    _check_currency(reading, table)
    for row in table.sheet.rows(after=table.head):
        _read_row(reading, table, row)
    if not reading.seen and asked:
        allowed = "item numbers of the plan's parts list, such as " + ", ".join(list(asked)[:3])
        place = table.place(file, table.head, ITEM_TITLE)
        reading.faults.append(Fault(place, "no item number that this plan knows under it", allowed))
    if reading.faults:
        raise InputError(reading.faults)
    _note_missing(reading)
    return Quote(currency, reading.prices, tuple(reading.remarks))


def _find_table(reading: _Reading, sheets: Sequence[Sheet]) -> _Table:
    """Return the one sheet that has the titles of a parts list."""
    found = [table for sheet in sheets for table in _table(sheet)]
    if len(found) == 1:
        return found[0]
    allowed = f"one sheet with the columns {ITEM_TITLE!r} and {priced_title(STORE_PRICE_TITLE, reading.currency)!r}"
    if not found:
        names = ", ".join(sheet.title for sheet in sheets)
        found_words = f"no such columns on the sheets {names}" if names else "a workbook without a sheet of cells"
        allowed += "; where nothing is bought there is none to fill in" if names else ""
        raise InputError([Fault(reading.file, found_words, allowed)])
    names = " and ".join(table.sheet.title for table in found)
    raise InputError([Fault(reading.file, f"a parts list on {names}", allowed)])


def _table(sheet: Sheet) -> Iterator[_Table]:
    rows: dict[int, list[tuple[int, str]]] = {}
    for (row, column), value in sorted(sheet.values.items(), key=lambda entry: entry[0]):
        if row <= _HEAD_ROWS:
            rows.setdefault(row, []).append((column, str(value).strip()))
    for row, cells in rows.items():
        columns: dict[str, int] = {}
        currency: str | None = None
        for column, text in cells:
            match = _TITLE.fullmatch(" ".join(text.split()))
            if match is not None:
                columns[STORE_PRICE_TITLE], currency = column, match["currency"]
            elif text in (ITEM_TITLE, QUANTITY_TITLE, STORE_PART_TITLE):
                columns.setdefault(text, column)
        if ITEM_TITLE in columns and STORE_PRICE_TITLE in columns:
            yield _Table(sheet, row, columns, currency)
            return


def _check_currency(reading: _Reading, table: _Table) -> None:
    named = (table.currency or "").strip()
    if named == reading.currency:
        return
    found = f"prices in {named!r}" if named else "prices whose currency the title does not say"
    place = table.place(reading.file, table.head, STORE_PRICE_TITLE)
    reading.faults.append(
        Fault(place, found, f"{priced_title(STORE_PRICE_TITLE, reading.currency)}: nothing converts money")
    )


def _read_row(reading: _Reading, table: _Table, row: int) -> None:
    item = _text(table.value(row, ITEM_TITLE))
    value = table.value(row, STORE_PRICE_TITLE)
    formula = table.sheet.formulas.get((row, table.columns[STORE_PRICE_TITLE]))
    place = table.place(reading.file, row, STORE_PRICE_TITLE)
    if not item:
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            reading.remarks.append(f"{place}: {value:g} in a row without an item number is not counted")
        return
    if item not in reading.asked and item not in reading.known_cents:
        if value is not None or formula is not None:
            _unknown(reading, table, row, item)
        return
    if item in reading.seen:
        allowed = f"one price of {item}; the other one is in {reading.seen[item].rpartition('!')[2]}"
        reading.faults.append(Fault(place, "a second row of the same item", allowed))
        return
    reading.seen[item] = place
    _check_quantity(reading, table, row, item)
    cents = _cents(reading, table, row, item, place)
    if cents is not None:
        part = visible(_text(table.value(row, STORE_PART_TITLE)))[:LONGEST_CELL]
        reading.prices[item] = QuotedPrice(cents, place, part)


def _unknown(reading: _Reading, table: _Table, row: int, item: str) -> None:
    near = get_close_matches(item, [*reading.asked, *reading.known_cents], n=1)
    place = table.place(reading.file, row, ITEM_TITLE)
    allowed = "an item number of the parts list, or an empty cell in a row of the store's own"
    reading.faults.append(Fault(place, f"the unknown item number {item!r}", allowed, near[0] if near else None))


def _check_quantity(reading: _Reading, table: _Table, row: int, item: str) -> None:
    if QUANTITY_TITLE not in table.columns or item not in reading.asked:
        return
    value = table.value(row, QUANTITY_TITLE)
    wanted = reading.asked[item].quantity
    if value != wanted:
        place = table.place(reading.file, row, QUANTITY_TITLE)
        reading.remarks.append(f"{place}: quantity {_text(value) or 'left out'} of {item}; the plan takes {wanted}")


def _cents(reading: _Reading, table: _Table, row: int, item: str, place: str) -> int | None:
    """Return a price in whole cents, or None with a fault or a remark."""
    formula = table.sheet.formulas.get((row, table.columns[STORE_PRICE_TITLE]))
    value = table.value(row, STORE_PRICE_TITLE)
    if value is None and formula is not None:
        allowed = "a number; open the file in a spreadsheet program and save it, so that the result is stored"
        reading.faults.append(Fault(place, f"the formula {formula} without a stored result", allowed))
        return None
    if isinstance(value, str) and value.strip().lower() in _NO_PRICE:
        reading.words[item] = value.strip()
        return None
    if value is None or (isinstance(value, str) and not value.strip()):
        return None
    other = _currency_in(value, reading.currency)
    if not other and (isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value)):
        reading.faults.append(Fault(place, f"{_shown(value)}", _PRICE, _number_in(value)))
        return None
    if not other and not 0.005 <= value <= MOST_MONEY:  # less than half a cent is none
        reading.faults.append(Fault(place, f"the price {value:g}", f"a price from 0.01 to {MOST_MONEY:,.0f}"))
        return None
    number_format = table.sheet.formats[row, table.columns[STORE_PRICE_TITLE]]
    other = other or _other_currency(number_format, reading.currency)
    if other:
        reading.faults.append(
            Fault(place, f"a price shown in {other}", f"prices in {reading.currency}: nothing converts money")
        )
        return None
    return _rounded(reading, item, place, value)


def _rounded(reading: _Reading, item: str, place: str, value: float) -> int:
    exact = Decimal(repr(value)) * 100
    cents = int(exact.quantize(Decimal(1), rounding=ROUND_HALF_UP))
    if abs(exact - cents) > Decimal("0.001"):
        reading.remarks.append(f"{place}: {value:g} is taken as {cents / 100:.2f}")
    listed = reading.asked[item].list_cents if item in reading.asked else reading.known_cents[item]
    if listed and (cents > ODD_FACTOR * listed or cents * ODD_FACTOR < listed):
        way = f"more than {ODD_FACTOR} times" if cents > listed else f"under one part in {ODD_FACTOR} of"
        reading.remarks.append(
            f"{place}: {cents / 100:.2f} for {item} is {way} the list price, {listed / 100:.2f}; it counts as it stands"
        )
    return cents


def _other_currency(number_format: str, currency: str) -> str:
    """Return the currency that a cell is shown in, where that is another one; empty otherwise."""
    words = re.sub(r"\[\$([^\]-]*)(?:-[^\]]*)?\]", r"\1", number_format).replace('"', " ").replace("\\", " ")
    signs = {code for sign, code in _SIGNS.items() if sign in words}
    codes = {code for code in _CODE.findall(words) if code not in _NOT_MONEY}
    return ", ".join(sorted((signs | codes) - {currency}))


def _currency_in(value: object, currency: str) -> str:
    """Return the other currency that a price written as text names; empty where it names none that is known."""
    if not isinstance(value, str) or not any(sign.isdigit() for sign in value):
        return ""
    return ", ".join(code for code in _other_currency(value, currency).split(", ") if code in _SIGNS.values())


def _note_missing(reading: _Reading) -> None:
    for item, line in reading.asked.items():
        if item in reading.prices or line.spare:
            continue
        listed = f"the list price counts, {line.list_cents / 100:.2f}"
        if item in reading.seen:
            said = f", {reading.words[item]!r}" if item in reading.words else ""
            reading.remarks.append(f"{reading.seen[item]}: no price for {item}{said}; {listed}")
        else:
            reading.remarks.append(f"{reading.file}: no row for {item}; {listed}")


def _number_in(value: object) -> str | None:
    """Return the number that a text may stand for, as a suggestion; None where that cannot be told."""
    if not isinstance(value, str):
        return None
    plain = normalize("NFKC", value[:_LONGEST_SHOWN]).strip()  # digits of full width are digits
    match = re.fullmatch(r"[^\d-]{0,4}?\s*([0-9]{1,9})(?:[.,]([0-9]{1,2}))?\s*[^\d]{0,4}", plain)
    return f"{match[1]}.{match[2]}" if match and match[2] else match[1] if match else None


def _shown(value: object) -> str:
    if isinstance(value, date):
        return f"the date {value:%Y-%m-%d}"
    if isinstance(value, (time, timedelta)):
        return f"the time {str(value).zfill(len('00:00:00'))}"  # either kind, as the version of openpyxl has it
    if isinstance(value, str) and len(value) > _LONGEST_SHOWN:
        return f"a text of {len(value):,} characters that begins with {value[:_LONGEST_SHOWN]!r}"
    return f"the text {value!r}" if isinstance(value, str) else f"{value!r}"


def _text(value: object) -> str:
    return "" if value is None else str(value).strip()
