"""Cutting stock: against enumeration, published instances and what cannot be otherwise."""

from __future__ import annotations

import functools
import itertools
import random
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.errors import InputError, PlanError
from optimizer.model.ends import SizeSystem
from optimizer.model.stock import StickRule, StockLength, sticks_of
from optimizer.program.cutting import CuttingProblem, full_patterns, solve_cutting
from optimizer.read.catalogs import load_catalog
from optimizer.read.stock_lengths import load_stick_rules
from optimizer.takeoff.cutting import UNIT_M, CutPlan, cut_sticks

KERF_M = 0.003175
TEN_FEET = StockLength(3.048, 790)
HOME_STORE = (StockLength(0.6096, 158), StockLength(1.524, 395), TEN_FEET)


def least_cents(lengths: Sequence[int], stock: Sequence[tuple[int, int]], owned: Sequence[int], kerf: int) -> int:
    """Enumerate: every way to give the longest waiting piece a stick with any of the others, in whole units."""

    @functools.cache
    def cheapest(waiting: tuple[int, ...], left: tuple[int, ...]) -> int:
        if not waiting:
            return 0
        first, rest = waiting[0], waiting[1:]
        best = 10**9
        for number in range(len(rest) + 1):
            for chosen in set(itertools.combinations(range(len(rest)), number)):
                load = first + sum(rest[i] for i in chosen) + kerf * number
                after = tuple(length for i, length in enumerate(rest) if i not in chosen)
                for length, cents in stock:
                    if load <= length:
                        best = min(best, cents + cheapest(after, left))
                for place, length in enumerate(left):
                    if load <= length:
                        best = min(best, cheapest(after, left[:place] + left[place + 1 :]))
        return best

    return cheapest(tuple(sorted(lengths, reverse=True)), tuple(sorted(owned)))


def random_case(seed: int) -> tuple[list[int], list[tuple[int, int]], list[int], int]:
    chance = random.Random(seed)
    pieces = [chance.randint(5, 60) for _ in range(chance.randint(1, 7))]
    stock = [(60, chance.randint(40, 60)), (chance.randint(61, 120), chance.randint(50, 110))]
    owned = [chance.randint(10, 70) for _ in range(chance.randint(0, 2))]
    return pieces, stock, owned, chance.choice([0, 1, 3])


@pytest.mark.parametrize("seed", range(25))
@pytest.mark.parametrize("most_patterns", [10_000, 0], ids=["patterns", "assignment"])
def test_the_cost_equals_the_best_by_enumeration(seed: int, most_patterns: int) -> None:
    pieces, stock, owned, kerf = random_case(seed)

    plan = cut_sticks(
        [piece / 100 for piece in pieces],
        [StockLength(length / 100, cents) for length, cents in stock],
        kerf / 100,
        [length / 100 for length in owned],
        most_patterns=most_patterns,
    )

    assert plan.cost_cents == least_cents(pieces, stock, owned, kerf)
    assert plan.proved


# "Cutting stock problem", Wikipedia: 13 widths from master rolls of 5600 mm, 407,160 mm in all. "There are 308 possible
# patterns for this small instance. The optimal answer requires 73 master rolls and has 0.401 % waste."
WIDTHS_MM = (1380, 1520, 1560, 1710, 1820, 1880, 1930, 2000, 2050, 2100, 2140, 2150, 2200)
WANTED = (22, 25, 12, 14, 18, 18, 20, 10, 12, 14, 16, 18, 20)


def test_the_paper_rolls_of_the_textbook_instance_need_73_masters() -> None:
    assert sum(w * n for w, n in zip(WIDTHS_MM, WANTED, strict=True)) == 407_160
    pieces = [w / 1000 for w, n in zip(WIDTHS_MM, WANTED, strict=True) for _ in range(n)]

    plan = cut_sticks(pieces, [StockLength(5.6, 1)], 0.0)

    assert len(plan.sticks) == plan.cost_cents == plan.bound_cents == 73
    assert sum(stick.offcut_m for stick in plan.sticks) / (73 * 5.6) == pytest.approx(0.00401, abs=5e-6)


def test_the_full_patterns_of_the_textbook_instance_hold_its_308_patterns() -> None:
    full = set(full_patterns(5600, WIDTHS_MM, WANTED, 0))

    within = {part for pattern in full for part in itertools.product(*(range(number + 1) for number in pattern))}
    assert len(within - {(0,) * len(WIDTHS_MM)}) == 308
    for pattern in full:
        room = 5600 - sum(width * number for width, number in zip(WIDTHS_MM, pattern, strict=True))
        assert 0 <= room < min(WIDTHS_MM)


def test_four_widths_from_rolls_of_a_hundred_need_453() -> None:
    # V. Chvátal, Linear Programming, 1983, chapter 13 (from memory: 45, 36, 31, 14; 97, 610, 395, 211; 452.25 by the
    # linear program, so 453 rolls).
    sizes, wanted = (45, 36, 31, 14), (97, 610, 395, 211)

    answer = solve_cutting(CuttingProblem(sizes, wanted, stock=((100, 1),)))

    assert (answer.cents, answer.bound_cents, len(answer.sticks)) == (453, 453, 453)


def check_conservation(plan: CutPlan, pieces_m: Sequence[float], kerf_m: float) -> None:
    cut = sorted(place for stick in plan.sticks for place in stick.cuts)
    assert cut == list(range(len(pieces_m))), "every piece once"
    for stick in plan.sticks:
        assert stick.pieces_m == tuple(pieces_m[place] for place in stick.cuts)
        assert sum(stick.pieces_m) + stick.saw_m + stick.offcut_m == pytest.approx(stick.length_m, abs=1e-12)
        cuts = len(stick.cuts)
        assert (cuts - 1) * kerf_m - UNIT_M <= stick.saw_m <= cuts * kerf_m + 1e-9
        assert stick.offcut_m >= 0
    assert sum(stick.price_cents for stick in plan.sticks) == plan.cost_cents
    assert sum(pieces_m) + sum(s.saw_m + s.offcut_m for s in plan.sticks) == pytest.approx(
        sum(stick.length_m for stick in plan.sticks), abs=1e-9
    )


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(0.02, 3.04), min_size=1, max_size=9),
    st.lists(st.floats(0.05, 2.0), max_size=3),
    st.floats(0.0, 0.006),
)
def test_pieces_saw_cuts_and_offcuts_are_as_long_as_the_sticks(
    pieces_m: list[float], owned_m: list[float], kerf_m: float
) -> None:
    plan = cut_sticks(pieces_m, HOME_STORE, kerf_m, owned_m)

    check_conservation(plan, pieces_m, kerf_m)
    owned = sorted(stick.length_m for stick in plan.sticks if stick.owned)
    left = sorted(owned_m)
    for length_m in owned:
        left.remove(length_m)  # raises when one is used twice
    assert plan.proved


def test_owned_pipe_is_used_first_and_costs_nothing() -> None:
    plan = cut_sticks([0.5, 0.4], [TEN_FEET], KERF_M, [0.95])

    assert plan.cost_cents == 0
    assert [(stick.owned, stick.cuts) for stick in plan.sticks] == [(True, (0, 1))]


def test_owned_pipe_saves_length_even_where_a_stick_must_be_bought() -> None:
    plan = cut_sticks([2.9, 0.1], [TEN_FEET], KERF_M, [0.2, 0.05])

    assert plan.cost_cents == 790
    assert plan.bought == ((3.048, 1),)


def test_pieces_that_end_flush_with_the_stick_need_one_cut_less() -> None:
    assert len(cut_sticks([0.5, 0.497], [StockLength(1.0, 100)], 0.003).sticks) == 1
    assert len(cut_sticks([0.5, 0.4971], [StockLength(1.0, 100)], 0.003).sticks) == 2


def test_short_sticks_are_bought_where_they_are_cheaper() -> None:
    assert cut_sticks([0.3], HOME_STORE, KERF_M).bought == ((0.6096, 1),)
    dear = (StockLength(0.6096, 900), TEN_FEET)
    assert cut_sticks([0.3], dear, KERF_M).bought == ((3.048, 1),)


def test_no_pieces_need_no_sticks() -> None:
    assert cut_sticks([], HOME_STORE, KERF_M) == CutPlan((), 0, 0)


@pytest.mark.parametrize(
    ("pieces_m", "words"),
    [
        (
            [1.0, 3.2],
            "a piece of 3.200 m is longer than the longest length that can be bought, 3.048 m: join two with a c",
        ),
        ([0.0], "a piece of pipe is 0.0 m long; it must be above 0"),
        ([float("nan")], "must be above 0"),
    ],
)
def test_a_piece_that_can_not_be_cut_is_refused(pieces_m: list[float], words: str) -> None:
    with pytest.raises(PlanError, match=words):
        cut_sticks(pieces_m, HOME_STORE, KERF_M)


def test_sticks_cost_what_their_length_costs_times_the_factor() -> None:
    catalog = load_catalog()
    pipe = catalog.pipe("sch 40 PVC", "1 in")  # $1.19 for 0.3048 m
    rules = (StickRule("here", SizeSystem.IPS, 3.048, 1.0, True), StickRule("here", SizeSystem.IPS, 1.524, 1.2, True))

    assert sticks_of(pipe, rules) == (StockLength(1.524, 714), StockLength(3.048, 1190))
    assert sticks_of(catalog.pipe("PVC-U PN16", "32 mm"), rules) == (StockLength(0.5, 149),)


def test_the_shipped_stick_lengths_are_those_of_the_trade() -> None:
    # 2, 5 and 10 ft, 2 to 3 m in small stores, 10 and 20 ft, 3 and 5 m at a merchant: common practice, no source
    rules = load_stick_rules()
    lengths = {(rule.store, rule.system, round(rule.length_m, 4)) for rule in rules}

    assert lengths == {
        *(("home center", SizeSystem.IPS, length) for length in (0.6096, 1.524, 3.048)),
        *(("home center", SizeSystem.METRIC, length) for length in (2.0, 2.5, 3.0)),
        *(("supply house", SizeSystem.IPS, length) for length in (3.048, 6.096)),
        *(("supply house", SizeSystem.METRIC, length) for length in (3.0, 5.0)),
    }
    assert {rule.system for rule in rules if rule.default} == {SizeSystem.IPS, SizeSystem.METRIC}


def test_every_fault_of_a_stick_table_is_named_by_row_and_column(tmp_path: Path) -> None:
    path = tmp_path / "sticks.csv"
    header = "store,size_system,length_m,price_factor,default,basis,note"
    path.write_text(f'{header}\nhere,inch,0,1,yes,estimate,\n,imperial,3,"1,5",maybe,guess,\n', encoding="utf-8")

    with pytest.raises(InputError) as caught:
        load_stick_rules(path)

    places = [fault.place for fault in caught.value.faults]
    assert "sticks.csv, row 2, column length_m" in places
    for column in ("store", "size_system", "price_factor", "default", "basis"):
        assert f"sticks.csv, row 3, column {column}" in places


def test_many_different_pieces_are_cut_within_a_stated_bound() -> None:
    chance = random.Random(3)
    pieces_m = [chance.randint(600, 15_000) / 10_000 for _ in range(18)]

    plan = cut_sticks(pieces_m, HOME_STORE, KERF_M)

    check_conservation(plan, pieces_m, KERF_M)
    assert plan.proved
