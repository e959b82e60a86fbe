"""The merged tables of a tree hold the program's optimum at every head."""

from __future__ import annotations

import inspect
import sys
from dataclasses import replace
from itertools import pairwise

import pytest
from small_trees import random_tree, small_catalog

from optimizer.choices.demands import known_flows
from optimizer.program.merge import EfficientSelection, efficient_selections
from optimizer.program.problem import Path, RunChoice, SizingProblem, TeeChoice, cost_of, excess_of
from optimizer.program.solve import solve_sizing
from optimizer.search.options import options_of
from optimizer.search.posing import pose


def _problem(seed: int) -> SizingProblem:
    catalog = small_catalog(("3/4 in", "1 in", "1-1/4 in"))
    system = random_tree(seed, catalog, branches=4, bends=(1, 3), sizes=("3/4 in", "1 in", "1-1/4 in"))
    flows = known_flows(system)
    return pose(options_of(system, catalog, flows.flows_m3_s), flows, 1.0, bounded=False).problem


def _at_need(problem: SizingProblem, need: int) -> SizingProblem:
    """Return the problem with the source's head at `need` loss units: every path's head moves by the same."""
    best = max(path.head for path in problem.paths)
    return replace(problem, paths=tuple(replace(path, head=path.head - best + need) for path in problem.paths))


@pytest.mark.long
@pytest.mark.parametrize("seed", [0, 1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(2, 5))])
def test_each_efficient_selection_is_the_optimum_at_its_head_and_nothing_is_cheaper_just_below(seed: int) -> None:
    problem = _problem(seed)
    found = efficient_selections(problem)
    picked: list[EfficientSelection] = [found[0], found[len(found) // 2], found[-1]]

    for selection in picked:
        there = _at_need(problem, selection.need)
        assert cost_of(problem, selection.run_choice, selection.tee_choice) == selection.cents
        assert excess_of(there, selection.run_choice, selection.tee_choice) == 0
        assert solve_sizing(there).cents == selection.cents
    for cheaper, dearer in pairwise(found[:4]):
        assert solve_sizing(_at_need(problem, cheaper.need - 1)).cents == dearer.cents


def test_a_manifold_of_very_many_tees_is_merged_without_deep_recursion() -> None:
    # every run costs 1 cent without a loss or nothing with a loss of 1; the last outlet sees all links
    tees = 200
    both = (RunChoice(0, 0, 1, 0), RunChoice(0, 0, 0, 1))
    runs = {f"link {i}": both for i in range(tees + 1)} | {f"out {i}": (RunChoice(0, 0, 0, 0),) for i in range(tees)}
    fittings = {
        f"tee {i}": (
            TeeChoice(
                0,
                {(f"link {i}", False): 0, (f"link {i + 1}", True): 0, (f"out {i}", True): 0},
                {(f"link {i}", False): 0, (f"link {i + 1}", True): 0, (f"out {i}", True): 0},
            ),
        )
        for i in range(tees)
    }
    links = [f"link {i}" for i in range(tees + 1)]
    paths = tuple(Path(f"out {i}", (*links[: i + 1], f"out {i}"), (), tees) for i in range(tees))
    last = Path(links[-1], tuple(links), (), tees)

    usual = sys.getrecursionlimit()
    sys.setrecursionlimit(len(inspect.stack()) + 100)  # half of what a frame for each tee would need
    try:
        found = efficient_selections(SizingProblem(runs, fittings, (*paths, last)), 10)
    finally:
        sys.setrecursionlimit(usual)

    assert [(each.cents, each.need) for each in found] == [(tees + 1 - need, need) for need in range(10, -1, -1)]
    assert sum(found[0].run_choice[name] == 1 for name in links) == 10
