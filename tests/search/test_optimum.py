"""The plan that the search calls optimal is the cheapest there is: against every combination, and between solvers."""

from __future__ import annotations

import pytest
from brute_force import cheapest_of_all
from small_trees import random_tree, small_catalog

from optimizer.choices.demands import known_flows
from optimizer.model.plan import Status
from optimizer.program.solve import SOLVERS, solve_sizing
from optimizer.search.cheapest import find_plan
from optimizer.search.options import options_of
from optimizer.search.posing import pose
from optimizer.verify.check import verify_plan

ROUNDING_M = 5e-5  # five terms on a path, each rounded up to 0.01 mm
pytestmark = pytest.mark.usefixtures("whole_pipes")


@pytest.mark.parametrize(
    "seed", [pytest.param(seed, marks=[] if seed % 4 == 0 else pytest.mark.slow) for seed in range(200)]
)
def test_the_optimum_equals_full_enumeration_on_a_small_tree(seed: int) -> None:
    # every path of every run's choice graph, with every tee: reducers, cut-in couplings, a valve per branch
    system = random_tree(seed, small_catalog())
    flows = known_flows(system)
    options = options_of(system, small_catalog(), flows.flows_m3_s)
    loose, tight = cheapest_of_all(options, flows, (0.0, ROUNDING_M))

    plan = find_plan(system, small_catalog()).plan

    assert plan.status is (Status.INFEASIBLE if tight is None else Status.OPTIMAL)
    posed = pose(options, flows, system.network.pumps[flows.pump].speed)
    assert solve_sizing(posed.problem).cents in (loose, tight)  # by the length of pipe used
    if plan.found:
        assert verify_plan(system, plan).passed


@pytest.mark.parametrize("seed", range(1000, 1020))
def test_every_offered_solver_finds_the_same_cost_on_a_larger_tree(seed: int) -> None:
    sizes = ("3/4 in", "1 in", "1-1/4 in")
    catalog = small_catalog(sizes)
    system = random_tree(seed, catalog, branches=5, bends=(1, 4), sizes=sizes)
    flows = known_flows(system)
    posed = pose(options_of(system, catalog, flows.flows_m3_s), flows, 1.0)

    answers = [solve_sizing(posed.problem, solver=solver) for solver in SOLVERS]
    whole = solve_sizing(posed.problem)

    assert len({(answer.outcome, answer.cents) for answer in [*answers, whole]}) == 1
