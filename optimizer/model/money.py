"""The owner's money: rates at which other currencies count, a contractor's mark-up, and the tax on what is bought."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

_EPSILON = 1e-9  # a product that is a whole number of cents stays it


@dataclass(frozen=True, slots=True)
class Rate:
    """What one unit of another currency costs in the owner's; `day` is when, as the owner wrote it, empty: not said."""

    price: float
    day: str = ""


@dataclass(frozen=True)
class Money:
    """How the prices of the catalogs count for an owner.

    `tax` is a share of the price; where it is not `tax_included` in the catalogs' prices already, it is added to each.
    `mark_up` is the share that a contractor adds to what parts cost.
    """

    currency: str
    rates: Mapping[str, Rate] = field(default_factory=dict, hash=False)
    tax: float = 0.0
    tax_included: bool = True
    mark_up: float = 0.0

    def counts(self, currency: str) -> bool:
        """Return whether prices in a currency can be told in the owner's."""
        return currency == self.currency or currency in self.rates

    def cents(self, price_cents: int, currency: str) -> int:
        """Return a price of the catalogs in cents of the owner's currency, with tax and mark-up, rounded up.

        Raises
        ------
        KeyError
            When there is no rate for the currency, see `counts`.
        """
        rate = 1.0 if currency == self.currency else self.rates[currency].price
        added = 1.0 if self.tax_included else 1.0 + self.tax
        return _up(price_cents * rate * added * (1.0 + self.mark_up))

    def marked_up(self, price_cents: int) -> int:
        """Return what the owner pays for something that a store asks a price for [cents], rounded up."""
        return _up(price_cents * (1.0 + self.mark_up))

    def tax_in(self, total_cents: int) -> int:
        """Return how much of a total [cents] is tax."""
        return round(total_cents * self.tax / (1.0 + self.tax))


def _up(cents: float) -> int:
    return math.ceil(cents - _EPSILON * max(1.0, cents))
