"""At most so many saw cuts: the optimum is that of full enumeration, whichever way it is found."""

from __future__ import annotations

from dataclasses import replace

import pytest
from brute_force import all_paths, cheapest_of_all
from flow_cases import choices_of, random_case, with_cuts
from said import said
from small_trees import random_tree, small_catalog
from test_unknown_flow_plans import bare

from optimizer.choices.alternatives import AlternativeTable
from optimizer.choices.both_ends import Weighing, ranged_alternatives
from optimizer.choices.demands import known_flows
from optimizer.choices.effort import Effort
from optimizer.choices.graph import Arc
from optimizer.choices.loss_basis import arc_rows
from optimizer.choices.side_resources import Sides, saw_cuts
from optimizer.choices.velocity import NO_LIMITS
from optimizer.hydraulics import conditions_of
from optimizer.model.network import Part
from optimizer.model.plan import Status
from optimizer.model.system import System
from optimizer.pipeline import search
from optimizer.program.merge import all_carried, efficient_selections
from optimizer.program.problem import exceeded
from optimizer.program.solve import SOLVERS, solve_sizing
from optimizer.search.cheapest import find_plan
from optimizer.search.flow_posing import FlowCase, cents_of, duties_of
from optimizer.search.flow_search import FlowSearch
from optimizer.search.options import options_of
from optimizer.search.posing import pose
from optimizer.search.unknown_flows import find_unknown
from optimizer.verify.check import verify_plan
from optimizer.verify.openings import settle

ROUNDING_M = 5e-5  # five terms on a path, each rounded up to 0.01 mm

pytestmark = pytest.mark.usefixtures("whole_pipes")


def allowed(system: System, most_cuts: int | None) -> System:
    return replace(system, rules=replace(system.rules, most_cuts=most_cuts))


def check_known_flows(seed: int) -> None:
    system = random_tree(seed, small_catalog())
    flows = known_flows(system)
    options = options_of(system, small_catalog(), flows.flows_m3_s)
    free = find_plan(system, small_catalog()).plan

    for most in range(free.cuts + 1 if free.found else 2):
        loose, tight = cheapest_of_all(options, flows, (0.0, ROUNDING_M), most)
        plan = find_plan(allowed(system, most), small_catalog()).plan

        assert plan.status is (Status.INFEASIBLE if tight is None else Status.OPTIMAL)
        few = options_of(allowed(system, most), small_catalog(), flows.flows_m3_s)
        posed = pose(few, flows, system.network.pumps[flows.pump].speed)
        assert solve_sizing(posed.problem).cents in (loose, tight)  # by the length of pipe used
        assert plan.cuts <= most
        if plan.found:
            assert verify_plan(system, plan).passed


@pytest.mark.parametrize("seed", [300, 301, 302, 303, 304, 305, 307, 308])
def test_the_optimum_within_a_number_of_cuts_equals_full_enumeration(seed: int) -> None:
    check_known_flows(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(306, 400))
def test_the_optimum_within_a_number_of_cuts_equals_full_enumeration_on_many_more_trees(seed: int) -> None:
    check_known_flows(seed)


def cheapest_with_cuts(case: FlowCase, most: int) -> int | None:
    """Return the least cost of a combination within so many cuts that stands as a true network."""
    for choice in sorted(choices_of(case), key=lambda each: cents_of(case, each)):
        cuts = sum(case.ways[name][k].alternative.used[0] for name, k in zip(case.ways, choice.ways, strict=True))
        settled = settle(duties_of(case, choice), case.conditions) if cuts <= most else None
        if settled is not None and settled.met:
            return cents_of(case, choice)
    return None


def check_unknown_flows(seed: int) -> None:
    for most in (0, 1, 3):
        case = with_cuts(random_case(seed), seed, most)

        found = FlowSearch(case, time_limit_s=300.0).run()

        assert found.complete
        assert found.best_cents == cheapest_with_cuts(case, most)


@pytest.mark.parametrize("seed", [27, 36, 48, 53, 61, 72])
def test_where_flows_are_unknown_the_optimum_within_a_number_of_cuts_is_that_of_all_combinations(seed: int) -> None:
    check_unknown_flows(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(25, 75))
def test_where_flows_are_unknown_it_is_that_of_all_combinations_in_many_more_cases(seed: int) -> None:
    check_unknown_flows(seed)


@pytest.mark.parametrize("seed", [1100, 1103])
def test_tables_solvers_and_the_plain_program_agree_within_a_number_of_cuts(seed: int) -> None:
    sizes = ("3/4 in", "1 in", "1-1/4 in")
    catalog = small_catalog(sizes)
    system = random_tree(seed, catalog, branches=4, bends=(1, 3), sizes=sizes)
    flows = known_flows(system)

    for most in (0, 1, 2, 4):
        posed = pose(options_of(allowed(system, most), catalog, flows.flows_m3_s), flows, 1.0)
        head = max(path.head for path in posed.problem.paths)
        merged = [found for found in efficient_selections(posed.problem, head) if found.need <= head]
        whole = solve_sizing(posed.problem)
        answers = [whole, *(solve_sizing(posed.problem, solver=solver) for solver in SOLVERS)]

        assert all_carried(posed.problem)
        assert {answer.cents for answer in answers} == {merged[0].cents if merged else None}
        assert not any(exceeded(posed.problem, each.run_choice, each.tee_choice) for each in answers if each.cents)


@pytest.mark.parametrize("seed", [1, 4])
def test_with_the_cuts_of_the_cheapest_plan_unknown_flows_get_it_and_with_fewer_a_dearer_one(seed: int) -> None:
    system = bare(seed)
    free = find_unknown(system, small_catalog()).plan
    assert free.cuts > 0

    same = find_unknown(allowed(system, free.cuts), small_catalog()).plan
    fewer = find_unknown(allowed(system, free.cuts - 1), small_catalog()).plan

    assert same.material_cents == free.material_cents
    assert fewer.status in (Status.OPTIMAL, Status.INFEASIBLE)
    assert fewer.cuts < free.cuts
    if fewer.material_cents is not None:
        assert fewer.material_cents >= (free.material_cents or 0)


def test_every_way_over_a_range_of_flow_is_matched_in_loss_cost_and_cuts() -> None:
    system = random_tree(2, small_catalog(), bends=(1, 1))
    network = system.network
    options = options_of(system, small_catalog(), network.runs)
    low, high, name = 1e-4, 3e-4, "branch 1"
    graph = options.graphs[name]
    (rows,) = arc_rows(network.runs[name], [graph], network, conditions_of(network), NO_LIMITS)
    weighing = Weighing(options.packs, Effort(), low, high, sides=Sides((saw_cuts(99),)))
    pricing = AlternativeTable(graph, options.packs, no_loss, no_loss, no_loss)
    found = ranged_alternatives(graph, rows, weighing)
    losses = [rows.loss_of(flow) for flow in (low, high)]

    def weights(arcs: tuple[Arc, ...]) -> tuple[float, ...]:
        prices = [pricing.price(arc) for arc in arcs]
        packs = 0
        for _, bits in prices:
            packs |= bits
        cents = sum(price for price, _ in prices) + sum(p.cents for i, p in enumerate(options.packs) if packs >> i & 1)
        return (*(sum(map(loss, arcs)) for loss in losses), cents, sum(arc.cuts for arc in arcs))

    best: dict[object, list[tuple[float, ...]]] = {}
    for way in found:
        best.setdefault((way.start, way.end), []).append(weights(way.arcs))
    seen = 0
    for start, node in graph.starts.items():
        for end, goal in graph.ends.items():
            for arcs in all_paths(graph, node, goal):
                mine = weights(arcs)
                seen += 1
                assert any(all(a <= b + 1e-9 for a, b in zip(other, mine, strict=True)) for other in best[start, end])
    assert seen > 100
    assert {way.used for way in found} == {(sum(arc.cuts for arc in way.arcs),) for way in found}


def no_loss(_: Part) -> float:
    return 0.0


def test_a_plan_that_the_cuts_forbid_is_told_with_the_cuts_that_would_free_it() -> None:
    system = random_tree(303, small_catalog())
    free = find_plan(system, small_catalog()).plan
    strict = allowed(system, 0)
    assert free.cuts > 0

    told = search(strict, small_catalog())

    assert told.status is Status.INFEASIBLE
    assert any("no saw cut" in reason for reason in said(told.reasons))
    assert any("more saw cut" in reason and "saw cuts: at most" in reason for reason in said(told.reasons))
