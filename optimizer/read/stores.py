"""How pipe is bought, and what pipe lies there already, as a system file says it."""

from __future__ import annotations

from optimizer import units
from optimizer.errors import QuantityError
from optimizer.model.catalog import Catalog
from optimizer.read.nodes import Entry, Reading, attempt, entries, items_of, nearest, text_of
from optimizer.read.stock_lengths import load_stick_rules
from optimizer.read.words import parse_run_size

_ALSO_STORES = {"home store": "home center"}
PIPE_WORDS = {"in sticks": True, "by the foot": False, "by the metre": False, "by length": False}


def read_store(reading: Reading, entry: Entry | None) -> str:
    """Return the store whose stick lengths count, one of the table of stick lengths; empty when none is named."""
    text = text_of(reading, entry.value, "the name of a store") if entry is not None else None
    if entry is None or text is None:
        return ""
    known = list(dict.fromkeys(rule.store for rule in load_stick_rules()))
    if _ALSO_STORES.get(text, text) in known:
        return _ALSO_STORES.get(text, text)
    reading.fault(entry.value.place, f"the store '{text}'", ", ".join(known), nearest(text, known))
    return ""


def read_owned(reading: Reading, entry: Entry | None, catalog: Catalog) -> dict[str, tuple[float, ...]]:
    """Return the pipe that the owner has [m], by catalog id: `1 in sch 40 PVC: [4 ft, 30 in]`."""
    if entry is None:
        return {}
    owned: dict[str, tuple[float, ...]] = {}
    for size, each in entries(reading, entry.value, "owned").items():
        named = _pipe(reading, each, size, catalog)
        lengths = [
            attempt(reading, item, "a length with its unit, such as 4 ft or 30 in", _length_m)
            for item in items_of(each.value)
        ]
        if named is not None:
            owned[named] = tuple(length_m for length_m in lengths if length_m is not None)
    return owned


def _pipe(reading: Reading, entry: Entry, size: str, catalog: Catalog) -> str | None:
    try:
        nominal, family = parse_run_size(size, catalog)
    except QuantityError as error:
        reading.fault(entry.place, error.found, error.allowed, error.suggestion)
        return None
    return catalog.pipe(family, nominal).item_id


def _length_m(text: str) -> float:
    length_m = units.parse_length(text, None)
    if not length_m > 0:
        raise QuantityError(f"'{text}'", "a length above 0")
    return length_m
