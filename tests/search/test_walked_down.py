"""A first plan where water can go round: it stands, and no run can take a cheaper way; each looked at as a network."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from unknown_systems import catalog, ring

from optimizer.hydraulics import solve_network
from optimizer.search.flow_case import material_of, prepare
from optimizer.search.flow_descent import balanced, efficient_between
from optimizer.search.flow_first import FirstPlans
from optimizer.search.flow_posing import Choice, FlowCase, built_network, cents_of

TARGETS = {"left": 1600.0, "right": 1000.0}


def share(case: FlowCase, choice: Choice) -> float:
    """Return how much of its least flow the run has that is farthest from it."""
    flows = solve_network(built_network(case, choice, 0)).flows_m3_s
    return min(3.6e6 * flows[name] / least for name, least in TARGETS.items())


@pytest.fixture(scope="module")
def first() -> FirstPlans:
    system = ring("".join(f"  {name}: at least {least} L/h\n" for name, least in TARGETS.items()))
    prepared = prepare(material_of(system, catalog(), lossy=False, slots=False))
    assert prepared is not None
    found = FirstPlans(prepared.case, math.inf)
    found.search()
    return found


@pytest.mark.long
def test_it_stands_and_costs_less_than_what_loses_least(first: FirstPlans) -> None:
    assert first.best is not None
    assert share(first.case, first.best) >= 1.0 - 1e-6
    stood = [cents_of(first.case, choice) for choice, found in first.tried.items() if found is not None and found.met]
    assert cents_of(first.case, first.best) == min(stood) < max(stood)


@pytest.mark.long
def test_no_run_alone_can_take_a_cheaper_way(first: FirstPlans) -> None:
    case, best = first.case, first.best
    assert best is not None
    flows = solve_network(built_network(case, best, 0)).flows_m3_s
    looked_at = 0
    for i, name in enumerate(case.ways):
        for k in efficient_between(case, name, best.ways[i], flows[name]):
            other = replace(best, ways=(*best.ways[:i], k, *best.ways[i + 1 :]))
            assert share(case, other) < 1.0
            looked_at += 1
    assert looked_at > 0


@pytest.mark.long
def test_where_all_runs_pay_alike_for_loss_it_stands_and_costs_no_more(first: FirstPlans) -> None:
    stood = [choice for choice, found in first.tried.items() if found is not None and found.met]
    even = {
        choice: balanced(first.case, choice, first._flows_that_stand, lambda: False)
        for choice in sorted(stood, key=lambda choice: -cents_of(first.case, choice))[:3]
    }

    assert all(share(first.case, choice) >= 1.0 - 1e-6 for choice in even.values())
    cheaper = [cents_of(first.case, start) - cents_of(first.case, choice) for start, choice in even.items()]
    assert min(cheaper) >= 0 < max(cheaper)
