"""Trees of tees and crosses with reducing bores: every run's energy is added up again from the losses of its parts."""

import pytest
from independent import run_joints
from networks import random_manifold

from optimizer.hydraulics import (
    NetworkSolution,
    conditions_of,
    entrance_head_loss_m,
    exit_head_loss_m,
    part_head_loss_m,
    pump_head_m,
    solve_network,
    tee_head_losses_m,
)
from optimizer.model.catalog import CHECKS, Kind
from optimizer.model.network import Leg, Network, Run, RunEnd


def legs_in(network: Network, solution: NetworkSolution, point: str) -> dict[Leg, float]:
    return {
        leg: solution.flows_m3_s[one.name] * (-1.0 if at_start else 1.0)
        for one, leg, at_start in network.runs_at(point)
    }


def head_at(network: Network, solution: NetworkSolution, end: RunEnd) -> float:
    """Total head in the leg that a run sits in: that of the combined leg, more or less what the tee takes."""
    head = solution.heads_m[end.point]
    if end.leg is Leg.NONE:
        return head
    flows = legs_in(network, solution, end.point)
    loss = tee_head_losses_m(network.tees[end.point].item, flows, conditions_of(network))[end.leg]
    return head + loss if flows[end.leg] > 0.0 else head - loss


def loss_of(network: Network, one: Run, flow: float) -> float:
    conditions = conditions_of(network)
    total = sum(part_head_loss_m(part, flow, conditions) for part in one.parts)
    total += run_joints(network, one, flow)
    total -= sum(pump_head_m(network.pumps[part.name], flow) for part in one.parts if part.kind is Kind.PUMP)
    if network.points[one.start.point].is_fixed:
        first = one.parts[0]
        total += (entrance_head_loss_m if flow > 0.0 else exit_head_loss_m)(first, flow, conditions)
    if network.points[one.end.point].is_fixed:
        total += (exit_head_loss_m if flow > 0.0 else entrance_head_loss_m)(one.parts[-1], flow, conditions)
    return total


@pytest.mark.parametrize("n_runs", [3, 9, 17, 33])
@pytest.mark.parametrize("seed", range(12))
def test_heads_and_losses_of_every_run_add_up(seed: int, n_runs: int) -> None:
    network = random_manifold(seed, n_runs)
    solution = solve_network(network)
    for name, one in network.runs.items():
        flow = solution.flows_m3_s[name]
        drop = head_at(network, solution, one.start) - head_at(network, solution, one.end)
        if flow == 0.0 and any(part.kind in CHECKS for part in one.parts):
            assert drop < 1e-6
        else:
            assert drop == pytest.approx(loss_of(network, one, flow), abs=2e-6)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1000))
def test_manifolds_of_any_shape_close(seed: int) -> None:
    """Tees make losses that fall with flow, so a few of a thousand need another start; none may stay open."""
    solution = solve_network(random_manifold(seed, 3 + seed % 60))
    assert solution.energy_residual_m < 1e-6
    assert solution.mass_residual_m3_s < 1e-9


@pytest.mark.long
def test_nearly_all_manifolds_close_in_under_25_steps() -> None:
    steps = [solve_network(random_manifold(seed, 3 + seed % 40)).iterations for seed in range(100)]
    assert sum(count < 25 for count in steps) >= 98
