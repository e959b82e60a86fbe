"""A plan and what of its parts list is bought at one store → the list of that store, at its prices."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace

from optimizer.model.bill import Bill
from optimizer.model.catalog import Catalog, CatalogItem
from optimizer.model.plan import Plan, Purchase
from optimizer.model.system import System
from optimizer.takeoff.bill import bill_of
from optimizer.takeoff.cut_list import KERF_M, CutList, PipeCuts, new_pipe
from optimizer.takeoff.list_price import JointShop, PipeShop
from optimizer.takeoff.store_lists import PACKED, joints_by_use


def store_bill(system: System, plan: Plan, store: Catalog, keys: Collection[str]) -> Bill:
    """Return the parts list of those lines, by their keys, that are bought at a store.

    Parameters
    ----------
    system, plan
        What stands, and what becomes of it.
    store
        What the store has for sale, with its prices.
    keys
        Which lines: as `StoreLine.key`.
    """
    runs = {
        name: replace(one, purchases=tuple(_here(one.purchases, store, keys)), removed=())
        for name, one in plan.runs.items()
    }
    tees = {
        point: replace(one, purchases=tuple(_here(one.purchases, store, keys)), removed=())
        for point, one in plan.tees.items()
    }
    own = replace(plan, runs=runs, tees=tees, consumables=tuple(_seals(plan, store, keys)))
    cuts = _cuts(system, plan, store, keys) if system.rules.pipe_in_sticks else None
    return bill_of(system, own, catalog=store, cuts=cuts)


def _here(purchases: Collection[Purchase], store: Catalog, keys: Collection[str]) -> Iterator[Purchase]:
    for purchase in purchases:
        key = purchase.item.item_id
        if key in keys and key in store.items:
            yield replace(purchase, item=store.items[key])


def _seals(plan: Plan, store: Catalog, keys: Collection[str]) -> Iterator[Purchase]:
    shop = JointShop(store)
    for key, joints in joints_by_use(plan).items():
        if key in keys:
            yield from (Purchase(item, packs, "joints") for item, packs in _packs(shop, key, joints))


def _packs(shop: JointShop, key: str, joints: Mapping[tuple[str, str], int]) -> Iterator[tuple[CatalogItem, int]]:
    if key in PACKED:
        yield from shop.packs(key, {size: count for (_, size), count in joints.items()})
    else:
        yield from shop.purchases(joints)


def _cuts(system: System, plan: Plan, store: Catalog, keys: Collection[str]) -> CutList:
    """Return the pieces that are cut from what the store sells, in the store's lengths."""
    shop = PipeShop.of(system, store)
    pieces = new_pipe(plan.stands or system.network, plan, store)[0]
    pipes = []
    for key in dict.fromkeys(piece.item.item_id for piece in pieces):
        item = store.items.get(key)
        if key in keys and item is not None and not shop.by_length(item):
            own = tuple(piece for piece in pieces if piece.item.item_id == key)
            pipes.append(PipeCuts(item, own, shop.cut(item, [piece.cut_m for piece in own])))
    return CutList(pieces, tuple(pipes), KERF_M, plan.currency)
