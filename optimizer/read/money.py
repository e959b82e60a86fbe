"""The keys `currency`, `prices`, `tax` and `mark-up` of a system file → how the prices of the catalogs count.

Known before anything else of the file: the catalogs that its parts are looked up in are told in the owner's currency.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from optimizer.errors import InputError, QuantityError
from optimizer.model.money import Money, Rate
from optimizer.read.nodes import Entry, Reading, attempt, entries, file_text, read_tree
from optimizer.units import parse_fraction

MOST_RATE = 1e6  # of any two currencies
MOST_MARK_UP = 5.0  # of a price
_KEYS_OF_MONEY = ("currency", "prices", "tax", "mark-up")
_KEYS = re.compile(r"\b(?:prices|tax|mark-up)\b")
_RATE = re.compile(r"(?P<rate>\d+(?:\.\d+)?) *(?P<currency>[A-Z]{3})(?: +on +(?P<day>\d{4}-\d\d-\d\d))?")
_TAX = re.compile(r"(?P<share>\d+(?:\.\d+)?) *%,? *(?P<how>included|added)")


def parse_currency(text: str) -> str:
    """Return a currency by its three letters."""
    if not re.fullmatch(r"[A-Z]{3}", text):
        raise QuantityError(f"'{text}'", "a currency by its three letters (ISO 4217), such as USD or EUR")
    return text


def read_money(reading: Reading, found: Mapping[str, Entry]) -> Money:
    """Return how prices count; what can not be read is noted, and counts as not written."""
    currency = "USD"
    if "currency" in found:
        currency = attempt(reading, found["currency"].value, "a currency", parse_currency) or "USD"
    rates = _rates(reading, found["prices"], currency) if "prices" in found else {}
    example = "a share of the price, such as 15 %"
    mark_up = attempt(reading, found["mark-up"].value, example, _parse_mark_up) or 0.0 if "mark-up" in found else 0.0
    if "tax" not in found:
        return Money(currency, rates, mark_up=mark_up)
    tax, included = attempt(reading, found["tax"].value, "a tax, such as 19 %, included", _parse_tax) or (0.0, True)
    return Money(currency, rates, tax, included, mark_up)


def _rates(reading: Reading, entry: Entry, currency: str) -> dict[str, Rate]:
    rates: dict[str, Rate] = {}
    for code, one in entries(reading, entry.value, "rates").items():
        example = f"a rate, such as 0.92 {currency} on 2026-11-01"
        rate = attempt(reading, one.value, example, lambda text: _parse_rate(text, currency))
        if not re.fullmatch(r"[A-Z]{3}", code) or code == currency:
            reading.fault(one.value.place, f"a rate for '{code}'", f"another currency than {currency}, such as USD")
        elif rate is not None:
            rates[code] = rate
    return rates


def _parse_rate(text: str, currency: str) -> Rate:
    match = _RATE.fullmatch(text.strip())
    if match is None or match["currency"] != currency or not 0 < float(match["rate"]) <= MOST_RATE:
        allowed = f"what one of it costs in {currency}, with the day if you like"
        raise QuantityError(f"the rate '{text}'", allowed, f"0.92 {currency} on 2026-11-01")
    return Rate(float(match["rate"]), match["day"] or "")


def _parse_tax(text: str) -> tuple[float, bool]:
    match = _TAX.fullmatch(text.strip())
    if match is None or not float(match["share"]) < 100:
        raise QuantityError(f"the tax '{text}'", "a share below 100 % and whether the prices have it", "19 %, included")
    return float(match["share"]) / 100, match["how"] == "included"


def _parse_mark_up(text: str) -> float:
    share = parse_fraction(text)
    if share > MOST_MARK_UP:
        raise QuantityError(f"the mark-up '{text}'", f"a share from 0 % to {100 * MOST_MARK_UP:g} %", "15 %")
    return share


def money_of(path: Path, content: bytes | None = None) -> Money | None:
    """Return what a system file says of rates and tax; None where it says nothing, or can not be read yet.

    What is wrong with it is told when the file is read as a whole. `content` counts in place of what the file holds.
    """
    try:
        if not _KEYS.search(file_text(path, content)):
            return None
        reading, root = read_tree(path, content)
    except InputError:
        return None
    if root.pairs is None:
        return None
    found = {entry.key: entry for entry in entries(reading, root, "a system file").values()}
    told = {key: entry for key, entry in found.items() if key in _KEYS_OF_MONEY}
    money = read_money(reading, told)
    return None if len(reading) or not set(told) - {"currency"} else money
