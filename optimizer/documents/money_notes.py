"""The owner's rates, mark-up and tax, and a total of a list → what is said of them under that list."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from optimizer.model.money import Money


def money_notes(money: Money | None, total_cents: int | None = None) -> tuple[str, ...]:
    """Return what rates, mark-up and tax the prices are told with; of a total [cents], how much of it is tax."""
    return () if money is None else tuple(_notes(money, total_cents))


def _notes(money: Money, total_cents: int | None) -> Iterator[str]:
    for currency, rate in money.rates.items():
        day = f"your rate of {rate.day}" if rate.day else "your rate, without a date"
        yield f"prices in {currency} are told in {money.currency} at {rate.price:g} {money.currency} each ({day})"
    if money.mark_up:
        yield f"a mark-up of {100 * money.mark_up:g} % is in every price, a store's price in `retrofit price` too"
    if money.tax:
        share = f"{100 * money.tax:g} %"
        words = f"all prices have {share} tax in them"
        if not money.tax_included:
            words = (
                f"{share} tax is added to every price, rounded up to a cent a piece; a store's price counts with tax"
            )
        if total_cents is not None:
            words += f"; of the total {money.tax_in(total_cents) / 100:.2f} {money.currency} are tax"
        yield words
