"""All rows that are known → those that may be bought under the rule of whose lists count."""

from __future__ import annotations

from dataclasses import replace
from pathlib import PurePath

from optimizer.errors import Fault, InputError
from optimizer.model.catalog import JOINERS, Catalog, CatalogItem, Kind
from optimizer.model.ends import Form
from optimizer.model.system import System

_ABS = "ABS"
_CEMENTED = frozenset({Form.SOCKET, Form.SPIGOT})


def for_sale(system: System, catalog: Catalog) -> Catalog:
    """Return the catalog of what may be bought for a system; what is known besides goes into its `elsewhere`.

    Raises
    ------
    InputError
        When only the owner's lists count and none of them has a price.
    """
    if not system.rules.own_lists_only:
        return catalog
    if not catalog.own:
        place = f"{PurePath(system.path).name or system.name}, rules, buy only from"
        allowed = "'own lists' together with a list of yours that has prices: --catalog prices.csv"
        raise InputError([Fault(place, "'own lists', and no list of yours with a price in it", allowed)])
    sold = {key: item for key, item in catalog.items.items() if key in catalog.own}
    if len(sold) == len(catalog.items):
        return catalog
    others = {key: item for key, item in catalog.items.items() if key not in sold}
    return replace(catalog, items=sold, elsewhere={**catalog.elsewhere, **others})


def of_one_plastic(catalog: Catalog, family: str) -> Catalog:
    """Return what may join plain ends in a run of a family: ABS pipe takes joining pieces of ABS, other pipe none.

    ABS and PVC take a cement of their own each; where the two meet once, a run's own parts meet, not a piece between.
    """
    is_abs = any(pipe.material == _ABS for pipe in catalog.pipes_known(family))
    apart = {
        key: item
        for key, item in catalog.items.items()
        if (item.material == _ABS) is not is_abs
        and (item.kind in JOINERS if is_abs else item.material == _ABS)
        and all(end.form in _CEMENTED for end in item.ends)
    }
    if not apart:
        return catalog
    kept = {key: item for key, item in catalog.items.items() if key not in apart}
    return replace(catalog, items=kept, elsewhere={**catalog.elsewhere, **apart})


def require_one_currency(system: System, catalog: Catalog) -> None:
    """Raise InputError where the prices are in another currency than the system, and no rate leads over."""
    told = other_currency(system, catalog)
    if told is not None:
        raise InputError([told])


def other_currency(system: System, catalog: Catalog) -> Fault | None:
    """Return what is wrong where the prices are in another currency than the system, and the ways out of it."""
    if not catalog.currency or catalog.currency == system.currency:
        return None
    own, priced = system.currency, catalog.currency
    ways = (
        f"'currency: {priced}' in the file, a rate of your own (prices: {{{priced}: 0.92 {own} on 2026-11-01}}), or "
        f"prices of every row in {own}: --catalog prices.csv"
    )
    place = f"{PurePath(system.path).name or system.name}, currency"
    return Fault(place, f"{own} for a catalog with prices in {priced}, and no rate", ways)


def pumps_for_sale(system: System, catalog: Catalog) -> list[CatalogItem]:
    """Return the pumps that may be bought within the budget and may stand in this water, the cheapest first."""
    pumps, most = for_sale(system, catalog).of_kind(Kind.PUMP), system.rules.budget_cents
    within = [item for item in pumps if most is None or item.price_cents <= most]
    fit = [item for item in within if item.reef_safe or system.rules.allow_unsafe_metals]
    return sorted(fit, key=lambda item: (item.price_cents, item.item_id))
