"""The `rules` of a system file → what a plan may do."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, NamedTuple

from optimizer import units
from optimizer.errors import QuantityError
from optimizer.model.catalog import Catalog
from optimizer.model.checks import AS_IT_IS, Check
from optimizer.model.rules import RULES, Rules, Written
from optimizer.ranges import money, noting
from optimizer.read.nodes import (
    Entry,
    Node,
    Reading,
    attempt,
    choice,
    entries,
    items_of,
    nearest,
    text_of,
    yes_or_no,
)
from optimizer.read.stores import PIPE_WORDS, read_store
from optimizer.read.words import in_size_order, parse_size

_ALSO = {"labour": "labor"}
_SELLERS = {"own lists": True, "every catalog": False}


class _Beside(NamedTuple):
    """What a rule is read beside: the catalog, the owner's currency, the system of units."""

    catalog: Catalog
    currency: str
    unit_system: str


def read_rules(reading: Reading, entry: Entry | None, catalog: Catalog, currency: str, unit_system: str) -> Rules:
    """Return the rules; what is left out, or cannot be read, keeps its default."""
    if entry is None:
        return Rules()
    found = entries(reading, entry.value, "rules", list(RULES), _ALSO)
    told: dict[str, Any] = {}
    beside = _Beside(catalog, currency, unit_system)
    for key, each in found.items():
        value = _READERS[RULES[key].written](reading, each, beside)
        if value is not None and RULES[key].attribute:
            told[RULES[key].attribute] = value
    return Rules(**told)


def _speed(reading: Reading, entry: Entry, unit_system: str) -> float | None:
    return (
        attempt(reading, entry.value, "a speed, such as 5 ft/s", lambda text: units.parse_speed(text, unit_system))
        or None
    )


def _time(reading: Reading, entry: Entry) -> float | None:
    return attempt(reading, entry.value, "a time, such as 3 years", units.parse_duration) or None


def _share(reading: Reading, entry: Entry) -> float | None:
    """Return a share below all: `100 %` of cases, or as much margin, is no plan's to promise."""
    share = attempt(reading, entry.value, "a share, such as 10 %", units.parse_fraction)
    if share is not None and share >= 1.0:
        reading.fault(entry.value.place, "100 %", "a share from 0 % to below 100 %", "95 %")
        return None
    return share


def _most_cuts(reading: Reading, entry: Entry | None) -> int | None:
    """Return how many cuts into standing pipe are allowed; None where the owner does not say."""
    if entry is None:
        return None
    text = text_of(reading, entry.value, "a number, such as: at most 2")
    if text is None:
        return None
    match = re.fullmatch(r"(?:at most )?(\d{1,4})|(none)", " ".join(text.split()))
    if match is None:
        reading.fault(entry.value.place, f"'{text}' saw cuts", "a whole number of cuts, such as at most 2; or none")
        return None
    return 0 if match[2] else int(match[1])


def _money(reading: Reading, entry: Entry | None, currency: str, what: str) -> int | None:
    """Return an amount of money [cents], in the owner's currency; None where it is not said."""
    if entry is None:
        return None
    example = f"60 {currency}"
    text = text_of(reading, entry.value, f"an amount, such as {example}")
    if text is None:
        return None
    match = re.fullmatch(rf"(\d+(?:\.\d\d?)?) *{currency}", text.strip())
    if match is None:
        reading.fault(entry.value.place, f"{what} '{text}'", *_amounts(text, currency, currency, example))
        return None
    return round(100 * _amount(reading, entry.value, match[1], currency))


def _amounts(text: str, what: str, unit: str, example: str) -> tuple[str, str | None]:
    """Return what is allowed in place of an amount, and what a bare number is meant to be."""
    number = text.strip()
    meant = f"'{number} {unit}'" if re.fullmatch(r"\d+(\.\d+)?", number) else None
    return f"an amount in {what}, such as {example}", meant


def _rate(reading: Reading, entry: Entry | None, per: str, currency: str) -> float:
    """Return a price per hour or kWh [cents], in the owner's currency: nothing converts money."""
    if entry is None:
        return 0.0
    example = f"{'0.25' if per == 'kWh' else '30'} {currency}/{per}"
    text = text_of(reading, entry.value, f"a price, such as {example}")
    if text is None:
        return 0.0
    match = re.fullmatch(rf"(\d+(?:\.\d+)?) *{currency} */ *{per}", text.strip())
    if match is None:
        unit = f"{currency}/{per}"
        reading.fault(entry.value.place, f"the price '{text}'", *_amounts(text, f"{currency} per {per}", unit, example))
        return 0.0
    return 100 * _amount(reading, entry.value, match[1], currency)


def _amount(reading: Reading, node: Node, number: str, currency: str) -> float:
    """Return an amount of money that there may be; note one that there may not, or that is odd."""
    try:
        with noting() as notes:
            amount = money(float(number), number, currency)
    except QuantityError as error:
        reading.refuse(node.place, error)
        return 0.0
    reading.remark(node.place, notes)
    return amount


def _sizes(reading: Reading, node: Node, catalog: Catalog) -> tuple[str, ...]:
    """Return the nominal sizes that a plan may use, small to large."""
    known = in_size_order(size for sizes in catalog.pipe_ends.values() for size in sizes)
    found = []
    for item in items_of(node):
        size = attempt(reading, item, "a nominal size, such as 1-1/4 in", parse_size)
        if size is not None and size not in known:
            reading.fault(item.place, f"the size '{size}', which no pipe has", ", ".join(known), nearest(size, known))
        elif size is not None:
            found.append(size)
    return tuple(in_size_order(found))


_AS_IT_IS = "as it is today"


def _checks(reading: Reading, node: Node) -> tuple[Check, ...]:
    """Return the checks of safety that may fail as they do today: all of them, or those of a list."""
    words = {check.value: (check,) for check in AS_IT_IS}
    if node.items is None:
        return choice(reading, node, {_AS_IT_IS: AS_IT_IS, **words}) or ()
    found = [choice(reading, item, words) or () for item in node.items]
    return tuple(dict.fromkeys(check for each in found for check in each))


_Reader = Callable[[Reading, Entry, _Beside], Any]
# How each kind of value is read; None where it can not be, which is a fault by then.
_READERS: dict[Written, _Reader] = {
    Written.SIZES: lambda reading, entry, beside: _sizes(reading, entry.value, beside.catalog),
    Written.YES_NO: lambda reading, entry, beside: yes_or_no(reading, entry.value),
    Written.SPEED: lambda reading, entry, beside: _speed(reading, entry, beside.unit_system),
    Written.CUTS: lambda reading, entry, beside: _most_cuts(reading, entry),
    Written.MONEY: lambda reading, entry, beside: _money(reading, entry, beside.currency, "the budget"),
    Written.PRICE: lambda reading, entry, beside: _money(reading, entry, beside.currency, "the price"),
    Written.MONEY_AN_HOUR: lambda reading, entry, beside: round(_rate(reading, entry, "h", beside.currency)),
    Written.MONEY_A_KWH: lambda reading, entry, beside: _rate(reading, entry, "kWh", beside.currency),
    Written.TIME: lambda reading, entry, beside: _time(reading, entry),
    Written.PIPE_SALE: lambda reading, entry, beside: choice(reading, entry.value, PIPE_WORDS),
    Written.SELLERS: lambda reading, entry, beside: choice(reading, entry.value, _SELLERS),
    Written.CHECKS: lambda reading, entry, beside: _checks(reading, entry.value),
    Written.STORE: lambda reading, entry, beside: read_store(reading, entry),
    Written.SHARE: lambda reading, entry, beside: _share(reading, entry),
    Written.SECOND_PUMP: lambda reading, entry, beside: None,  # `read/second_pump.py` does, over the network
}
