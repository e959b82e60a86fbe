"""Ways that another makes needless are left out: held against every pair of random ways; the clock ends it early."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from small_trees import small_catalog

from optimizer.choices.effort import Effort
from optimizer.clock import TimeIsUp, limited
from optimizer.model.catalog import CatalogItem, Kind
from optimizer.search.list_costs import Shop
from optimizer.search.list_pick import unbeaten_ways
from optimizer.search.list_ways import Way
from optimizer.search.posing import loss_units
from optimizer.takeoff.list_price import JointShop, PipeShop, shipped_sticks

CATALOG = small_catalog()
PIPE: CatalogItem = CATALOG.of_kind(Kind.PIPE)[0]
JOINTS = (("cement", "3/4 in"), ("cement", "1 in"), ("tape", "1 in"))


def shop() -> Shop:
    return Shop(PipeShop(shipped_sticks()), JointShop(CATALOG), Effort(0), CATALOG.socket_depths_m, frozenset())


def some_ways(seed: int, count: int = 40, draws: int = 0) -> list[Way]:
    rng = random.Random(f"ways {seed}")
    found = []
    for _ in range(count):
        lengths = tuple(sorted((rng.randint(1, 4) * 1000 for _ in range(rng.randint(0, 2))), reverse=True))
        pieces = {(0, 0): {PIPE.item_id: (PIPE, lengths)} if lengths else {}}
        joints = {joint: rng.randint(1, 2) for joint in JOINTS if rng.random() < 0.5}
        cents, loss_m, cuts = 100 * rng.randint(0, 6), rng.randint(1, 5) / 10, rng.randint(0, 2)
        lost_m = np.array([loss_m + rng.choice((0.0, 0.1)) for _ in range(draws)]) if draws else None
        make = lambda pieces=pieces: pieces  # noqa: E731
        found.append(Way((), (0, 0), (0, 0), loss_m, cents, 0, joints, cents, (cuts,), make, lost_m))
    return found


def beats(fewer_joints: bool, one: Way, other: Way) -> bool:
    """Return whether a way makes another needless, as `list_pick` opens with, written out."""
    if one.lost_m is not None and any(lost > its + 1e-12 for lost, its in zip(one.lost_m, other.lost_m, strict=True)):
        return False
    if loss_units(one.loss_m) > loss_units(other.loss_m) or one.used[0] > other.used[0]:
        return False
    kinds = {*one.joints, *other.joints}
    more = [one.joints.get(kind, 0) - other.joints.get(kind, 0) for kind in kinds]
    if any(each > 0 for each in more) or (any(more) and not fewer_joints):
        return False
    mine, its = ([*way.pieces[0, 0].get(PIPE.item_id, (PIPE, ()))[1]] for way in (one, other))
    cents = one.cents
    for units in mine:  # longest first, each from the longest that is left
        if its and its[0] >= units:
            its.pop(0)
        else:
            cents += shop().pipes.single_cents(PIPE, units)
    return cents <= other.cents


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("fewer", [True, False])
@pytest.mark.parametrize("draws", [0, 3])
def test_what_is_left_beats_all_that_is_not_and_none_of_itself(
    seed: int, fewer: bool, draws: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(JointShop, "fewer_cost_no_more", lambda _: fewer)
    ways = some_ways(seed, draws=draws)
    left = unbeaten_ways(ways, shop())

    assert len(left) < len(ways)
    for way in ways:
        rivals = [one for one in left if one is not way and beats(fewer, one, way)]
        assert not rivals if way in left else rivals


def test_where_hardly_any_is_needless_the_others_stay_unlooked_at() -> None:
    # each costs more and loses less than the one before; of the last two one is needless, which nobody looks for
    none = {(0, 0): dict[str, tuple[CatalogItem, tuple[int, ...]]]()}
    ways = [Way((), (0, 0), (0, 0), 100 - k / 100, k, 0, {}, k, (0,), lambda: none) for k in range(1500)]
    dearer = replace(ways[0], cents=2000)

    assert unbeaten_ways([*ways, dearer], shop()) == [*ways, dearer]
    assert unbeaten_ways([*ways[:500], dearer], shop()) == ways[:500]


def test_it_ends_when_the_time_is_up() -> None:
    with pytest.raises(TimeIsUp), limited(0.0):
        unbeaten_ways(some_ways(0), shop())
