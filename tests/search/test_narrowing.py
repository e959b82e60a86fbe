"""What the merged tables leave to the program: enough to be contradicted by it, and nothing that costs less is lost."""

from __future__ import annotations

from dataclasses import replace

import pytest
from small_trees import random_tree, small_catalog

from optimizer.choices.demands import known_flows
from optimizer.program.merge import MergedTables, greatest_head
from optimizer.program.problem import SizingProblem
from optimizer.program.solve import solve_sizing
from optimizer.program.through import through_costs
from optimizer.search.options import options_of
from optimizer.search.posing import pose

SIZES = ("3/4 in", "1 in", "1-1/4 in")


def problem_of(seed: int) -> SizingProblem:
    catalog = small_catalog(SIZES)
    system = random_tree(seed, catalog, branches=3, bends=(1, 2), sizes=SIZES)
    flows = known_flows(system)
    return pose(options_of(system, catalog, flows.flows_m3_s), flows, 1.0, bounded=False).problem


def at_head(problem: SizingProblem, head: int, shifts: tuple[int, ...] = ()) -> SizingProblem:
    """Return the problem with the best path's head at so many loss units, and single paths moved by a few more."""
    less = greatest_head(problem) - head
    moves = (*shifts, *(0 for _ in problem.paths[len(shifts) :]))
    paths = [replace(path, head=path.head - less + move) for path, move in zip(problem.paths, moves, strict=True)]
    return replace(problem, paths=tuple(paths))


def halfway(seed: int) -> tuple[SizingProblem, int]:
    """Return a problem with head for a plan halfway between the cheapest and the lowest-loss, and what that costs."""
    problem = problem_of(seed)
    found = MergedTables(problem).selections()
    there = found[len(found) // 2]
    return at_head(problem, there.need), there.cents


@pytest.mark.parametrize("shifts", [(0, 1), *(pytest.param(shifts, marks=pytest.mark.slow) for shifts in ((), (-1,)))])
def test_tables_made_for_much_head_serve_less_of_it(shifts: tuple[int, ...]) -> None:
    # heads are rounded down at every speed by themselves, so paths may come to differ by a loss unit
    problem = problem_of(3)
    known = MergedTables(problem)
    needs = [found.need for found in known.selections()]

    for need in (needs[0], needs[len(needs) // 2], needs[-1] - 1):
        there = at_head(problem, need, shifts)
        head = greatest_head(there)
        ours = next((found.cents for found in known.at(there).selections() if found.need <= head), None)
        assert ours == solve_sizing(there).cents
        assert known.at(there) is known or shifts


def test_a_cost_limit_leaves_the_costs_below_it_as_they_are() -> None:
    problem, cents = halfway(4)
    whole = through_costs(problem)
    assert whole is not None
    assert whole.bound == cents
    most = int(1.2 * cents)

    limited = through_costs(problem, most_cents=most)

    assert limited is not None
    kept, known = limited.useful(most), whole.useful(most)
    assert kept == known
    assert 0 < sum(map(len, kept[0].values())) < sum(map(len, problem.runs.values()))
    for run, indices in kept[0].items():
        assert [limited.runs[run][k] for k in indices] == [whole.runs[run][k] for k in indices]
