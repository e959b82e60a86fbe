"""A store that a parts list may be bought at, and what an order there costs beside its prices."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Seller:
    """A store by its name; an order is charged no less than the minimum, and the way there or back costs `delivery`."""

    name: str
    minimum_order_cents: int = 0
    delivery_cents: int = 0
