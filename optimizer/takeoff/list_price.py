"""Pieces of pipe and joints → what the parts list asks for them: whole lengths, or by the length; whole packs.

And what they cost at the least, as a sum over pieces and joints, for searches that must know before all of a plan is
chosen. Lengths of pieces are whole tenths of a millimetre, rounded up; rates are rounded down, so that the sum never
exceeds the list.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from operator import ge

from optimizer.choices.joining import SAW_CUT_M
from optimizer.choices.long_pipe import Lengths, shipped_sticks
from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.stock import StickRule, StockLength, sticks_of
from optimizer.model.system import System
from optimizer.program.cutting import cents_if_filled, cents_of_few
from optimizer.takeoff.cutting import UNIT_M, CutPlan, Stick, cut_sticks

KERF = math.ceil(SAW_CUT_M / UNIT_M - 1e-6)  # in units of a piece's length
MILLICENTS = 1000  # in a cent
_TINY = 1e-9
_FEW = 7  # as many pieces are cut without a solver, which takes longer to be called than these to be counted
Pieces = tuple[int, ...]  # lengths at the saw, longest first [0.1 mm]


def units_of(length_m: float) -> int:
    """Return a piece's length at the saw in whole units of `UNIT_M`, rounded up."""
    return math.ceil(length_m / UNIT_M - 1e-6)


@dataclass
class PipeShop:
    """How pipe is bought: in which lengths, at what price, what is owned. Hose and tube always come by the length.

    `quoted_cents` is what a store asks for a length, by its `stick_id`; `lengths` tells what couples pipe that is
    longer than the longest of them. A coupling is told as a piece of `UNIT_M`, sold in lengths of one each.
    """

    rules: tuple[StickRule, ...]
    in_lengths: bool = True
    store: str = ""
    owned_m: Mapping[str, Sequence[float]] = field(default_factory=dict)
    quoted_cents: Mapping[str, int] = field(default_factory=dict)
    kerf_m: float = SAW_CUT_M
    lengths: Lengths | None = None
    _stock: dict[str, tuple[StockLength, ...]] = field(default_factory=dict)
    _rates: dict[str, float] = field(default_factory=dict)
    _cents: dict[tuple[str, Pieces], int] = field(default_factory=dict)
    _singles: dict[tuple[str, Pieces], int] = field(default_factory=dict)

    @classmethod
    def of(cls, system: System, catalog: Catalog, rules: tuple[StickRule, ...] | None = None) -> PipeShop:
        """Return how pipe is bought for a system, with the prices that a store asked for its lengths."""
        in_lengths = system.rules.pipe_in_sticks
        owned_m = system.owned_m if in_lengths else {}
        found = shipped_sticks() if rules is None else rules
        lengths = Lengths(catalog, system.rules, found)
        return cls(found, in_lengths, system.rules.store, owned_m, catalog.quoted_lengths, lengths=lengths)

    def joined(self, pieces: Sequence[tuple[CatalogItem, float]]) -> list[tuple[CatalogItem, float]]:
        """Return pieces of pipe [m] as they are cut: what is too long as several, and the couplings between."""
        if self.lengths is None:
            return list(pieces)
        found: list[tuple[CatalogItem, float]] = []
        for item, length_m in pieces:
            cut_m = self.lengths.pieces_m(item, length_m)
            coupling = self.lengths.coupling(item) if len(cut_m) > 1 else None
            found += [(item, piece_m) for piece_m in cut_m]
            if coupling is not None:
                found += [(coupling, UNIT_M)] * (len(cut_m) - 1)
        return found

    def by_length(self, item: CatalogItem) -> bool:
        """Return whether a pipe is cut to length at the store."""
        return item.kind is not Kind.COUPLING and (item.kind is not Kind.PIPE or not self.in_lengths)

    def stock(self, item: CatalogItem) -> tuple[StockLength, ...]:
        """Return the lengths in which a pipe is sold."""
        if item.kind is Kind.COUPLING:
            return (StockLength(UNIT_M, item.price_cents),)
        if item.item_id not in self._stock:
            self._stock[item.item_id] = sticks_of(item, self.rules, self.store, self.quoted_cents)
        return self._stock[item.item_id]

    def sale_lengths(self, item: CatalogItem, pieces: Iterable[int]) -> int:
        """Return how many sale lengths (feet, metres) all pieces of a pipe take together, saw cuts included."""
        total_m = UNIT_M * sum(piece + self._kerf for piece in pieces)
        return math.ceil(total_m / item.sale_length_m - _TINY)

    def cut(self, item: CatalogItem, lengths_m: Sequence[float], tidy: bool = True) -> CutPlan:
        """Return the cheapest way to cut pieces [m] from the lengths of the store; what is too long is cut to order."""
        stock = self.stock(item)
        longest_m = max(one.length_m for one in stock) + UNIT_M * 1e-6
        fits = [place for place, length_m in enumerate(lengths_m) if length_m <= longest_m]
        fitting, owned = [lengths_m[place] for place in fits], self.owned_m.get(item.item_id, ())
        plan = cut_sticks(fitting, stock, self.kerf_m, owned, tidy=tidy)
        sticks = [
            Stick(
                one.length_m,
                one.owned,
                one.price_cents,
                tuple(fits[place] for place in one.cuts),
                one.pieces_m,
                one.offcut_m,
            )
            for one in plan.sticks
        ]
        ordered = [place for place, length_m in enumerate(lengths_m) if length_m > longest_m]
        for place in ordered:
            order = self.to_order(item, lengths_m[place])
            offcut_m = order.length_m - lengths_m[place]
            sticks.append(Stick(order.length_m, False, order.price_cents, (place,), (lengths_m[place],), offcut_m))
        more = sum(self.to_order(item, lengths_m[place]).price_cents for place in ordered)
        return CutPlan(tuple(sticks), plan.cost_cents + more, plan.bound_cents + more)

    def to_order(self, item: CatalogItem, length_m: float) -> StockLength:
        """Return the length that is cut to order for one piece: whole sale lengths, at the store's price for those."""
        count = math.ceil(length_m / item.sale_length_m - _TINY)
        return StockLength(count * item.sale_length_m, math.ceil(count * self._dearness(item) * item.price_cents))

    def cents(self, item: CatalogItem, pieces: Pieces) -> int:
        """Return what all pieces of a pipe cost on the list [cents]."""
        key = (item.item_id, pieces)
        if key not in self._cents:
            self._cents[key] = self._cents_of(item, pieces)
        return self._cents[key]

    def single_cents(self, item: CatalogItem, units: int) -> int:
        """Return what one piece costs that is cut from a length of its own [cents]."""
        key = (item.item_id, (units,))
        if key not in self._singles:
            self._singles[key] = self._single(item, units)
        return self._singles[key]

    def alone_cents(self, item: CatalogItem, pieces: Pieces) -> int:
        """Return what a list with these pieces of a pipe costs at least for it [cents]; nothing where some is owned."""
        if self.owned_m.get(item.item_id) and not self.by_length(item):
            return 0
        if item.kind is Kind.COUPLING or self.by_length(item) or (item.item_id, pieces) in self._cents:
            return self.cents(item, pieces)
        return self._without_solver(item, pieces)[0]

    def offcuts(self, item: CatalogItem, pieces: Iterable[int]) -> list[int]:
        """Return what is left of the longest length beside each long piece, of those that no other length gives.

        A piece at least as long as one more unit than that never comes out of the same length.
        """
        if self.by_length(item) or self.owned_m.get(item.item_id):
            return []
        lengths = sorted({math.floor(one.length_m / UNIT_M + 1e-6) for one in self.stock(item)})
        longest, next_one = lengths[-1], lengths[-2] if len(lengths) > 1 else 0
        long = {units for units in pieces if max(next_one, longest // 2) < units <= longest}
        return sorted(longest - units for units in long)

    def floor_cents(self, item: CatalogItem, pieces: Pieces, offcut: int) -> float:
        """Return what pieces add to a list at least where what is left beside a long one is no use [cents].

        Pieces no longer than the offcut add nothing, and one that leaves no more of the longest length adds all of
        that; others add their share. What comes out of any one length adds no more than that costs.
        """
        stock = self.stock(item)
        longest = max(math.floor(one.length_m / UNIT_M + 1e-6) for one in stock)
        whole = min(one.price_cents for one in stock if one.length_m / UNIT_M + 1e-6 >= longest)
        rate, total = self.rate(item) / MILLICENTS, 0.0
        for units in pieces:
            if longest - offcut <= units <= longest:
                total += whole
            elif units > offcut:
                total += rate * (units + self._kerf)
        return total

    def long_pieces(self, item: CatalogItem, pieces: Pieces) -> int:
        """Return how many of these pieces no length of the store gives two of; nothing where some is owned."""
        if self.by_length(item) or self.owned_m.get(item.item_id):
            return 0
        longest = max(math.floor(one.length_m / UNIT_M + 1e-6) for one in self.stock(item))
        return sum(longest < 2 * units + self._kerf and units <= longest for units in pieces)

    def rate(self, item: CatalogItem) -> float:
        """Return what a unit of a piece, its saw cut counted, costs at least [thousandths of a cent]."""
        if item.item_id not in self._rates:
            self._rates[item.item_id] = self._rate(item) * (1.0 - _TINY)
        return self._rates[item.item_id]

    def credit(self, item: CatalogItem) -> float:
        """Return what owned pipe may save at most of the sum of the rates [thousandths of a cent]."""
        if self.by_length(item):
            return 0.0
        owned = (length_m / UNIT_M + self._kerf for length_m in self.owned_m.get(item.item_id, ()))
        return self.rate(item) * sum(owned)

    @cached_property
    def _kerf(self) -> int:
        return units_of(self.kerf_m)

    def _cents_of(self, item: CatalogItem, pieces: Pieces) -> int:
        if item.kind is Kind.COUPLING:
            return len(pieces) * item.price_cents
        if self.by_length(item):
            return self.sale_lengths(item, pieces) * item.price_cents
        if not self.owned_m.get(item.item_id):
            cents, exact = self._without_solver(item, pieces)
            if exact:
                return cents
        return self.cut(item, [piece * UNIT_M for piece in pieces], tidy=False).cost_cents

    def _without_solver(self, item: CatalogItem, pieces: Pieces) -> tuple[int, bool]:
        """Return what pieces of a pipe sold in lengths cost at least [cents], and whether they cost no more."""
        stock = [(math.floor(one.length_m / UNIT_M + 1e-6), one.price_cents) for one in self.stock(item)]
        longest = max(length for length, _ in stock)
        short = [units for units in pieces if units <= longest]
        if len(short) > _FEW:
            cents, exact = cents_if_filled(short, stock, self._kerf)
        else:
            cents, exact = cents_of_few(short, stock, self._kerf), True
        ordered = (self.to_order(item, units * UNIT_M).price_cents for units in pieces if units > longest)
        return cents + sum(ordered), exact

    def _single(self, item: CatalogItem, units: int) -> int:
        if self.by_length(item):
            return self.sale_lengths(item, (units,)) * item.price_cents
        length_m = units * UNIT_M
        fits = [one.price_cents for one in self.stock(item) if one.length_m >= length_m]
        return min(fits) if fits else self.to_order(item, length_m).price_cents

    def _rate(self, item: CatalogItem) -> float:
        if self.by_length(item):
            return MILLICENTS * item.price_cents * UNIT_M / item.sale_length_m
        stock = self.stock(item)
        rates = [one.price_cents / (one.length_m / UNIT_M + self._kerf) for one in stock]
        if item.kind is Kind.COUPLING:
            return MILLICENTS * min(rates)
        longest = max(one.length_m for one in stock)
        order = longest / item.sale_length_m * self._dearness(item) * item.price_cents
        return MILLICENTS * min(*rates, order / (longest / UNIT_M + self._kerf))

    def _dearness(self, item: CatalogItem) -> float:
        own = [rule for rule in self.rules if rule.system == item.ends[0].system]
        like = next((r for r in own if r.store == self.store), None) or next((r for r in own if r.default), None)
        return like.price_factor if like is not None else 1.0


def coupled_joints(pieces: Mapping[str, tuple[CatalogItem, int]]) -> Counter[tuple[str, str]]:
    """Return the joints that couplings among pieces make, of which these are (row, how many): two of cement each."""
    found: Counter[tuple[str, str]] = Counter()
    for item, count in pieces.values():
        if item.kind is Kind.COUPLING and count:
            found["cement", item.ends[0].size] += 2 * count
    return found


def grouped(pieces: Iterable[tuple[CatalogItem, float]]) -> dict[str, tuple[CatalogItem, Pieces]]:
    """Return pieces of pipe [m] by item, longest first, in whole units."""
    found: dict[str, tuple[CatalogItem, list[int]]] = {}
    for item, length_m in pieces:
        found.setdefault(item.item_id, (item, []))[1].append(units_of(length_m))
    return {key: (item, tuple(sorted(lengths, reverse=True))) for key, (item, lengths) in found.items()}


def uncovered(wanted: Pieces, pieces: Pieces) -> Iterator[int]:
    """Yield those pieces that can not be cut from others, one from one; both are longest first."""
    at = 0
    for units in wanted:
        if at < len(pieces) and pieces[at] >= units:
            at += 1
        else:
            yield units


def covers(own: Pieces, lengths: Pieces) -> bool:
    """Return whether pieces are as many and each as long as one of these, both longest first."""
    return len(own) >= len(lengths) and all(map(ge, own, lengths))


JointCounts = Mapping[tuple[str, str], int]  # (what seals them, nominal size): how many


@dataclass
class JointShop:
    """What joints take: cement with primer, and tape, in the cheapest packs of one kind; a washer or clamp a joint."""

    catalog: Catalog
    _rows: dict[tuple[str, str], tuple[tuple[CatalogItem, int], ...]] = field(default_factory=dict)

    def purchases(self, joints: JointCounts) -> list[tuple[CatalogItem, int]]:
        """Return (item, packs) of all that these joints take. Sizes for which no row is sold take nothing."""
        found: list[tuple[CatalogItem, int]] = []
        for use, method in (("cement", "cement"), ("primer", "cement"), ("tape", "tape")):
            found += self.packs(use, {size: n for (how, size), n in sorted(joints.items()) if how == method})
        for method in ("washer", "clamp"):
            for (how, size), count in sorted(joints.items()):
                rows = self.rows(method, size) if how == method else ()
                if rows:
                    found.append((rows[0][0], -(-count // rows[0][1])))
        return found

    def cents(self, joints: JointCounts) -> int:
        """Return what these joints cost [cents]."""
        return sum(item.price_cents * packs for item, packs in self.purchases(joints))

    def packs(self, use: str, joints: Mapping[str, int]) -> list[tuple[CatalogItem, int]]:
        """Return the cheapest packs that do all joints: of one kind where any does every size, else size by size."""
        served = {size: count for size, count in joints.items() if count and self.rows(use, size)}
        if not served:
            return []
        kinds = self.kinds(use, tuple(served))
        if not kinds:
            return [one for size, count in served.items() for one in self.packs(use, {size: count})]
        offers = [(item, _whole(sum(n / rates[size] for size, n in served.items()))) for item, rates in kinds]
        return [min(offers, key=lambda offer: (offer[0].price_cents * offer[1], offer[0].item_id))]

    def kinds(self, use: str, sizes: Sequence[str]) -> list[tuple[CatalogItem, Mapping[str, int]]]:
        """Return the kinds of pack that do every one of these sizes, with the joints that a pack does by size."""
        rows = {item.item_id: item for size in sizes for item, _ in self.rows(use, size)}
        rates = self.catalog.joints_per_pack
        return [(item, rates[key]) for key, item in sorted(rows.items()) if all(size in rates[key] for size in sizes)]

    def rows(self, use: str, size: str) -> tuple[tuple[CatalogItem, int], ...]:
        """Return (row, joints a pack) of what seals a joint of a size, the smallest pack first."""
        key = (use, size)
        if key not in self._rows:
            self._rows[key] = self.catalog.consumables(use, size)
        return self._rows[key]

    def fewer_cost_no_more(self) -> bool:
        """Return whether no joints that are left out ever make the rest dearer: one kind of pack does every size."""
        found = self.catalog.joints_per_pack
        for use in ("cement", "primer", "tape"):
            own = [found.get(i.item_id, {}) for i in self.catalog.of_kind(Kind.CONSUMABLE) if i.family == use]
            sizes = {size for rates in own for size in rates}
            if own and not any(sizes <= set(rates) for rates in own):
                return False
        return True

    def first_and_each(self, use: str, joints: Mapping[str, int], sizes: Iterable[str]) -> tuple[int, dict[str, int]]:
        """Return what packs cost at least once there is any joint of `sizes` [cents], and what each joint adds.

        The latter by size, in thousandths of a cent. Whatever joints are made, their packs cost no less. Of all such
        pairs it is one that says much for these `joints`: without any it is the cheapest pack, and nothing for each.
        """
        served = {size: [(item.price_cents, does) for item, does in self.rows(use, size)] for size in sizes}
        sold = {size: rows for size, rows in served.items() if rows}
        most = min((price for rows in sold.values() for price, _ in rows), default=0)
        shares = range(_SHARES + 1) if len(sold) == len(served) else range(1)  # a size that takes nothing opens nothing
        best = (-1.0, 0, dict[str, int]())
        for share in shares:
            first = most * share // _SHARES
            each = {
                size: min(int(MILLICENTS * (price - first) * _SURE) // does for price, does in rows)
                for size, rows in sold.items()
            }
            told = MILLICENTS * first + sum(each.get(size, 0) * count for size, count in joints.items())
            best = max(best, (told, first, each), key=lambda one: one[:2])
        return best[1], best[2]

    def piece_rate(self, method: str, size: str) -> int:
        """Return what the washer or clamp of one joint costs at least [thousandths of a cent]; nothing for others."""
        rows = self.rows(method, size) if method in ("washer", "clamp") else ()
        return MILLICENTS * rows[0][0].price_cents // rows[0][1] if rows else 0


_SHARES = 40  # of a pack's price, for what the first joint costs
_SURE = 1.0 - 1e-5  # packs are counted with a hair that costs nothing


def _whole(amount: float) -> int:
    return max(1, -(-int(amount * 1e6) // 10**6))


def counted(joints: Iterable[tuple[str, str]]) -> Counter[tuple[str, str]]:
    """Return how many joints of each kind are made; a stub's own two are told apart from it already."""
    return Counter(joint for joint in joints if joint[0] != "stub")
