"""A parts list that a store has filled in: the titles that its columns are known by, and the prices that came back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from optimizer.model.bill import BillLine

ITEM_TITLE, QUANTITY_TITLE, LIST_PRICE_TITLE = "Item no.", "Qty", "List price"
STORE_PRICE_TITLE, STORE_PART_TITLE = "Store's unit price", "Store's part no."


def priced_title(title: str, currency: str) -> str:
    """Return the title of a column of prices with its currency: `Store's unit price (USD)`."""
    return f"{title} ({currency})"


@dataclass(frozen=True, slots=True)
class QuotedPrice:
    """What a store asks for one of an item [whole cents], and in which cell it says so."""

    cents: int
    place: str
    part_number: str = ""  # the store's own


@dataclass(frozen=True, slots=True)
class Quote:
    """Prices by item number, as on the parts list; `remarks` name what is missing or odd, cell by cell."""

    currency: str
    prices: Mapping[str, QuotedPrice] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()

    def told(self, pays: Callable[[int], int]) -> Quote:
        """Return the quote with what the owner pays for what a store asks a price for [cents]."""
        prices = {item: replace(price, cents=pays(price.cents)) for item, price in self.prices.items()}
        return replace(self, prices=prices)

    def names(self, line: BillLine) -> bool:
        """Return whether the store named the price of a line."""
        return line.item_id in self.prices
