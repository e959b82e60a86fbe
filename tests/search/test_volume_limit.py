"""Where the runs may hold only so much water: nothing useful is dropped, and the optimum is that of enumeration."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import pytest
from brute_force import all_paths
from small_trees import random_tree, small_catalog

from optimizer.choices.alternatives import Alternative, AlternativeTable
from optimizer.choices.demands import known_flows
from optimizer.choices.graph import ChoiceGraph
from optimizer.choices.side_resources import Sides, water
from optimizer.hydraulics import conditions_of, part_head_loss_m
from optimizer.program.problem import Outcome, SizingProblem, cost_of, exceeded, excess_of
from optimizer.program.solve import solve_sizing
from optimizer.search.options import options_of
from optimizer.search.posing import pose
from optimizer.verify.drains import part_volume_m3

pytestmark = pytest.mark.usefixtures("whole_pipes")


@pytest.mark.parametrize("seed", range(3))
def test_every_way_to_plumb_a_run_is_matched_in_loss_cost_and_volume(seed: int) -> None:
    system = random_tree(seed, small_catalog())
    flows = known_flows(system).flows_m3_s
    options = options_of(system, small_catalog(), flows)
    conditions = conditions_of(system.network)
    name = "branch 1"

    def loss(part: object) -> float:
        return part_head_loss_m(part, flows[name], conditions)  # type: ignore[arg-type]

    def nothing(part: object) -> float:
        return 0.0

    graph = options.graphs[name]
    sides = Sides((water(1.0, part_volume_m3),))
    table = AlternativeTable(graph, options.packs, loss, nothing, nothing, sides=sides)
    found = table.table()
    seen = 0
    for (start, end), alternatives in found.items():
        for way in all_paths(graph, graph.starts[start], graph.ends[end]):
            parts = [part for arc in way for part in arc.parts]  # type: ignore[attr-defined]
            lost, held = sum(map(loss, parts)), sum(map(part_volume_m3, parts))
            prices = [table.price(arc) for arc in way]  # type: ignore[arg-type]
            cents, packs = sum(price for price, _ in prices), 0
            for _, bits in prices:
                packs |= bits
            seen += 1
            assert any(
                other.loss_m <= lost + 1e-9
                and other.used[0] <= 1e6 * held + 1 + 1e-3 * len(way)  # mL rounded up; each step to the µL
                and other.cents + opening(options.packs, other.packs & ~packs) <= cents
                for other in alternatives
            )
    assert seen > 100


def test_several_uses_are_carried_side_by_side_where_a_single_step_leads_on() -> None:
    system = random_tree(0, small_catalog())
    flows = known_flows(system).flows_m3_s
    options = options_of(system, small_catalog(), flows)
    conditions = conditions_of(system.network)

    def ways(graph: ChoiceGraph, count: int) -> list[Alternative]:
        sides = Sides((water(1.0, part_volume_m3, 1000, has_price=True),) * count)
        table = AlternativeTable(
            graph,
            (),
            lambda part: part_head_loss_m(part, flows["branch 1"], conditions),
            lambda part: 0.0,
            lambda part: 0.0,
            sides=sides,
        )
        return [way for found in table.table().values() for way in found]

    whole = options.graphs["branch 1"]
    only = {id(arc) for arc in ways(whole, 1)[0].arcs}  # one way, a single step from place to place
    graph = replace(whole, arcs=[[arc for arc in arcs if id(arc) in only] for arcs in whole.arcs])

    (one,), (three,) = ways(graph, 1), ways(graph, 3)

    assert one.used[0] > 0
    assert (three.cents, three.used) == (one.cents, one.used * 3)


def opening(packs: tuple[object, ...], bits: int) -> int:
    return sum(pack.cents for i, pack in enumerate(packs) if bits >> i & 1)  # type: ignore[attr-defined]


def best_by_enumeration(problem: SizingProblem) -> int | None:
    """Return the least cost over all combinations whose ends agree, that keep within every head and hold little."""
    best: int | None = None
    runs, tees = list(problem.runs), list(problem.tees)
    for fittings in product(*(range(len(problem.tees[tee])) for tee in tees)):
        chosen = dict(zip(tees, fittings, strict=True))
        wanted = {key: state for tee, k in chosen.items() for key, state in problem.tees[tee][k].states.items()}
        fits = [
            [
                k
                for k, choice in enumerate(problem.runs[run])
                if wanted.get((run, True), choice.start) == choice.start
                and wanted.get((run, False), choice.end) == choice.end
            ]
            for run in runs
        ]
        if math.prod(map(len, fits)) > 300_000:
            pytest.skip("too many combinations to enumerate")
        for picks in product(*fits):
            choice = dict(zip(runs, picks, strict=True))
            if not exceeded(problem, choice, chosen) and excess_of(problem, choice, chosen) <= 0:
                cents = cost_of(problem, choice, chosen)
                best = cents if best is None else min(best, cents)
    return best


@pytest.mark.parametrize("seed", [*range(2), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(2, 6))])
def test_the_optimum_within_a_volume_is_that_of_enumeration(seed: int) -> None:
    system = random_tree(seed, small_catalog(), bends=(0, 0))
    flows = known_flows(system)
    options = options_of(system, small_catalog(), flows.flows_m3_s)
    free = solve_sizing(pose(options, flows, 1.0).problem)
    wide = pose(options, flows, 1.0, most_volume_m3=1.0).problem
    held = [[choice.uses[0] for choice in choices] for choices in wide.runs.values()]
    least, greatest = sum(map(min, held)), sum(map(max, held))
    for share in (0.1, 0.25, 0.5, 1.0):
        most_ml = least + share * (greatest - least)
        problem = pose(options, flows, 1.0, most_volume_m3=most_ml / 1e6 + 1e-9).problem
        selection = solve_sizing(problem)

        assert selection.cents == best_by_enumeration(problem)
        assert selection.outcome in (Outcome.OPTIMAL, Outcome.INFEASIBLE)
    assert selection.cents == free.cents  # where volume does not matter it is the plan without the row
