"""All sensible chains, held against every row of at most two pieces in plain pipe, laid end to end here."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import cache

import pytest
from own_bores import Bored, joints_m

from optimizer.hydraulics.fittings import square_of_item
from optimizer.joints import all_chains
from optimizer.joints.all_chains import AllChains
from optimizer.joints.chains import Chain, EndGraph, new_part
from optimizer.joints.efficient import EfficientChains, Need
from optimizer.joints.mating import mating
from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import Part
from optimizer.read.catalogs import load_catalog

JOINING = (Kind.COUPLING, Kind.REDUCING_COUPLING, Kind.BUSHING)
SIZES = ("3/4 in", "1 in", "1-1/4 in")
Row = tuple[Part, ...]


@cache
def shop() -> Catalog:
    catalog = load_catalog()
    return replace(catalog, items={key: item for key, item in catalog.items.items() if is_plain(item)})


def is_plain(item: CatalogItem) -> bool:
    ends = {(end.form in (Form.SOCKET, Form.SPIGOT), end.system, end.size in SIZES) for end in item.ends}
    return item.kind in JOINING and ends == {(True, SizeSystem.IPS, True)}


def lost(part: Part) -> tuple[float, float, float]:
    assert part.item is not None
    return 0.0, square_of_item(part.item), 0.0


def of_rows(start: End, goal: End, reach_m: float) -> list[Row]:
    """Return every row that joins two ends and is as long as it has to be, a stub of pipe any length."""
    parts = [new_part(item, turned) for item in shop().items.values() for turned in (False, True)]
    able = []
    for row in ((), *((part,) for part in parts), *itertools.product(parts, repeat=2)):
        ends = [start, *(end for part in row for end in part.ends), goal]
        joints = [mating(*ends[i : i + 2]) for i in range(0, len(ends), 2)]
        length_m = sum(sum(part.item.take_outs_m) for part in row if part.item is not None)
        methods = [joint.method for joint in joints if joint is not None]
        if len(methods) == len(joints) and ("stub" in methods or length_m >= reach_m) and is_wide(row, start, goal):
            able.append(row)
    return able


def is_wide(row: Row, start: End, goal: End) -> bool:
    least = min(SIZES.index(start.size), SIZES.index(goal.size))
    return all(SIZES.index(end.size) >= least for part in row for end in part.ends)


def told(row: Row) -> tuple[tuple[str, bool], ...]:
    return tuple((part.item.item_id, part.ends[0] != part.item.ends[0]) for part in row if part.item is not None)


def sensible(start: End, goal: End, reach_m: float) -> list[Row]:
    """Return the rows of which no piece could be left out, and that come back to no size where another does not."""
    able = of_rows(start, goal, reach_m)
    straight = [row for row in able if not comes_back(start, row, goal)]
    known = {told(row) for row in able}
    fewer = {row: ((),) if len(row) == 1 else ((), told(row[:1]), told(row[1:])) for row in able if row}
    return [row for row in straight or able if known.isdisjoint(fewer.get(row, ()))]


def comes_back(start: End, row: Row, goal: End) -> bool:
    sizes = [end.size for end in (start, *(end for part in row for end in part.ends), goal)]
    changes = sum(size != after for size, after in itertools.pairwise(sizes))
    return changes + 1 > len(set(sizes))


def weighed(row: Row) -> tuple[int, float]:
    bored = [Bored(*part.end_bores_m) for part in row]
    cents = sum(part.item.price_cents for part in row if part.item is not None)
    return cents, sum(lost(part)[1] for part in row) + joints_m(bored, 1.0, 0.0, None)


@pytest.mark.long
@pytest.mark.parametrize("many", [100, 0])
def test_all_sensible_rows_are_told_or_those_that_lose_least_and_most(
    many: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(all_chains, "_MANY", many)
    ends = [End(form, size, SizeSystem.IPS) for form in (Form.SOCKET, Form.SPIGOT) for size in SIZES]
    chains, more = AllChains(EndGraph(shop()), lost), 0
    for start, goal, reach_m in itertools.product(ends, ends, (0.0, 0.03)):
        useful = sensible(start, goal, reach_m)
        found = [chain.pieces for chain in chains.between(start, goal, Need(reach_m))]

        assert {told(row) for row in found} <= {told(row) for row in useful}
        assert not many or len(found) == len({told(row) for row in useful})
        for cents, loss in map(weighed, useful):
            assert any(price <= cents and most >= loss * (1 - 1e-9) for price, most in map(weighed, found))
            assert any(price <= cents and least <= loss * (1 + 1e-9) for price, least in map(weighed, found))
        more += len(found)
    assert more > len(ends) ** 2  # so that there was something to choose from
    assert chains.thinned is not bool(many)


def test_a_row_that_is_dearer_and_loses_more_is_among_them_alone() -> None:
    # Onto a pipe that was sawn off, a reducing coupling reaches; a coupling with a bushing in it costs and loses more.
    ends, need = (End(Form.SOCKET, "1 in", SizeSystem.IPS), End(Form.SPIGOT, "3/4 in", SizeSystem.IPS)), Need(0.03)

    def kinds(found: tuple[Chain, ...]) -> set[tuple[Kind, ...]]:
        return {tuple(piece.kind for piece in chain.pieces) for chain in found}

    little = kinds(EfficientChains(EndGraph(shop()), lost).between(*ends, need))
    every = kinds(AllChains(EndGraph(shop()), lost).between(*ends, need))

    assert (Kind.REDUCING_COUPLING,) in little & every
    assert (Kind.COUPLING, Kind.BUSHING) in every - little
