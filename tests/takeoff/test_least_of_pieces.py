"""What pieces of pipe cost at the least never exceeds what the cutting program pays for them."""

from __future__ import annotations

import random

import pytest

from optimizer.read.catalogs import load_catalog
from optimizer.takeoff.list_price import PipeShop, shipped_sticks, uncovered

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
