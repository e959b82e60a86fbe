"""The owner's rates, mark-up and tax, and a total of a list → what is said of them under that list."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from optimizer.model.note import Note, money_note, note

if TYPE_CHECKING:
    from optimizer.model.money import Money


def money_notes(money: Money | None, total_cents: int | None = None) -> tuple[Note, ...]:
    """Return what rates, mark-up and tax the prices are told with; of a total [cents], how much of it is tax."""
    return () if money is None else tuple(_notes(money, total_cents))


def _notes(money: Money, total_cents: int | None) -> Iterator[Note]:
    for currency, rate in money.rates.items():
        day = note("rate of a day", day=str(rate.day)) if rate.day else note("rate without a date")
        yield note("told at a rate", prices=currency, currency=money.currency, rate=rate.price, day=day)
    if money.mark_up:
        yield note("mark-up in the prices", mark_up_percent=100 * money.mark_up)
    if money.tax:
        of_total = None
        if total_cents is not None:
            of_total = note("tax of the total", tax=money_note(money.tax_in(total_cents), money.currency))
        code = "tax in the prices" if money.tax_included else "tax added"
        yield note(code, tax_percent=100 * money.tax, of_total=of_total)
