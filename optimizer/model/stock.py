"""Pipe as a store sells it: in sticks of a few lengths."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from optimizer.errors import OptimizerError
from optimizer.model.catalog import CatalogItem
from optimizer.model.ends import SizeSystem


@dataclass(frozen=True, slots=True)
class StockLength:
    """A stick that can be bought in any number."""

    length_m: float
    price_cents: int

    def __post_init__(self) -> None:
        if not self.length_m > 0 or self.price_cents < 0:
            raise OptimizerError(f"a stick of {self.length_m} m at {self.price_cents} cents: both must be above 0")


@dataclass(frozen=True, slots=True)
class StickRule:
    """One length in which a kind of store keeps pipe of a size system.

    A stick costs what its length costs by the catalog's price, times `price_factor`.
    """

    store: str
    system: SizeSystem
    length_m: float
    price_factor: float = 1.0
    default: bool = False  # whether this store is meant where none is named


def stick_id(item_id: str, length_m: float) -> str:
    """Return the item number of a stick on a parts list: `sch40-pipe-150@3048mm`."""
    return f"{item_id}@{1000 * length_m:.0f}mm"


def sticks_of(
    item: CatalogItem,
    rules: tuple[StickRule, ...],
    store: str = "",
    quoted_cents: Mapping[str, int] | None = None,
) -> tuple[StockLength, ...]:
    """Return the sticks in which a pipe is sold, shortest first; one of its sale length where no rule has its system.

    Parameters
    ----------
    item
        A pipe; its price is for `sale_length_m`.
    rules
        All rules; those of `store` count, or of the default store when none is named or it keeps no such pipe.
    quoted_cents
        What a store asks for a stick, by its `stick_id`, in place of its share of the catalog's price.
    """
    own = [rule for rule in rules if rule.system == item.ends[0].system]
    chosen = [rule for rule in own if rule.store == store] or [rule for rule in own if rule.default]
    if not chosen:
        return (StockLength(item.sale_length_m, item.price_cents),)
    quoted = quoted_cents or {}
    return tuple(_stick(item, rule, quoted) for rule in sorted(chosen, key=lambda rule: rule.length_m))


def _stick(item: CatalogItem, rule: StickRule, quoted_cents: Mapping[str, int]) -> StockLength:
    cents = rule.length_m / item.sale_length_m * item.price_cents * rule.price_factor
    return StockLength(rule.length_m, quoted_cents.get(stick_id(item.item_id, rule.length_m), round(cents)))
