"""What a plan costs at least through one alternative: against the program with nothing else left to choose there."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from small_trees import random_tree, small_catalog
from unknown_systems import branches, catalog

from optimizer.choices.demands import known_flows
from optimizer.program.merge import efficient_selections
from optimizer.program.problem import SizingProblem
from optimizer.program.solve import solve_sizing
from optimizer.program.through import is_tree, rest_costs, through_costs
from optimizer.search.flow_bound import QuickBound, reduced
from optimizer.search.flow_case import Limit, case_of, material_of, prepare
from optimizer.search.flow_posing import Way
from optimizer.search.flow_tightening import free_box
from optimizer.search.options import options_of
from optimizer.search.posing import pose

SIZES = ("3/4 in", "1 in", "1-1/4 in")
_CENTS = 1e-6


def tight_problem(seed: int) -> SizingProblem:
    """Return a tree with head for a selection halfway between the cheapest and the lowest-loss one."""
    system = random_tree(seed, small_catalog(SIZES), branches=3, bends=(1, 2), sizes=SIZES)
    flows = known_flows(system)
    problem = pose(options_of(system, small_catalog(SIZES), flows.flows_m3_s), flows, 1.0, bounded=False).problem
    found = efficient_selections(problem)
    need, best = found[len(found) // 2].need, max(path.head for path in problem.paths)
    return replace(problem, paths=tuple(replace(path, head=path.head - best + need) for path in problem.paths))


def cheapest_with(problem: SizingProblem, run: str, k: int) -> float:
    solved = solve_sizing(replace(problem, runs={**problem.runs, run: (problem.runs[run][k],)}))
    return math.inf if solved.cents is None else solved.cents


@pytest.mark.long
@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(1, 6))])
def test_the_cost_through_an_alternative_is_the_programs_optimum_with_it(seed: int) -> None:
    problem = tight_problem(seed)
    assert is_tree(problem)
    costs, left = through_costs(problem), rest_costs(problem)
    assert costs is not None
    dice = random.Random(seed)

    for run, choices in problem.runs.items():
        for k in dice.sample(range(len(choices)), min(2, len(choices))):
            cheapest = cheapest_with(problem, run, k)
            assert costs.runs[run][k] == pytest.approx(cheapest, abs=_CENTS)
            assert choices[k].cents + left[run].least(choices[k].loss) <= cheapest + _CENTS


@pytest.mark.parametrize(
    "targets", ["  left: at least 1100 L/h\n  right: at least 900 L/h", "  right: 900 to 1000 L/h"]
)
def test_a_limit_leaves_every_way_that_a_plan_within_it_can_have(targets: str) -> None:
    system = branches(targets)
    basic = prepare(material_of(system, catalog(), lossy=False, slots=False))
    assert basic is not None
    free = free_box(basic.case)
    assert free is not None
    material = material_of(system, catalog(), basic.options)
    whole = case_of(material, free)
    costs = reduced(whole, free)
    assert costs is not None
    most = costs.bound + 300.0  # of the ways some can be in so cheap a plan, some not

    quick = QuickBound(basic.case, free)
    limited = case_of(material, free, Limit(most, quick.rests(most), quick.low_m3_s))

    kept, needed = costs.useful(most)[0], 0
    for run, ways in whole.ways.items():
        known = {told_of(way) for way in limited.ways[run]}
        needed += len(kept[run])
        assert {told_of(ways[k]) for k in kept[run]} <= known
    assert needed <= sum(map(len, limited.ways.values())) < sum(map(len, whole.ways.values()))


def told_of(way: Way) -> tuple[object, ...]:
    """Return what a way costs and loses, from which state to which: it may be told by another graph of the run."""
    one = way.alternative
    return one.start, one.end, one.cents, one.packs, *(f"{law:.6g}" for law in one.row)
