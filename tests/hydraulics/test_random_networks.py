import math

import independent
import pytest
from networks import random_network

from optimizer.hydraulics import compile_network, fluid_of, solve_flows, solve_network


def agree(seed: int) -> None:
    """Flows within 1e-6 of the second solution; runs that carry next to nothing, within 1e-6 of the typical flow.

    Compared are the bare equations, pumps going on past the last points of their curves as both solutions have it.
    """
    network = random_network(seed)
    solution = solve_network(network)
    nu = fluid_of(network.water).kinematic_viscosity_m2_s
    flows = dict(zip(network.runs, solve_flows(compile_network(network)).tolist(), strict=True))
    off = {name: 1.2 * flow + 1e-5 for name, flow in flows.items()}
    other = independent.solve(network, nu, off if len(network.runs) > 20 else None)
    typical = math.sqrt(sum(flow**2 for flow in other.values()) / len(other))
    for name, flow in other.items():
        assert flows[name] == pytest.approx(flow, rel=1e-6, abs=1e-6 * typical), (seed, name)
    assert solution.iterations < 25
    assert solution.mass_residual_m3_s < 1e-9
    assert solution.energy_residual_m < 1e-6


# Truth: scipy.optimize on loop equations written for the test, friction by the fluids library. Up to 20 runs it starts
# cold; in larger networks it starts a fifth off the flows under test, for a cold start would fail it or take minutes.
@pytest.mark.filterwarnings("ignore:overflow encountered:RuntimeWarning")  # inside the fluids library
@pytest.mark.parametrize("seed", [pytest.param(n, marks=() if n < 10 else pytest.mark.slow) for n in range(40)])
def test_flows_agree_with_an_independent_solution(seed: int) -> None:
    agree(seed)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:overflow encountered:RuntimeWarning")
@pytest.mark.parametrize("seed", range(40, 540))
def test_flows_agree_with_an_independent_solution_on_500_more(seed: int) -> None:
    agree(seed)


@pytest.mark.parametrize("n_runs", [5, 20, 60, *(pytest.param(many, marks=pytest.mark.slow) for many in (200, 600))])
def test_networks_of_any_size_close_in_under_25_steps(n_runs: int) -> None:
    for seed in range(10):
        solution = solve_network(random_network(1000 + seed, n_runs))
        assert solution.iterations < 25
        assert solution.energy_residual_m < 1e-6
        assert solution.mass_residual_m3_s < 1e-9
