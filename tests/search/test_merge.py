"""The merged tables of a tree hold the program's optimum at every head."""

from __future__ import annotations

import inspect
import random
import sys
from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise, product

import pytest
from small_trees import random_tree, small_catalog

from optimizer.choices.demands import known_flows
from optimizer.program.merge import EfficientSelection, MergedTables, efficient_selections
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


def _dice_tree(seed: int) -> SizingProblem:
    """Return a line that parts twice, all of it thrown by dice; some packs are opened in some of its runs only."""
    dice = random.Random(seed)
    opened = {"line": (0, 1), "left": (0, 2), "on": (0,), "up": (0, 2), "down": (0, 4)}

    def choices(run: str) -> tuple[RunChoice, ...]:
        end = (0, 1) if run in ("line", "on") else (0,)
        several = [(s, e) for s in (0, 1) for e in end] * (2 if run in ("line", "left") else 1)
        few = range(30)
        return tuple(RunChoice(*one, dice.choice(few), dice.choice(few), dice.choice(opened[run])) for one in several)

    def fittings(into: str, *out: str) -> tuple[TeeChoice, ...]:
        ends = [(into, False), *((run, True) for run in out)]
        states = ({end: dice.randint(0, 1) for end in ends} for _ in range(4))
        return tuple(TeeChoice(dice.randint(0, 9), one, {end: dice.randint(0, 3) for end in ends}) for one in states)

    def path(*runs: str) -> Path:
        tees = zip(("first", "second"), runs, runs[1:], strict=False)
        ends = tuple(end for tee, a, b in tees for end in ((tee, a, False), (tee, b, True)))
        return Path(runs[-1], runs, ends, dice.randint(60, 70))

    return SizingProblem(
        {run: choices(run) for run in opened},
        {"first": fittings("line", "left", "on"), "second": fittings("on", "up", "down")},
        (path("line", "left"), path("line", "on", "up"), path("line", "on", "down")),
        (7, 5, 11),
    )


def _told(found: Iterable[EfficientSelection]) -> list[tuple[int, int]]:
    return [(each.cents, each.need) for each in found]


def _of_all(problem: SizingProblem) -> list[tuple[int, int]]:
    """Return (cost, need) of what nothing beats among all choices, one by one."""
    best = max(path.head for path in problem.paths)
    every = []
    for runs in product(*(range(len(found)) for found in problem.runs.values())):
        for tees in product(*(range(len(found)) for found in problem.tees.values())):
            one = dict(zip(problem.runs, runs, strict=True)), dict(zip(problem.tees, tees, strict=True))
            ends = [(end, state) for t, k in one[1].items() for end, state in problem.tees[t][k].states.items()]
            if all(_state(problem.runs[run][one[0][run]], at) == state for (run, at), state in ends):
                every.append((cost_of(problem, *one), best + excess_of(problem, *one)))
    stairs = sorted(every)
    return [one for i, one in enumerate(stairs) if all(one[1] < other[1] for other in stairs[:i])]


def _state(choice: RunChoice, at_start: bool) -> int:
    return choice.start if at_start else choice.end


@pytest.mark.parametrize("seed", range(3))
def test_tables_that_have_parts_in_common_are_those_of_all_choices_one_by_one(seed: int) -> None:
    problem = _dice_tree(seed)
    assert _told(efficient_selections(problem)) == _of_all(problem)


@pytest.mark.parametrize("run", ["line", "left", "on", "down"])
def test_tables_told_again_with_other_ways_of_a_run_are_those_made_anew(run: str) -> None:
    problem, other = _dice_tree(5), _dice_tree(6)
    tables = MergedTables(problem)
    tables.selections()

    changed = replace(problem, runs={**problem.runs, run: other.runs[run]})

    assert _told(tables.told_again(changed, run).selections()) == _told(MergedTables(changed).selections())
    assert _told(MergedTables(changed).selections()) != _told(tables.selections())
