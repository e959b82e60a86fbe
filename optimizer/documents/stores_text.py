"""Where to buy each line of a plan: one store, the other, or both, as tables for a terminal and as plain data."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from optimizer.documents.money_notes import money_notes
from optimizer.documents.tables import Block, Heading, Lines, table
from optimizer.model.bill import Bill
from optimizer.model.seller import Seller
from optimizer.model.system import System
from optimizer.search.two_stores import Order, Shopping
from optimizer.takeoff.store_lists import StoreLine
from optimizer.wording.amounts import money
from optimizer.wording.notes import notes_json, notes_words

Json = dict[str, Any]
_DASH = "–"


def shopping_blocks(found: Shopping, system: System) -> list[Block]:
    """Return what the plan costs from each store alone and from both, and where to buy each line of the best."""
    title = Heading(f"Two stores: {system.name}")
    if found.best is None:
        return [title, "No plan can be bought at these two stores.", *notes_words(found.reasons, system.units)]
    told = money_notes(system.money, found.best.parts_cents)
    notes = tuple(f"Note: {text}." for text in notes_words(told, system.units))
    return [
        title,
        verdict(found, system.currency),
        _totals(found, system.currency),
        Heading("What to buy where"),
        _list(found.best, found.sellers, system.currency),
        _proof(found, system.currency),
        *([Lines(notes)] if notes else []),
    ]


def verdict(found: Shopping, currency: str) -> str:
    """Return in a sentence where to buy, and what that saves against the better store alone."""
    assert found.best is not None
    used = sorted(set(found.best.stores))
    alone = [order for order in found.alone if order is not None]
    if not used:
        return "Nothing has to be bought: new settings alone reach the targets."
    if len(used) == 1:
        return f"Buy everything at {found.sellers[used[0]].name}: {money(found.best.parts_cents, currency)}."
    words = f"Buy at both stores: {money(found.best.parts_cents, currency)} together."
    if not alone:
        return f"{words} Neither store has all of it."
    saved = min(order.cents for order in alone) - found.best.cents
    return f"{words} That saves {money(saved, currency)} against the cheaper store alone."


def _totals(found: Shopping, currency: str) -> Block:
    assert found.best is not None
    rows = [_row(found, f"all from {own.name}", found.alone[k], currency) for k, own in enumerate(found.sellers)]
    if len(set(found.best.stores)) > 1:
        rows.append(_row(found, "from both", found.best, currency))
    names = [own.name for own in found.sellers]
    return table(("order", *(f"lines at {name}" for name in names), "charged in all"), rows, right=(1, 2, 3))


def _row(found: Shopping, words: str, order: Order | None, currency: str) -> tuple[str, ...]:
    if order is None:
        return (words, *(_DASH for _ in found.sellers), "no plan from it alone")
    at = (
        f"{money(order.at(k), currency)}{_beside(own, order.at(k), currency)}" if k in order.stores else _DASH
        for k, own in enumerate(found.sellers)
    )
    return (words, *at, money(order.parts_cents, currency))


def seller_words(found: Shopping, own: Seller, bill: Bill, currency: str) -> str:
    """Return where an order goes and what it is charged beside its lines: `Order at corner: 5 of 9 lines.`"""
    assert found.best is not None
    place = found.sellers.index(own)
    lines = sum(store == place for store in found.best.stores)
    beside = _beside(own, bill.total_cents, currency)
    told = f"Order at {own.name}: {lines} of {len(found.best.stores)} lines."
    return f"{told} Charged besides{beside.replace(' + ', ': ', 1)}." if beside else told


def _beside(own: Seller, cents: int, currency: str) -> str:
    more = []
    if cents < own.minimum_order_cents:
        more.append(f"{money(own.minimum_order_cents - cents, currency)} to the minimum order")
    if own.delivery_cents:
        more.append(f"{money(own.delivery_cents, currency)} delivery")
    return f" + {' + '.join(more)}" if more else ""


def _list(order: Order, sellers: tuple[Seller, ...], currency: str) -> Block:
    rows = [
        (line.words, _amount(line, store), *_prices(line, currency), sellers[store].name)
        for line, store in sorted(zip(order.lines, order.stores, strict=True), key=lambda each: each[1])
    ]
    return table(("what", "how much", *(own.name for own in sellers), "buy at"), rows, right=range(2, 2 + len(sellers)))


def _amount(line: StoreLine, store: int) -> str:
    offer = line.offers[store]
    return "" if offer is None else offer.amount


def _prices(line: StoreLine, currency: str) -> Iterator[str]:
    return (_DASH if offer is None else money(offer.cents, currency) for offer in line.offers)


def _proof(found: Shopping, currency: str) -> str:
    if not found.gap_cents:
        return "Proven cheapest of all plans and all ways to buy them at these two stores, each line at one of them."
    return (
        "Of this plan's list no other split is cheaper. That no other plan at these stores is, is not proven: "
        f"it could save at most {money(found.gap_cents, currency)}."
    )


def shopping_json(found: Shopping, system: System) -> Json:
    """Return the same as plain data; money in whole cents."""
    best = found.best
    return {
        "system": system.name,
        "currency": system.currency,
        "stores": [
            {"name": own.name, "minimum_order_cents": own.minimum_order_cents, "delivery_cents": own.delivery_cents}
            for own in found.sellers
        ],
        "alone_cents": [None if order is None else order.parts_cents for order in found.alone],
        "best_cents": None if best is None else best.parts_cents,
        "counted_cents": None if best is None else best.cents,
        "bound_cents": found.bound_cents,
        "lines": []
        if best is None
        else [_line_json(line, at) for line, at in zip(best.lines, best.stores, strict=True)],
        "reasons": notes_json(found.reasons, system.units),
    }


def _line_json(line: StoreLine, store: int) -> Json:
    return {"what": line.words, "store": store, "amount": _amount(line, store), "cents": list(line.cents)}
