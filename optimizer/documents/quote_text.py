"""What a plan costs at a store's prices, for a terminal and as plain data."""

from __future__ import annotations

from typing import Any

from optimizer.documents.status_words import status_words
from optimizer.documents.tables import Block, Heading, Lines, table
from optimizer.model.bill import Bill
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import Plan, Status
from optimizer.model.quote import Quote
from optimizer.wording.amounts import money

Json = dict[str, Any]


def quote_blocks(listed: Bill, quoted: Bill, quote: Quote, other: PlanReport) -> list[Block]:
    """Return what a plan costs now, and whether another one is cheaper.

    Parameters
    ----------
    listed, quoted
        The plan's parts at list prices and at the store's.
    quote
        The store's prices, with what is missing or odd.
    other
        The cheapest plan at the store's prices.
    """
    currency = quoted.currency
    priced = sum(line.item_id in quote.prices for line in quoted.lines)
    blocks: list[Block] = [
        Heading(f"At the store's prices: {other.system.name}"),
        f"The plan costs {money(quoted.total_cents, currency)} now; at list prices it was "
        f"{money(listed.total_cents, currency)}. {priced} of {len(quoted.lines)} lines are priced by the store.",
        *([f"Spares: {money(quoted.spares_cents, currency)}."] if quoted.spares else []),
        _parts(quoted, quote),
        _same_parts(other.plan) if _needs(quoted) == _needs(other.bill) else verdict(quoted, other.bill, quote),
    ]
    if saved_cents(quoted, other.bill) > 0:
        blocks.append(_parts(other.bill, quote))
    return blocks + ([Lines(tuple(f"Note: {remark}" for remark in quote.remarks))] if quote.remarks else [])


def saved_cents(quoted: Bill, other: Bill) -> int:
    """Return how much less the other plan's parts are at the till; 0 or below: not less."""
    return quoted.total_cents - other.total_cents


def guessed(bill: Bill, quote: Quote) -> int:
    """Return how many lines of a bill have a list price that the store did not name."""
    return sum(not quote.names(line) for line in bill.lines)


def _same_parts(plan: Plan) -> str:
    if plan.status is Status.OPTIMAL and not plan.left_out:
        return "No other plan is cheaper: the search finds the same parts."
    return f"No cheaper plan was found: the search finds the same parts. {status_words(plan)}"


def verdict(quoted: Bill, other: Bill, quote: Quote) -> str:
    """Return in a sentence whether another plan is cheaper at the store, and which of that is a guess."""
    saved = saved_cents(quoted, other)
    guesses = guessed(quoted, quote), guessed(other, quote)
    if saved > 0 and any(guesses):
        return (
            f"Another plan may be cheaper: {money(other.total_cents, other.currency)}, "
            f"which saves {money(saved, other.currency)} if the list prices marked * are what the store asks "
            f"({guesses[0]} in your plan, {guesses[1]} in the other). Ask for those before you change. Its parts:"
        )
    if saved > 0:
        return (
            f"Another plan is cheaper now: {money(other.total_cents, other.currency)}, "
            f"which saves {money(saved, other.currency)}. Its parts:"
        )
    return (
        f"Another plan comes close, but at the store it is {money(other.total_cents, other.currency)}: "
        "stay with this one."
    )


def _needs(bill: Bill) -> dict[str, int]:
    return {line.item_id: line.quantity for line in bill.lines}


_GUESS = "* list price"


def _parts(bill: Bill, quote: Quote) -> Block:
    rows = [
        (
            str(line.quantity),
            line.unit,
            line.description,
            money(line.extended_cents, bill.currency),
            "store" if quote.names(line) else _GUESS,
        )
        for line in bill.lines
    ]
    rows.append(("", "", "total", money(bill.total_cents, bill.currency), ""))
    return table(("qty", "unit", "what", "price", "whose price"), rows, right=(0, 3))


def quote_json(listed: Bill, quoted: Bill, quote: Quote, other: PlanReport) -> Json:
    """Return the same as plain data; money in whole cents."""
    return {
        "system": other.system.name,
        "currency": quoted.currency,
        "list_total_cents": listed.total_cents,
        "quoted_total_cents": quoted.total_cents,
        "quoted_spares_cents": quoted.spares_cents,
        "prices": [
            {"item_id": item, "cents": price.cents, "place": price.place, "store_part_number": price.part_number}
            for item, price in quote.prices.items()
        ],
        "list_prices_kept": [line.item_id for line in quoted.lines if not quote.names(line)],
        "cheapest_list_prices": [line.item_id for line in other.bill.lines if not quote.names(line)],
        "same_parts": _needs(quoted) == _needs(other.bill),
        "cheapest_total_cents": other.bill.total_cents,
        "saved_cents": max(0, saved_cents(quoted, other.bill)),
        "cheapest_parts": [
            {"item_id": line.item_id, "quantity": line.quantity, "unit_price_cents": line.unit_price_cents}
            for line in other.bill.lines
        ],
        "remarks": list(quote.remarks),
    }
