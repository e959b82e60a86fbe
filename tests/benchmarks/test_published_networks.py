"""Published least-cost networks, sized with proof. The slow ones: `pytest -m slow tests/benchmarks -k published -s`.

Costs on record stand in the data files with their sources. They hold for the constant 10.667 of the law.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from sizing.networks import NetworkSizing, SizedNetworks
from sizing.proof import SizedPlan, size_network
from sizing.walk import good_design

from optimizer.program.problem import Outcome

sys.path.insert(0, str(Path(__file__).parent))
from published_networks import published


def keeps_every_head(sizing: NetworkSizing, plan: SizedPlan) -> bool:
    networks = SizedNetworks(sizing)
    return bool(networks.solve(networks.row(plan.design)[None, :]).shortfall_m[0] <= 0.0)


@pytest.mark.parametrize(
    ("name", "cost", "slack_m"),
    [("two-loop", 419_000.00, 0.445), ("new-york-tunnels", 38_637_600.00, 0.0162), ("hanoi", 6_081_127.54, 0.0058)],
)
def test_the_design_on_record_keeps_its_heads_with_the_published_slack(name: str, cost: float, slack_m: float) -> None:
    sizing, best = published(name)
    networks = SizedNetworks(sizing)

    # costs are whole cents per pipe, so 34 roundings may add up
    assert sizing.cents(best) == pytest.approx(100.0 * cost, abs=20)
    assert -networks.solve(networks.row(best)[None, :]).shortfall_m[0] == pytest.approx(slack_m, abs=6e-4)


def test_many_designs_at_once_are_solved_as_each_one_alone() -> None:
    networks = SizedNetworks(published("new-york-tunnels")[0])
    designs = np.random.default_rng(0).integers(0, networks.counts, size=(20, len(networks.names)))
    together = networks.solve(designs)

    for row, heads in zip(designs, together.heads_m, strict=True):
        assert networks.solve(row[None, :]).heads_m[0] == pytest.approx(heads, abs=1e-7)


@pytest.mark.slow
def test_a_walk_finds_a_design_of_the_new_york_tunnels_near_the_record() -> None:
    sizing, best = published("new-york-tunnels")
    networks = SizedNetworks(sizing)

    found = good_design(networks, tries=1, steps=630)
    assert found is not None
    assert int(networks.cost(found)) <= 1.02 * sizing.cents(best)
    assert networks.solve(found[None, :]).shortfall_m[0] <= 0.0


@pytest.mark.long
def test_when_time_runs_out_the_plan_comes_with_its_bound_and_gap() -> None:
    sizing, _ = published("hanoi")

    plan = size_network(sizing, time_limit_s=3.0)
    assert plan.outcome is Outcome.FEASIBLE
    assert plan.cents is not None
    assert plan.bound_cents < plan.cents
    assert plan.gap == pytest.approx(1.0 - plan.bound_cents / plan.cents)
    assert keeps_every_head(sizing, plan)


@pytest.mark.slow
def test_the_two_loop_network_is_proved_at_its_published_cost() -> None:
    """Measured: 7 to 10 s on a busy machine of two cores. Run: pytest -m slow tests/benchmarks -k two_loop -s."""
    sizing, _ = published("two-loop")

    plan = size_network(sizing, time_limit_s=60.0, tell=print)
    assert plan.outcome is Outcome.OPTIMAL
    assert plan.cents == 419_000_00
    assert keeps_every_head(sizing, plan)


@pytest.mark.slow
def test_the_new_york_tunnels_are_proved_at_their_published_cost() -> None:
    """Measured: 46 s on a busy machine of two cores. Run: pytest -m slow tests/benchmarks -k new_york -s."""
    sizing, _ = published("new-york-tunnels")

    plan = size_network(sizing, time_limit_s=300.0, tell=print)
    assert plan.outcome is Outcome.OPTIMAL
    assert plan.cents == 38_637_600_00
    assert keeps_every_head(sizing, plan)


@pytest.mark.slow
def test_the_hanoi_network_gets_a_good_design_with_an_honest_bound() -> None:
    """Nobody is known to have the proof. Run: pytest -m slow tests/benchmarks -k hanoi -s (10 minutes).

    Measured in 590 s on a busy machine of two cores: 6,081,127.57, bound 5,831,165.32, gap 4.1 %.
    """
    sizing, best = published("hanoi")

    plan = size_network(sizing, time_limit_s=590.0, tell=print)
    print(plan)
    assert plan.cents is not None
    assert plan.cents <= 6_120_000_00
    assert plan.bound_cents <= sizing.cents(best)
    assert keeps_every_head(sizing, plan)
