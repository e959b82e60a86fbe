"""The bill: what a store hands over, line by line, and what comes out of the wall."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.model.note import Note


@dataclass(frozen=True, slots=True)
class BillLine:
    """One line of the parts list. Money in whole cents; `quantity` in `unit`."""

    item_id: str
    group: str  # "Pipe", "Fittings", "Valves", "Thread adapters", "Consumables"
    description: str
    size: str
    ends: str
    material: str
    standard: str
    quantity: int
    unit: str  # "each", "ft", "m", "length"
    unit_price_cents: int
    where_used: str
    price_date: str
    note: Note | None = None
    rating_pa: float = 0.0  # what pressure it is rated for in cool water; 0: not stated

    @property
    def extended_cents(self) -> int:
        return self.quantity * self.unit_price_cents


@dataclass(frozen=True, slots=True)
class TakeOutLine:
    """Something that is removed, and whether it can be used again."""

    description: str
    quantity: int
    unit: str
    where: str
    fate: str  # "reusable" or "scrap"
    why: Note


@dataclass(frozen=True, slots=True)
class Bill:
    """What is bought and what comes out.

    `lines` is what the plan needs, as a store sells it: pipe in whole lengths or by its sale length, joints by whole
    packs. `spares` are apart.
    """

    currency: str
    lines: tuple[BillLine, ...]
    taken_out: tuple[TakeOutLine, ...]
    spares: tuple[BillLine, ...] = ()

    @property
    def total_cents(self) -> int:
        return sum(line.extended_cents for line in self.lines)

    @property
    def spares_cents(self) -> int:
        return sum(line.extended_cents for line in self.spares)
