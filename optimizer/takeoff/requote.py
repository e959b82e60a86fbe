"""A store's prices laid over a parts list and over the catalogs, so that the plan can be priced and sought anew."""

from __future__ import annotations

from dataclasses import dataclass, replace

from optimizer.model.bill import Bill, BillLine
from optimizer.model.catalog import Catalog
from optimizer.model.outcome import PlanReport
from optimizer.model.quote import Quote
from optimizer.model.system import System, another_id
from optimizer.takeoff.take_off import TakeOff


@dataclass(frozen=True, slots=True)
class Requoted:
    """A plan's bill at a store's prices, and the cheapest plan at those prices with its take-off."""

    bill: Bill
    other: PlanReport
    taken: TakeOff


def at_quote(bill: Bill, quote: Quote) -> Bill:
    """Return the same parts at the store's prices; what it did not price keeps its list price."""
    lines, spares = (tuple(_quoted(line, quote) for line in of) for of in (bill.lines, bill.spares))
    return replace(bill, lines=lines, spares=spares)


def _quoted(line: BillLine, quote: Quote) -> BillLine:
    price = quote.prices.get(line.item_id)
    return line if price is None else replace(line, unit_price_cents=price.cents)


def quoted_sticks(quote: Quote) -> dict[str, int]:
    """Return what the store asks for sticks of pipe [whole cents], by their item number."""
    return {item: price.cents for item, price in quote.prices.items() if "@" in item}


def quoted_catalog(catalog: Catalog, quote: Quote) -> Catalog:
    """Return the catalogs with the store's prices. A pipe's price goes by the longest stick that the store priced."""
    items = dict(catalog.items)
    for item_id, price in quote.prices.items():
        if item_id in items:
            items[item_id] = replace(items[item_id], price_cents=price.cents)
    for item_id, cents in _pipe_cents(catalog, quote).items():
        items[item_id] = replace(items[item_id], price_cents=cents)
    return replace(catalog, items=items, quoted_lengths=quoted_sticks(quote))


def quoted_system(listed: PlanReport, quote: Quote) -> System:
    """Return the system as its file has it, with what the store asks for another pump like the owner's."""
    system = listed.as_written or listed.system
    second = system.second_pump
    price = quote.prices.get(another_id(second.pump)) if second is not None else None
    if second is None or price is None:
        return system
    return replace(system, second_pump=replace(second, another_cents=price.cents))


def _pipe_cents(catalog: Catalog, quote: Quote) -> dict[str, int]:
    """Return the price of a pipe's sale length [whole cents], where the store has priced a stick of it."""
    longest: dict[str, tuple[float, int]] = {}
    for number, price in quote.prices.items():
        item_id, at, words = number.rpartition("@")
        if not at or item_id not in catalog.items:
            continue
        length_m = float(words.removesuffix("mm")) / 1000
        longest[item_id] = max(longest.get(item_id, (0.0, 0)), (length_m, price.cents))
    return {
        item_id: round(cents * catalog.items[item_id].sale_length_m / length_m)
        for item_id, (length_m, cents) in longest.items()
    }
