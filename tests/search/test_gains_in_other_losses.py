"""Does what a plan gains hang on one handbook? Each bought piece is taken back, and stepped one size, alone: by 3-K and
by a size table.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from small_trees import random_tree, small_catalog

from optimizer.errors import NetworkError
from optimizer.hydraulics import solve_network
from optimizer.hydraulics.uncertainty import uncertainty
from optimizer.joints.chains import new_part
from optimizer.model.catalog import Catalog, CatalogItem, Kind, LossData, LossMethod
from optimizer.model.network import Network, Part, Point, PointKind, Run, RunEnd, Water
from optimizer.model.plan import Plan, planned_network
from optimizer.read.catalogs import load_catalog
from optimizer.search.cheapest import find_plan
from optimizer.verify.check import verify_plan
from optimizer.verify.settings import with_openings

# Rishel, HVAC Pump Handbook, ch. 3, Tables 3.8-3.12, by size; read in a public copy. Its 45 stands for the 45, its long
# radius for the sweep.
TABLE = Path(__file__).parents[1] / "reference" / "fitting-losses.csv"
_WORDS = {
    Kind.ELBOW: "elbow 90 regular screwed",
    Kind.SWEEP_ELBOW: "elbow 90 long-radius screwed",
    Kind.ELBOW_45: "elbow 45 regular screwed",
    Kind.BALL_VALVE: "ball valve",
    Kind.GATE_VALVE: "gate valve screwed",
}
SIZES = ("3/4 in", "1 in", "1-1/4 in")
_NOTHING = 1e-4  # of the flow: less is what rounding of lengths and sizes does


@cache
def handbook() -> dict[tuple[str, str], float]:
    found = {}
    with TABLE.open(encoding="utf-8") as file:
        for row in csv.reader(file):
            if row and row[0] == "handbook_size_table" and ", " in row[1]:
                name, size = row[1].rsplit(", ", 1)
                found[name, size] = next(float(cell) for cell in row[2:] if cell.replace(".", "", 1).isdigit())
    return found


def other_loss(item: CatalogItem) -> CatalogItem:
    """Return a row with the loss that the size table has for it; its own where the table has none."""
    word = _WORDS.get(item.kind)
    k = handbook().get((word, item.ends[0].size)) if word else None
    if k is None:
        return item
    return replace(item, loss=LossData(LossMethod.K, (k,), min(item.end_bores_m), "size table"))


def by_the_table(network: Network) -> Network:
    runs = {
        name: replace(run, parts=tuple(replace(p, item=other_loss(p.item)) if p.item else p for p in run.parts))
        for name, run in network.runs.items()
    }
    return network.with_runs(runs)


def taken_back(network: Network, plan: Plan) -> Iterator[tuple[str, Part, Network]]:
    """Yield (run, new part, the plumbing with the old one back) for each new part in the place of another."""
    for name, planned in plan.runs.items():
        waiting = list(planned.removed)
        for index, part in enumerate(planned.parts):
            if part.existing or part.item is None:
                continue
            old = next((one for one in waiting if one.kind is part.kind and one.ends != part.ends), None)
            if old is None:
                continue
            waiting.remove(old)
            parts = list(network.runs[name].parts)
            parts[index] = replace(old, length_m=part.length_m, opening=parts[index].opening)
            yield name, part, network.with_runs({name: replace(network.runs[name], parts=tuple(parts))})


def stepped(network: Network, plan: Plan, catalog: Catalog) -> Iterator[tuple[str, Part, Network]]:
    """Yield (run, new part, the plumbing with it one size nearer to what stood) for each new part of one size.

    Where that is the old part itself it is taken back already.
    """
    for name, planned in plan.runs.items():
        old = {(part.kind, part.ends) for part in planned.removed}
        stood = SIZES.index(network.runs[name].size)
        for index, part in enumerate(planned.parts):
            sizes = {end.size for end in part.ends}
            if part.existing or part.item is None or len(sizes) != 1 or not sizes <= set(SIZES):
                continue
            at = SIZES.index(*sizes)
            ends = tuple(replace(end, size=SIZES[at + (stood > at) - (stood < at)]) for end in part.item.ends)
            rows = [one for one in catalog.of_kind(part.kind) if one.ends == ends and one.family == part.item.family]
            if at == stood or not rows or (part.kind, new_part(rows[0]).ends) in old:
                continue
            parts = list(network.runs[name].parts)
            parts[index] = replace(new_part(rows[0], part.reverse, part.length_m), opening=parts[index].opening)
            yield name, part, network.with_runs({name: replace(network.runs[name], parts=tuple(parts))})


def gains(seed: int) -> Iterator[tuple[int, str, str, float, float]]:
    """Yield (seed, run, piece, gain by 3-K, gain by the table) of each piece, as shares of the run's flow."""
    catalog = small_catalog(SIZES)
    system = random_tree(seed, catalog, branches=2, bends=(1, 3), sizes=SIZES)
    plan = find_plan(system, catalog).plan
    if not plan.found:
        return
    valves = verify_plan(system, plan).valves
    network = with_openings(planned_network(system.network, plan), valves)
    whole = solve_network(network).flows_m3_s, solve_network(by_the_table(network)).flows_m3_s
    for run, part, without in (*taken_back(network, plan), *stepped(network, plan, catalog)):
        try:
            left = solve_network(without).flows_m3_s, solve_network(by_the_table(without)).flows_m3_s
        except NetworkError:
            continue
        gained = [1.0 - one[run] / all_of_it[run] for one, all_of_it in zip(left, whole, strict=True)]
        if abs(gained[0]) > _NOTHING:
            yield seed, run, part.words, gained[0], gained[1]


def opposed(seeds: range) -> tuple[int, int, list[tuple[int, str, str, float, float]]]:
    """Return how many plans bought pieces that matter, how many changes there are, and those of another sign."""
    plans, pieces, found = 0, 0, []
    for seed in seeds:
        of_this = list(gains(seed))
        plans += bool(of_this)
        pieces += len(of_this)
        found += [one for one in of_this if one[3] * one[4] <= 0.0]
    return plans, pieces, found


@pytest.mark.long
def test_what_a_few_plans_gain_is_a_gain_by_another_handbook_too() -> None:
    plans, pieces, found = opposed(range(5000, 5006))

    assert plans >= 4
    assert pieces >= 10
    assert not found


@pytest.mark.slow
def test_what_300_plans_gain_is_a_gain_by_another_handbook_too() -> None:
    # 5 in 100 of another sign would still do, each with its reason; there are none to be listed
    plans, pieces, found = opposed(range(5000, 5400))

    assert plans >= 300
    assert pieces >= 2000
    assert not found


@pytest.mark.parametrize("size", ["050", "150"])
def test_the_spread_of_elbows_reaches_as_far_as_the_other_handbook(size: str) -> None:
    # Between families of published losses an elbow differs by a factor of two: the table, for screwed iron, is the
    # highest. In 3 to 20 of 100 cases a line of elbows carries less than by the table: it lies in 19 of 20, at an end.
    rows = load_catalog().items
    elbow, straight = rows[f"sch40-elbow-{size}"], rows[f"sch40-pipe-{size}"]
    pieces = (new_part(elbow), new_part(straight, False, 20 * elbow.end_bores_m[0]))
    points = {name: Point(name, PointKind.SUPPLY, head_m, 0.0) for name, head_m in (("high", 1.0), ("low", 0.0))}
    line = Run("line", RunEnd("high"), RunEnd("low"), "1 in", "sch 40 PVC", pieces * 8)
    network = Network(points, {"line": line}, {}, {}, {}, Water(35.0, 25.0))

    by_table = solve_network(by_the_table(network)).flows_m3_s["line"]
    less = float((uncertainty(network, samples=1000).flows_m3_s < by_table).mean())

    assert 0.025 < less < 0.20
