"""Ways that another makes needless are left out: held against every pair of random ways; the clock ends it early."""

from __future__ import annotations

import random

import pytest
from small_trees import small_catalog

from optimizer.choices.effort import Effort
from optimizer.clock import TimeIsUp, limited
from optimizer.model.catalog import CatalogItem, Kind
from optimizer.search.list_costs import Shop
from optimizer.search.list_pick import Rivals
from optimizer.search.list_ways import Way
from optimizer.search.posing import loss_units
from optimizer.takeoff.list_price import JointShop, PipeShop, shipped_sticks

CATALOG = small_catalog()
PIPE: CatalogItem = CATALOG.of_kind(Kind.PIPE)[0]
JOINTS = (("cement", "3/4 in"), ("cement", "1 in"), ("tape", "1 in"))


def shop() -> Shop:
    return Shop(PipeShop(shipped_sticks()), JointShop(CATALOG), Effort(0), CATALOG.socket_depths_m, frozenset())


def some_ways(seed: int, count: int = 40) -> list[Way]:
    rng = random.Random(f"ways {seed}")
    found = []
    for _ in range(count):
        lengths = tuple(sorted((rng.randint(1, 4) * 1000 for _ in range(rng.randint(0, 2))), reverse=True))
        pieces = {(0, 0): {PIPE.item_id: (PIPE, lengths)} if lengths else {}}
        joints = {joint: rng.randint(1, 2) for joint in JOINTS if rng.random() < 0.5}
        cents, loss_m, cuts = 100 * rng.randint(0, 6), rng.randint(1, 5) / 10, rng.randint(0, 2)
        found.append(Way((), (0, 0), (0, 0), loss_m, cents, 0, joints, cents, (cuts,), lambda pieces=pieces: pieces))
    return found


def beats(rivals: Rivals, one: Way, other: Way) -> bool:
    """Return whether a way makes another needless, as `list_pick` opens with, written out."""
    if loss_units(one.loss_m) > loss_units(other.loss_m) or one.used[0] > other.used[0]:
        return False
    kinds = {*one.joints, *other.joints}
    more = [one.joints.get(kind, 0) - other.joints.get(kind, 0) for kind in kinds]
    if any(each > 0 for each in more) or (any(more) and not rivals.fewer_joints):
        return False
    mine, its = ([*way.pieces[0, 0].get(PIPE.item_id, (PIPE, ()))[1]] for way in (one, other))
    cents = one.cents
    for units in mine:  # longest first, each from the longest that is left
        if its and its[0] >= units:
            its.pop(0)
        else:
            cents += rivals.shop.pipes.single_cents(PIPE, units)
    return cents <= other.cents


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("fewer", [True, False])
def test_what_is_left_beats_all_that_is_not_and_none_of_itself(seed: int, fewer: bool) -> None:
    rivals, ways = Rivals(shop()), some_ways(seed)
    rivals.fewer_joints = fewer
    left = rivals.unbeaten(ways)

    assert len(left) < len(ways)
    for i, way in enumerate(ways):
        rival = [k for k in left if k != i and beats(rivals, ways[k], way)]
        assert not rival if i in left else rival


def test_it_ends_when_the_time_is_up() -> None:
    with pytest.raises(TimeIsUp), limited(0.0):
        Rivals(shop()).unbeaten(some_ways(0))
