"""The tables over flow and head give what the best of all combinations costs, each solved as a true network.

The enumeration and the network solution know nothing of tables, cells or boxes. Windows, splits, sums, backward flow,
check valves, valves, several speeds and packs are among the random cases (invented, see `flow_cases`).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from flow_cases import JOINED, SEVERAL, cheapest_of_all, choices_of, random_case

from optimizer.hydraulics import solve_network
from optimizer.program.head_tables import HeadTables
from optimizer.search.box_search import BoxSearch, search_of
from optimizer.search.box_tree import CELLS, TreeBuilder, shape_of
from optimizer.search.flow_posing import FlowCase, built_network, duties_of
from optimizer.verify.openings import settle

MANY = range(0, 400, 10)  # ten cases each, of which those that are trees are looked at


def trees(first: int, runs: int | None = None) -> list[int]:
    """Return which of ten cases are trees (with so many runs)."""
    return [seed for seed, case, cuts in shapes(first) if not cuts and runs in (None, len(case.network.runs))]


def rings(first: int) -> list[int]:
    """Return which of ten cases have a ring."""
    return [seed for seed, _, cuts in shapes(first) if cuts]


def shapes(first: int) -> Iterator[tuple[int, FlowCase, int]]:
    """Yield those of ten cases that tables are made for, with how many rings are cut open."""
    for seed in range(first, first + 10):
        case = random_case(seed)
        shape = shape_of(case)
        if shape is not None:
            yield seed, case, len(shape.cuts)


def check(case: FlowCase) -> None:
    search = search_of(case, time_limit_s=300.0)
    assert isinstance(search, BoxSearch)

    found = search.run()

    assert found.complete
    assert found.best_cents == cheapest_of_all(case)
    if found.best_cents is not None and not found.unproved:
        assert found.bound_cents == found.best_cents
    if found.best is not None:
        settled = settle(duties_of(case, found.best), case.conditions)
        assert settled is not None
        assert settled.met


@pytest.mark.parametrize("first", MANY)
def test_the_plan_of_a_tree_costs_what_the_best_combination_costs(first: int) -> None:
    for seed in trees(first):
        check(random_case(seed))


@pytest.mark.parametrize("first", range(0, 100, 10))
def test_the_plan_of_trees_from_several_sources_costs_what_the_best_combination_costs(first: int) -> None:
    """Lines with pumps of their own, lines that run down by gravity, sums and splits over all of them."""
    for case in (random_case(seed, SEVERAL) for seed in range(first, first + 10)):
        check(case)


@pytest.mark.parametrize("first", range(0, 100, 10))
def test_the_plan_of_sources_whose_waters_meet_costs_what_the_best_combination_costs(first: int) -> None:
    for case in (random_case(seed, JOINED) for seed in range(first, first + 10)):
        check(case)


def test_a_third_of_all_cases_are_trees() -> None:
    assert sum(len(trees(first)) for first in MANY) > 133


@pytest.mark.parametrize("first", range(0, 140, 10))
def test_no_true_flow_of_any_combination_is_outside_of_what_the_tables_enclose(first: int) -> None:
    """Around the flows that a network solution has, the tables know no combination's cost to be higher than it is."""
    for seed in trees(first, runs=3):
        enclosed(seed)


def enclosed(seed: int) -> None:
    case = random_case(seed)
    shape = shape_of(case)
    assert shape is not None
    builder = TreeBuilder(case, shape)
    rng = np.random.default_rng(seed)
    choices = choices_of(case)
    for at in rng.choice(len(choices), size=min(6, len(choices)), replace=False):
        choice = choices[at]
        flows = solve_network(built_network(case, choice, 0), case.conditions).flows_m3_s
        least = 1e-5 * rng.random(len(flows))
        box = {n: (q - a, q + 2e-5 - a) for (n, q), a in zip(flows.items(), least, strict=True)}
        ways = {name: [k] for name, k in zip(case.ways, choice.ways, strict=True)}
        fittings = {point: [k] for point, k in zip(case.tees, choice.tees, strict=True)}
        tree, widths_m = builder.tree(box, ways, fittings, case.modes[0].speeds, {})
        tables = HeadTables(tree, widths_m, float("inf"))

        assert len(tree.runs[shape.sources[0]].edges_m3_s) - 1 == CELLS
        plain = sum(case.ways[name][k].alternative.cents for name, (k,) in ways.items())
        plain += sum(case.tees[point][k].cents for point, (k,) in fittings.items())
        cheapest = min(sum(case.energy_cents.get(p, 0) for p in speeds.items()) for speeds in case.modes[0].speeds)
        assert tables.bound == pytest.approx(plain + cheapest)


def test_a_quarter_of_all_cases_have_a_ring() -> None:
    assert sum(len(rings(first)) for first in MANY) > 100


def test_trees_in_several_modes_are_among_the_cases() -> None:
    shared = [case for case in map(random_case, range(100)) if len(case.modes) > 1 and shape_of(case) is not None]
    assert len(shared) > 5
    assert all(isinstance(search_of(case), BoxSearch) for case in shared[:5])
