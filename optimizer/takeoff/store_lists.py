"""A plan and the price lists of several stores → its parts list line by line, with what each store asks for the line.

All pieces of one pipe are one line, cut from that store's lengths, and so are all packs of one kind of cement: nobody
buys half of them elsewhere.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from optimizer.model.catalog import PIPES, Catalog, CatalogItem
from optimizer.model.plan import Plan
from optimizer.model.system import System
from optimizer.takeoff.cut_list import new_pipe
from optimizer.takeoff.cutting import UNIT_M
from optimizer.takeoff.list_price import JointShop, Pieces, PipeShop, counted, grouped
from optimizer.takeoff.order import sale_unit, stick_words

PACKED = {"cement": "cement", "primer": "cement", "tape": "tape"}  # bought in packs, for joints of which kind


@dataclass(frozen=True, slots=True)
class AtStore:
    """What one store gives for a line: how much of it in words, and what all of it costs [cents]."""

    amount: str
    cents: int


@dataclass(frozen=True, slots=True)
class StoreLine:
    """One line of a parts list: what it is, and what each store gives for it; None: the store does not have it."""

    words: str
    offers: tuple[AtStore | None, ...]
    key: str = ""  # the item's id, or what seals joints: each stands on one line

    @property
    def cents(self) -> tuple[int | None, ...]:
        return tuple(None if offer is None else offer.cents for offer in self.offers)


def store_lines(system: System, plan: Plan, catalog: Catalog, stores: Sequence[Catalog]) -> tuple[StoreLine, ...]:
    """Return the lines of a plan's parts list, pipe first, joints last.

    Parameters
    ----------
    system, plan
        What stands, and what becomes of it.
    catalog
        What the plan was bought from.
    stores
        What each store has for sale, with its prices.
    """
    return (*_pipe(system, plan, catalog, stores), *_pieces(plan, stores), *_joints(plan, stores))


def _pipe(system: System, plan: Plan, catalog: Catalog, stores: Sequence[Catalog]) -> Iterator[StoreLine]:
    network = system.network if plan.stands is None else plan.stands
    pieces = grouped((piece.item, piece.cut_m) for piece in new_pipe(network, plan, catalog)[0])
    for item, lengths in pieces.values():
        offers = tuple(_pipe_at(system, store, item.item_id, lengths) for store in stores)
        yield StoreLine(item.description, offers, item.item_id)


def _pipe_at(system: System, store: Catalog, item_id: str, lengths: Pieces) -> AtStore | None:
    item, shop = store.items.get(item_id), PipeShop.of(system, store)
    if item is None:
        return None
    cents = shop.cents(item, lengths)
    if shop.by_length(item):
        return AtStore(f"{shop.sale_lengths(item, lengths)} {sale_unit(item)}", cents)
    plan = shop.cut(item, [units * UNIT_M for units in lengths])
    bought = Counter(stick_words(stick.length_m) for stick in plan.sticks if not stick.owned)
    return AtStore(", ".join(f"{count} × {words}" for words, count in bought.items()) or "owned", cents)


def _pieces(plan: Plan, stores: Sequence[Catalog]) -> Iterator[StoreLine]:
    counts: dict[str, tuple[CatalogItem, int]] = {}
    placed = [one.purchases for one in plan.runs.values()] + [one.purchases for one in plan.tees.values()]
    for purchase in (each for found in placed for each in found if each.item.kind not in PIPES):
        key = purchase.item.item_id
        counts[key] = (purchase.item, purchase.quantity + counts.get(key, (purchase.item, 0))[1])
    for key, (item, count) in counts.items():
        found = (store.items.get(key) for store in stores)
        offers = tuple(None if own is None else AtStore(f"{count} each", count * own.price_cents) for own in found)
        yield StoreLine(item.description, offers, key)


def _joints(plan: Plan, stores: Sequence[Catalog]) -> Iterator[StoreLine]:
    """Yield what joints take; what none of the stores has is bought elsewhere, as it is for the plan."""
    shops = [JointShop(store) for store in stores]
    for key, joints in joints_by_use(plan).items():
        if key in PACKED:
            sold = {size: n for (_, size), n in joints.items() if any(shop.rows(key, size) for shop in shops)}
            if sold:
                yield StoreLine(key, tuple(_packs_at(shop, key, sold) for shop in shops), key)
            continue
        ((method, size),) = joints
        if any(shop.rows(method, size) for shop in shops):
            count = joints[method, size]
            yield StoreLine(key, tuple(_singles_at(shop, method, size, count) for shop in shops), key)


def joints_by_use(plan: Plan) -> dict[str, dict[tuple[str, str], int]]:
    """Return the joints of a plan by what they take, as (what seals them, size): how many. Lines are bought so."""
    made = counted((joint.method, joint.size) for run in plan.runs.values() for joint in run.joints)
    found: dict[str, dict[tuple[str, str], int]] = {}
    for use, method in PACKED.items():
        sizes = {joint: count for joint, count in sorted(made.items()) if joint[0] == method}
        if sizes:
            found[use] = sizes
    for method in ("washer", "clamp"):
        for joint, count in sorted(made.items()):
            if joint[0] == method:
                found[f"{joint[1]} {method}"] = {joint: count}
    return found


def _packs_at(shop: JointShop, use: str, sizes: Mapping[str, int]) -> AtStore | None:
    if not all(shop.rows(use, size) for size in sizes):
        return None
    packs = shop.packs(use, sizes)
    words = ", ".join(f"{count} × {item.description}" for item, count in packs)
    return AtStore(words, sum(item.price_cents * count for item, count in packs))


def _singles_at(shop: JointShop, method: str, size: str, count: int) -> AtStore | None:
    if not shop.rows(method, size):
        return None
    bought = shop.purchases({(method, size): count})
    return AtStore(f"{sum(packs for _, packs in bought)} each", sum(item.price_cents * n for item, n in bought))
