"""Lists told apart by the cans that they buy cost no less than is said, by the list that is proved to be the cheapest.

That one is proved by all ways of every run (`test_flow_lists`), which knows nothing of a price on joints. The systems
and how far a can goes are invented.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import pytest
from unknown_systems import branches, catalog

from optimizer.choices.velocity import with_carried
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.plan import Status
from optimizer.search.flow_lists import by_list
from optimizer.search.larger_packs import least_list_cents
from optimizer.search.unknown_flows import UnknownSearch, find_unknown


def cans_of(joints: int) -> Catalog:
    """Return the catalog with one can of cement that does so many joints of any size, and primer without end."""
    shop = catalog()
    cement = [i for i in shop.of_kind(Kind.CONSUMABLE) if i.family == "cement"]
    cheapest = min(cement, key=lambda item: item.price_cents)
    sizes = shop.joints_per_pack[cheapest.item_id]
    items = {key: item for key, item in shop.items.items() if item not in cement or item is cheapest}
    primer = [i.item_id for i in shop.of_kind(Kind.CONSUMABLE) if i.family == "primer"]
    told = {**dict.fromkeys(primer, dict.fromkeys(sizes, 1000)), cheapest.item_id: dict.fromkeys(sizes, joints)}
    return replace(shop, items=items, joints_per_pack={**shop.joints_per_pack, **told})


def searched(shop: Catalog) -> tuple[UnknownSearch, int, int]:
    """Return the plan that is proved by what it uses, what no list costs less than, and the cheapest list."""
    system = with_carried(branches("  left: at least 1400 L/h\n  right: at least 1400 L/h\n"))
    found = find_unknown(system, shop, time_limit_s=60.0)
    listed = by_list(system, shop, found, time_limit_s=60.0)
    assert listed.plan.status is Status.OPTIMAL
    assert listed.cents is not None
    return found, least_list_cents(found, partial(find_unknown, system, shop), 0, 60.0), listed.cents


@pytest.mark.long
@pytest.mark.parametrize("joints", [3, 8, 12])
def test_no_list_costs_less_than_is_said_by_the_cans_that_it_buys(joints: int) -> None:
    found, least, cheapest = searched(cans_of(joints))
    assert found.bound_cents is not None
    assert found.bound_cents < least <= cheapest


@pytest.mark.long
def test_where_a_can_is_enough_what_is_used_says_as_much() -> None:
    found, least, cheapest = searched(cans_of(100))
    assert found.bound_cents == least <= cheapest
