"""What pieces of pipe cost at the least never exceeds what the cutting program pays for them."""

from __future__ import annotations

import random
import time

import pytest

from optimizer.program.cutting import cents_if_filled
from optimizer.read.catalogs import load_catalog
from optimizer.takeoff.list_price import JointShop, PipeShop, shipped_sticks, uncovered

PIPES = ("sch40-pipe-075", "sch40-pipe-125", "pn16-pipe-d40")


def drawn(seed: int, count: int) -> tuple[int, ...]:
    """Return pieces of 1 cm to 2.9 m [0.1 mm], longest first."""
    rng = random.Random(seed)
    return tuple(sorted(rng.choice((rng.randint(100, 5000), rng.randint(100, 29000))) for _ in range(count))[::-1])


@pytest.mark.parametrize("key", PIPES)
@pytest.mark.parametrize("seed", [*range(3), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(3, 8))])
def test_no_floor_of_a_set_of_pieces_is_above_what_they_cost(seed: int, key: str) -> None:
    shop, item = PipeShop(shipped_sticks()), load_catalog().items[key]
    pieces = drawn(seed, 2 + seed % 5)
    cents = shop.cents(item, pieces)

    assert shop.alone_cents(item, pieces) <= cents
    for offcut in shop.offcuts(item, pieces):
        assert shop.floor_cents(item, pieces, offcut) <= cents + 1e-6
    sticks = sum(not stick.owned for stick in shop.cut(item, [piece * 1e-4 for piece in pieces]).sticks)
    assert shop.long_pieces(item, pieces) <= sticks


@pytest.mark.parametrize("seed", range(8))
def test_a_piece_by_itself_costs_what_the_program_says(seed: int) -> None:
    shop, item = PipeShop(shipped_sticks()), load_catalog().items["sch40-pipe-100"]
    (piece,) = drawn(seed, 1)
    assert shop.single_cents(item, piece) == shop.cents(item, (piece,))


@pytest.mark.parametrize("seed", range(12))
def test_pieces_in_place_of_others_cost_no_more_than_what_they_can_not_be_cut_from(seed: int) -> None:
    shop, item = PipeShop(shipped_sticks()), load_catalog().items["sch40-pipe-125"]
    one, other, rest = (drawn(100 * seed + i, 1 + (seed + i) % 3) for i in range(3))
    apart = sum(shop.single_cents(item, piece) for piece in uncovered(one, other))

    with_one, with_other = (tuple(sorted((*each, *rest)))[::-1] for each in (one, other))
    assert shop.cents(item, with_one) <= shop.cents(item, with_other) + apart


@pytest.mark.parametrize("key", PIPES)
@pytest.mark.parametrize("seed", [*range(3), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(3, 8))])
def test_what_a_few_pieces_cost_is_what_the_program_pays_for_them(seed: int, key: str) -> None:
    shop, item = PipeShop(shipped_sticks()), load_catalog().items[key]
    pieces = drawn(50 + seed, 1 + seed % 7)
    cut = shop.cut(item, [piece * 1e-4 for piece in pieces])
    assert cut.proved
    assert shop.cents(item, pieces) == cut.cost_cents


@pytest.mark.parametrize("key", PIPES)
@pytest.mark.parametrize("seed", [*range(4), *(pytest.param(seed, marks=pytest.mark.long) for seed in range(4, 40))])
def test_many_pieces_cost_what_the_program_pays_for_them_or_at_least_what_is_as_long(seed: int, key: str) -> None:
    """The lengths that are together as long as the pieces: no dearer than the cutting program's; as dear, if filled."""
    shop, item, rng = PipeShop(shipped_sticks()), load_catalog().items[key], random.Random(seed)
    some = [rng.randint(500, 12000) for _ in range(1 + seed % 4)]
    pieces = tuple(sorted(rng.choices(some, k=8 + rng.randrange(20)))[::-1])
    cut = shop.cut(item, [piece * 1e-4 for piece in pieces])
    stock = [(round(one.length_m * 1e4), one.price_cents) for one in shop.stock(item)]
    cents, filled = cents_if_filled(pieces, stock, round(shop.kerf_m * 1e4))

    assert cut.proved
    assert cents <= cut.cost_cents
    assert not filled or cents == cut.cost_cents
    assert shop.alone_cents(item, pieces) <= cut.cost_cents == shop.cents(item, pieces)


@pytest.mark.parametrize("count", [100, 500, 5000])
def test_hundreds_of_pieces_are_priced_from_below_at_once(count: int) -> None:
    """A pipe of a kilometer and a half is some 500 pieces: to try all lengths that are as long would take hours."""
    shop, item, rng = PipeShop(shipped_sticks()), load_catalog().items["sch40-pipe-100"], random.Random(count)
    pieces = tuple(sorted(rng.randint(20000, 30000) for _ in range(count))[::-1])
    stock = [(round(one.length_m * 1e4), one.price_cents) for one in shop.stock(item)]
    start = time.process_time()
    cents, _ = cents_if_filled(pieces, stock, round(shop.kerf_m * 1e4))

    assert time.process_time() - start < 1.0
    cheapest = min(price / (length + round(shop.kerf_m * 1e4)) for length, price in stock)
    assert cheapest * sum(pieces) <= cents <= sum(shop.single_cents(item, units) for units in pieces)


SIZES = ("1/2 in", "3/4 in", "1 in", "1-1/4 in", "1-1/2 in")


@pytest.mark.parametrize("use", ["cement", "primer", "tape"])
@pytest.mark.parametrize("seed", range(20))
def test_a_first_joint_and_a_share_for_each_never_exceed_what_the_packs_cost(seed: int, use: str) -> None:
    """Whatever joints the shares are near to, no joints at all cost less in packs."""
    rng, shop = random.Random(seed), JointShop(load_catalog())
    near = {size: rng.randrange(60) for size in SIZES if rng.random() < 0.6}
    first, each = shop.first_and_each(use, near, SIZES)
    for _ in range(40):
        joints = {size: rng.choice((0, 0, 1, 2, 7, 15, 40, 90)) for size in SIZES}
        paid = sum(item.price_cents * packs for item, packs in shop.packs(use, joints))
        if any(joints.values()):
            assert 1000 * first + sum(each[size] * count for size, count in joints.items()) <= 1000 * paid


def test_a_share_for_each_says_more_of_many_joints_than_the_smallest_pack() -> None:
    shop, many = JointShop(load_catalog()), {"1-1/4 in": 57}
    first, each = shop.first_and_each("cement", many, SIZES)
    smallest = min(item.price_cents for item, _ in shop.rows("cement", "1-1/4 in"))
    paid = sum(item.price_cents * packs for item, packs in shop.packs("cement", many))

    assert shop.first_and_each("cement", {}, SIZES) == (smallest, dict.fromkeys(SIZES, 0))
    assert 1.5 * smallest < first + each["1-1/4 in"] * 57 / 1000 <= paid
