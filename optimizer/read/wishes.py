"""The `rules` of a system file → what a plan may do."""

from __future__ import annotations

import re

from optimizer import units
from optimizer.errors import QuantityError
from optimizer.model.catalog import Catalog
from optimizer.model.system import Rules
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
from optimizer.read.words import in_size_order, parse_size, pipe_sizes

_KEYS = (
    *("sizes", "other sizes", "velocity limit", "brass allowed", "keep unions"),
    *(
        "labour",
        "electricity",
        "count for",
        "other pumps",
        "second pump",
        "buy pipe",
        "store",
        "saw cuts",
        "budget",
        "buy only from",
    ),
)
_SELLERS = {"own lists": True, "every catalog": False}


def read_rules(reading: Reading, entry: Entry | None, catalog: Catalog, unit_system: str) -> Rules:
    """Return the rules; what is left out keeps its default."""
    usual = Rules()
    if entry is None:
        return usual
    found = entries(reading, entry.value, "rules", list(_KEYS))
    sizes = _sizes(reading, found["sizes"].value, catalog) if "sizes" in found else usual.sizes
    velocity = usual.velocity_limit_m_s
    if "velocity limit" in found:
        parsed = attempt(
            reading,
            found["velocity limit"].value,
            "a speed, such as 5 ft/s",
            lambda text: units.parse_speed(text, unit_system),
        )
        velocity = parsed or velocity
    brass = yes_or_no(reading, found["brass allowed"].value) if "brass allowed" in found else None
    unions = yes_or_no(reading, found["keep unions"].value) if "keep unions" in found else None
    pumps = yes_or_no(reading, found["other pumps"].value) if "other pumps" in found else None
    resize = yes_or_no(reading, found["other sizes"].value) if "other sizes" in found else None
    sticks = choice(reading, found["buy pipe"].value, PIPE_WORDS) if "buy pipe" in found else None
    own_lists = choice(reading, found["buy only from"].value, _SELLERS) if "buy only from" in found else None
    horizon = None
    if "count for" in found:
        horizon = attempt(reading, found["count for"].value, "a time, such as 3 years", units.parse_duration)
    return Rules(
        sizes,
        velocity,
        usual.allow_unsafe_metals if brass is None else brass,
        usual.keep_services if unions is None else unions,
        usual.resize if resize is None else resize,
        labour_cents_per_hour=round(_rate(reading, found.get("labour"), "h", catalog)),
        electricity_cents_per_kwh=_rate(reading, found.get("electricity"), "kWh", catalog),
        horizon_h=horizon or usual.horizon_h,
        other_pumps=usual.other_pumps if pumps is None else pumps,
        pipe_in_sticks=usual.pipe_in_sticks if sticks is None else sticks,
        own_lists_only=usual.own_lists_only if own_lists is None else own_lists,
        store=read_store(reading, found.get("store")),
        most_cuts=_most_cuts(reading, found.get("saw cuts")),
        budget_cents=_budget(reading, found.get("budget"), catalog),
    )


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


def _budget(reading: Reading, entry: Entry | None, catalog: Catalog) -> int | None:
    """Return what the parts list may come to [cents], in the currency of the catalogs; None where it is not said."""
    if entry is None:
        return None
    example = f"60 {catalog.currency}"
    text = text_of(reading, entry.value, f"an amount, such as {example}")
    if text is None:
        return None
    match = re.fullmatch(rf"(\d+(?:\.\d\d?)?) *{catalog.currency}", text.strip())
    if match is None:
        reading.fault(entry.value.place, f"the budget '{text}'", f"an amount in {catalog.currency}", example)
        return None
    return round(100 * _amount(reading, entry.value, match[1], catalog.currency))


def _rate(reading: Reading, entry: Entry | None, per: str, catalog: Catalog) -> float:
    """Return a price per hour or kWh [cents], in the currency of the catalogs: nothing converts money."""
    if entry is None:
        return 0.0
    example = f"{'0.25' if per == 'kWh' else '30'} {catalog.currency}/{per}"
    text = text_of(reading, entry.value, f"a price, such as {example}")
    if text is None:
        return 0.0
    match = re.fullmatch(rf"(\d+(?:\.\d+)?) *{catalog.currency} */ *{per}", text.strip())
    if match is None:
        reading.fault(entry.value.place, f"the price '{text}'", f"an amount in {catalog.currency} per {per}", example)
        return 0.0
    return 100 * _amount(reading, entry.value, match[1], catalog.currency)


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
    known = in_size_order(size for sizes in pipe_sizes(catalog).values() for size in sizes)
    found = []
    for item in items_of(node):
        size = attempt(reading, item, "a nominal size, such as 1-1/4 in", parse_size)
        if size is not None and size not in known:
            reading.fault(item.place, f"the size '{size}', which no pipe has", ", ".join(known), nearest(size, known))
        elif size is not None:
            found.append(size)
    return tuple(in_size_order(found))
