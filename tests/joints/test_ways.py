"""Chains between ends: efficient sets against brute force, legality of every joint, reasons where there is no way."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator
from dataclasses import replace
from functools import cache

import pytest
from own_bores import Bored, joints_m

from optimizer.hydraulics import Conditions, part_head_loss_m
from optimizer.hydraulics.water import fluid_of
from optimizer.joints.chains import MOST_PIECES, STUB_CLEARANCE_M, Chain, EndGraph, hose_piece, new_part
from optimizer.joints.efficient import EfficientChains
from optimizer.joints.labels import Label, Labels
from optimizer.joints.mating import material_refusal, mating, piece_refusals
from optimizer.joints.ways import Way, WayFinder, ways, why_no_way
from optimizer.model.catalog import Catalog, Kind, LossMethod
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import Part, Water
from optimizer.read.catalogs import load_catalog
from optimizer.read.columns import parse_end

FLOW_M3_S = 3.2e-4
JOINING = (
    *(Kind.COUPLING, Kind.REDUCING_COUPLING, Kind.BUSHING, Kind.ADAPTER, Kind.NIPPLE, Kind.UNION),
    *(Kind.HOSE, Kind.TUBE),
)


@cache
def catalog() -> Catalog:
    return load_catalog()


@cache
def loss_m(item_id: str, reverse: bool) -> float:
    conditions = Conditions(fluid_of(Water(35.0, 25.0)), {})
    item = catalog().items[item_id]
    part = hose_piece(item) if item.kind in (Kind.HOSE, Kind.TUBE) else new_part(item, reverse)
    return part_head_loss_m(part, FLOW_M3_S, conditions)


def loss_of(part: Part) -> float:
    assert part.item is not None
    return loss_m(part.item.item_id, part.reverse)


@cache
def all_ends() -> tuple[End, ...]:
    return tuple(sorted({end for item in catalog().items.values() for end in item.ends}))


def sample(count: int, seed: int) -> list[End]:
    return random.Random(seed).sample(all_ends(), count)


# Brute force: every row of at most three pieces is laid end to end, with nothing left out, and judged afterwards.
Judged = tuple[int, float, int, float, bool, frozenset[str]]


@cache
def onto() -> dict[End, list[Part]]:
    found: dict[End, list[Part]] = {}
    for item in catalog().of_kind(*JOINING):
        if item.kind in (Kind.HOSE, Kind.TUBE):
            parts = [hose_piece(item)] if item.ends[0].form in (Form.HOSE, Form.TUBE) else []
        else:
            parts = [new_part(item), new_part(item, reverse=True)]
        for part in parts:
            for form in Form:
                end = End(form, part.ends[0].size, part.ends[0].system)
                if mating(end, part.ends[0]) is not None:
                    found.setdefault(end, []).append(part)
    return found


def rows_of_pieces(start: End, pieces: tuple[Part, ...] = ()) -> Iterator[tuple[Part, ...]]:
    yield pieces
    if len(pieces) < 3:
        for part in onto().get(pieces[-1].ends[1] if pieces else start, []):
            yield from rows_of_pieces(start, (*pieces, part))


@cache
def usual_bore(end: End) -> float:
    """Return the widest bore of a piece with such an end; of a pipe or a pump where no piece has one."""
    rows = [
        (item.kind in (Kind.PIPE, Kind.HOSE, Kind.TUBE, Kind.PUMP), bore)
        for item in catalog().items.values()
        for other, bore in zip(item.ends, item.end_bores_m, strict=True)
        if other == end
    ]
    pieces = [bore for is_pipe, bore in rows if not is_pipe]
    return max(pieces or [bore for _, bore in rows])


def judged(start: End, pieces: tuple[Part, ...], goal: End) -> Judged | None:
    ends = [start, *(end for piece in pieces for end in piece.ends), goal]
    materials = ["", *(piece.item.material for piece in pieces for _ in (0, 1) if piece.item), ""]
    bored = [Bored(*piece.end_bores_m, piece.length_m) for piece in pieces]
    head = joints_m(bored, FLOW_M3_S, usual_bore(start), usual_bore(goal) or None)
    cents, joints, length, unbolts, faults = 0, 0, 0.0, False, set()
    for i in range(0, len(ends), 2):
        joint = mating(ends[i], ends[i + 1])
        if joint is None:
            return None
        joints += 2 if joint.method == "stub" else 1
        length += STUB_CLEARANCE_M if joint.method == "stub" else 0.0
        unbolts |= joint.method in ("clamp", "push", "swivel", "sleeve")
        faults |= {material_refusal(ends[i], materials[i], ends[i + 1], materials[i + 1])} - {""}
    for piece in pieces:
        assert piece.item is not None
        cents += piece.item.price_cents
        head += loss_of(piece)
        joints += piece.kind is Kind.UNION
        unbolts |= piece.kind is Kind.UNION
        length += piece.length_m or sum(piece.item.take_outs_m)
        faults |= set(piece_refusals(piece.item))
    return cents, round(head, 9), joints, round(length, 9), unbolts, frozenset(faults)


def front(found: set[Judged]) -> set[Judged]:
    def beaten(one: Judged) -> bool:
        return any(
            other != one
            and other[5] == one[5]
            and all(a <= b for a, b in zip(other[:4], one[:4], strict=True))
            and other[4] >= one[4]
            for other in found
        )

    return {one for one in found if not beaten(one)}


def as_judged(label: Label) -> Judged:
    return label.cents, round(label.loss_m, 9), label.joints, round(label.length_m, 9), label.unbolts, label.faults


def compare_with_brute_force(starts: list[End], goals: list[End]) -> int:
    labels = Labels(EndGraph(catalog(), hoses=True, refused=True), loss_of, FLOW_M3_S**2)
    compared = 0
    for start in starts:
        found: dict[End, set[Judged]] = {goal: set() for goal in goals}
        by_place = {(goal.size, goal.system): [] for goal in goals}
        for goal in goals:
            by_place[(goal.size, goal.system)].append(goal)
        for pieces in rows_of_pieces(start):
            far = pieces[-1].ends[1] if pieces else start
            for goal in by_place.get((far.size, far.system), []):
                one = judged(start, pieces, goal)
                if one is not None:
                    found[goal].add(one)
        for goal in goals:
            assert {as_judged(label) for label in labels.between(start, goal)} == front(found[goal]), (start, goal)
            compared += bool(found[goal])
    return compared


@pytest.mark.long
def test_the_efficient_ways_equal_brute_force_on_a_sample_of_pairs() -> None:
    # Ends with few neighbours keep the count of rows small; all pairs are compared in the slow test.
    starts = [parse_end("1/4 in barb"), parse_end("3/8 in tube"), parse_end("3 in socket"), parse_end("25 mm spigot")]

    assert compare_with_brute_force(starts, sample(24, seed=4)) > 12


@pytest.mark.slow
def test_the_efficient_ways_equal_brute_force_on_all_pairs_up_to_three_pieces() -> None:
    assert compare_with_brute_force(list(all_ends()), list(all_ends())) > 3000


def way_finder() -> WayFinder:
    return WayFinder(EndGraph(catalog(), hoses=True, refused=True), loss_of, FLOW_M3_S)


def check_legal(way: Way, start: End, goal: End) -> None:
    ends = [start, *(end for piece in way.pieces for end in piece.ends), goal]
    materials = ["", *(piece.item.material for piece in way.pieces for _ in (0, 1) if piece.item), ""]
    for i in range(0, len(ends), 2):
        assert mating(ends[i], ends[i + 1]) is not None
        assert not (ends[i].form.is_npt and ends[i + 1].form.is_bsp)
        assert not (ends[i].form.is_bsp and ends[i + 1].form.is_npt)
        if way.allowed:
            assert not material_refusal(ends[i], materials[i], ends[i + 1], materials[i + 1])
    assert not way.allowed or all(piece.item is not None and piece.item.reef_safe for piece in way.pieces)


def check_pairs(starts: list[End], goals: list[End]) -> tuple[int, int]:
    finder, found, none = way_finder(), 0, 0
    end_graph = EndGraph(catalog(), allow_unsafe_metals=True, max_pieces=MOST_PIECES, hoses=True, refused=True)
    for start, goal in itertools.product(starts, goals):
        offered = finder.between(start, goal)
        for way in offered:
            check_legal(way, start, goal)
        why = end_graph.why_no_way(start, goal)
        assert bool(offered) == (not why), (start, goal)
        assert any(way.allowed for way in offered) or why or all(way.why_not for way in offered)
        found, none = found + bool(offered), none + bool(why)
    return found, none


@pytest.mark.long
def test_each_pair_of_ends_has_a_legal_way_or_a_stated_reason() -> None:
    found, none = check_pairs(sample(3, seed=7), list(all_ends()))

    assert found > 30
    assert none > 30


@pytest.mark.slow
def test_all_pairs_of_ends_have_a_legal_way_or_a_stated_reason() -> None:
    check_pairs(list(all_ends()), list(all_ends()))


def test_a_bsp_sensor_comes_into_an_inch_line_by_adapter_by_union_and_by_bushing() -> None:
    start, goal = parse_end("3/4 in BSPP male"), parse_end("3/4 in socket")
    offered = ways(start, goal, catalog(), flow_m3_s=FLOW_M3_S, measure=loss_of)
    kinds = [tuple(piece.kind for piece in way.pieces) for way in offered if way.allowed]

    assert (Kind.ADAPTER,) in kinds
    assert (Kind.UNION,) in kinds
    assert next(way for way in offered if "price" in way.best).pieces[0].ends[0] == parse_end("3/4 in BSPP female")
    service = next(way for way in offered if "serviceability" in way.best)
    assert service.unbolts
    least = next(way for way in offered if "loss" in way.best)
    assert all(least.loss_m <= way.loss_m for way in offered if way.allowed)  # type: ignore[operator]


def test_brass_is_shown_as_not_allowed_with_the_reason_and_allowed_on_request() -> None:
    start, goal = parse_end("3/4 in BSPP male"), parse_end("3/4 in NPT female")
    offered = ways(start, goal, catalog())
    brass = [way for way in offered if "brass" in way.materials]

    assert brass
    assert not any(way.allowed for way in brass)
    assert any("brass in salt water" in why for way in brass for why in way.why_not)
    assert offered.index(brass[0]) > max(i for i, way in enumerate(offered) if way.allowed)
    # Into a plastic female (what a goal counts as) its taper male is refused all the same.
    still = ways(start, goal, catalog(), allow_unsafe_metals=True)
    assert all("taper male of brass" in why for way in still if "brass" in way.materials for why in way.why_not)


@pytest.mark.long
def test_a_pressure_above_the_rating_refuses_the_piece_with_the_reason() -> None:
    start, goal = parse_end("1 in spigot"), parse_end("1 in NPT female")
    calm, hard = ways(start, goal, catalog()), ways(start, goal, catalog(), pressure_pa=50e5)

    assert any(way.allowed for way in calm)
    assert hard
    assert all(any("pressure rating" in why for why in way.why_not) for way in hard)


def test_a_joint_that_fits_by_itself_is_a_way_of_no_pieces() -> None:
    first = ways(parse_end("1 in socket"), parse_end("1 in spigot"), catalog())[0]

    assert first.pieces == ()
    assert [joint.sealing for joint in first.joints] == ["cement"]
    assert (first.price_cents, first.leak_points, first.unbolts) == (0, 1, False)


def test_a_barb_is_left_by_a_piece_of_hose() -> None:
    offered = ways(parse_end("1/2 in barb"), parse_end("1/2 in spigot"), catalog())

    assert offered
    assert all(way.pieces[0].kind is Kind.HOSE for way in offered)
    assert all(way.unbolts for way in offered)


@pytest.mark.parametrize(
    ("start", "goal", "words"),
    [
        ("1/4 in barb", "75 mm socket", "pieces or more"),
        ("4/6 mm barb", "3 in socket", "pieces or more"),
    ],
)
def test_where_there_is_no_way_the_reason_is_stated(start: str, goal: str, words: str) -> None:
    assert ways(parse_end(start), parse_end(goal), catalog()) == ()
    assert words in why_no_way(parse_end(start), parse_end(goal), catalog())


def test_the_words_of_a_joint_name_its_standard_and_what_seals_it() -> None:
    offered = ways(parse_end("1 in BSPP male"), parse_end("32 mm spigot"), catalog())
    direct = next(way for way in offered if len(way.pieces) == 1 and way.pieces[0].kind is Kind.ADAPTER)

    assert [(joint.sealing, joint.standard) for joint in direct.joints] == [
        ("flat washer", "ISO 228-1"),
        ("cement", ""),
    ]


def test_the_other_way_round_the_same_pieces_stand_in_the_other_order() -> None:
    start, goal = parse_end("1 in BSPP male"), parse_end("1 in spigot")

    def seen(offered: tuple[Way, ...], turn: int) -> set[tuple[int, tuple[Kind, ...]]]:
        return {(way.price_cents, tuple(piece.kind for piece in way.pieces)[::turn]) for way in offered}

    # Without a loss to tell directions apart both searches weigh the same things; kinds may differ between equals.
    there, back = ways(start, goal, catalog()), ways(goal, start, catalog())
    assert {price for price, _ in seen(there, 1)} == {price for price, _ in seen(back, -1)}


# The chains that the choice graph takes: one measure of loss for all flows, so two numbers a piece, and its water.


def measured(part: Part) -> tuple[float, float, float]:
    assert part.item is not None
    if part.item.loss.method in (LossMethod.THREE_K, LossMethod.TWO_K):
        return part.item.loss.coefficients[0], loss_of(part), 0.0
    return 0.0, loss_of(part), 0.0


def square(chain: Chain) -> float:
    """Return what a chain loses at 1 m³/s between neighbours whose bores are not known [m]."""
    bored = [Bored(*piece.end_bores_m) for piece in chain.pieces]
    return sum(measured(piece)[1] for piece in chain.pieces) + joints_m(bored, 1.0, 0.0, None)


@pytest.mark.long
def test_the_choice_graphs_chains_are_just_as_cheap_as_the_cheapest_of_all() -> None:
    efficient = EfficientChains(EndGraph(catalog()), measured)
    everything = EndGraph(catalog())
    starts = [parse_end(text) for text in ("3/4 in BSPP male", "1 in NPT female", "1/2 in NPT male", "1 in BSPT male")]
    goals = [End(Form.SPIGOT, size, SizeSystem.IPS) for size in ("1/2 in", "3/4 in", "1 in", "1-1/4 in")]
    for start, goal in itertools.product(starts, goals):
        both = (SizeSystem.IPS, SizeSystem.THREAD)
        rows = [
            chain
            for chain in everything.chains(start, goal)
            if all(end.system in both for piece in chain.pieces for end in piece.ends)
        ]
        inches = min(map(inches_of, (start, goal)))
        rows = [row for row in rows if all(inches_of(end) >= inches for piece in row.pieces for end in piece.ends)]
        chains = efficient.between(start, goal)

        assert min(chain.price_cents for chain in chains) == min(chain.price_cents for chain in rows)
        assert min(map(square, chains)) <= min(map(square, rows)) + 1e-12


def inches_of(end: End) -> float:
    whole, _, rest = end.size.removesuffix(" in").rpartition("-")
    upper, _, lower = rest.partition("/")
    return float(whole or 0) + float(upper) / float(lower or 1)


@pytest.mark.parametrize(
    ("start", "goal", "never"),
    [  # common practice, no source: a line is not necked down to be joined; 25 mm PVC-U stands beside 3/4 in.
        ("3/4 in NPT male", "3/4 in spigot", "1/2 in"),
        ("1 in BSPP male", "3/4 in spigot", "1/2 in"),
        ("3/4 in NPT male", "25 mm spigot", "20 mm"),
        ("3/4 in NPT male", "25 mm spigot", "1/2 in"),
    ],
)
def test_no_chain_goes_through_a_smaller_size_than_both_ends(start: str, goal: str, never: str) -> None:
    ends = parse_end(start), parse_end(goal)
    every = EndGraph(catalog()).chains(*ends)
    chains = EfficientChains(EndGraph(catalog()), measured).between(*ends)

    assert chains
    assert any(end.size == never for chain in every for piece in chain.pieces for end in piece.ends)
    assert not any(end.size == never for chain in chains for piece in chain.pieces for end in piece.ends)


def sizes_of(row: Chain) -> set[str]:
    """Return the sizes of a row of pieces for inch pipe and threads; none where others are among them."""
    ends = [end for piece in row.pieces for end in piece.ends]
    return {end.size for end in ends} if all(e.system in (SizeSystem.IPS, SizeSystem.THREAD) for e in ends) else set()


def test_what_nothing_wider_joins_is_joined_by_what_is_narrower() -> None:
    ends = parse_end("3/4 in NPT male"), parse_end("3/4 in spigot")
    narrow = next(row for row in EndGraph(catalog()).chains(*ends) if sizes_of(row) == {"1/2 in", "3/4 in"})
    items = {piece.item.item_id: piece.item for piece in narrow.pieces if piece.item is not None}
    few = EfficientChains(EndGraph(replace(catalog(), items=items)), measured)

    assert [chain.pieces for chain in few.between(*ends)] == [narrow.pieces]
    assert few.least_cents(*ends) == narrow.price_cents


def test_the_least_price_is_that_of_the_cheapest_chain() -> None:
    efficient = EfficientChains(EndGraph(catalog()), measured)
    by_price = EfficientChains(EndGraph(catalog()), None)
    joined = 0
    for start in sample(5, 11):
        for goal in sample(12, 12):
            found = efficient.between(start, goal)
            assert by_price.least_cents(start, goal) == min((chain.price_cents for chain in found), default=None)
            joined += bool(found)
    assert joined >= 10


def test_a_graph_that_allows_brass_still_keeps_metal_tapers_out_of_plastic() -> None:
    end_graph = EndGraph(catalog(), allow_unsafe_metals=True)
    for start, goal in itertools.product(sample(8, seed=2), sample(8, seed=3)):
        for chain in end_graph.chains(start, goal, 2):
            ends = [start, *(end for piece in chain.pieces for end in piece.ends), goal]
            materials = ["", *(piece.item.material for piece in chain.pieces for _ in (0, 1) if piece.item), ""]
            for i in range(0, len(ends), 2):
                assert not material_refusal(ends[i], materials[i], ends[i + 1], materials[i + 1])


def test_the_end_graph_is_a_networkx_graph_with_a_piece_on_every_arc() -> None:
    graph = EndGraph(catalog(), hoses=True).graph

    assert graph.number_of_nodes() > 100
    for _, far, part in graph.edges(data="part"):
        assert part.ends[1] == far
