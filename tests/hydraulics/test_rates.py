"""How flows move with a throttle: the rates of the solution against differences of two solutions."""

import numpy as np
import pytest
from networks import random_manifold, random_network

from optimizer.hydraulics import Variation, compile_network, solve_flows, solve_flows_and_rates
from optimizer.model.network import Network

# beyond this many unknowns the equations are factorized as a sparse matrix, so both ways are met
SIZES = (3, 9, 33, 120)


def check(network: Network) -> None:
    compiled = compile_network(network)
    count = len(compiled.run_names)
    runs = np.arange(0, count, max(1, count // 5))
    start = solve_flows(compiled, Variation(added_square_s2_m5=np.full(count, 1e5)))
    flows, rates = solve_flows_and_rates(compiled, Variation(added_square_s2_m5=np.full(count, 1e5)), runs, start)
    for column, run in enumerate(runs):
        step = np.zeros(count)
        step[run] = 1.0  # s²/m⁵, of 1e5: central differences are good to about 1e-9 of the flow per step
        more = solve_flows(compiled, Variation(added_square_s2_m5=1e5 + step), flows)
        less = solve_flows(compiled, Variation(added_square_s2_m5=1e5 - step), flows)
        scale = max(float(np.abs(rates[:, column]).max()), 1e-12)
        assert rates[:, column] == pytest.approx((more - less) / 2.0, rel=1e-3, abs=2e-3 * scale + 1e-13)


@pytest.mark.long
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("seed", [*range(1), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(1, 3))])
def test_rates_of_a_manifold_are_those_of_two_solutions_side_by_side(seed: int, size: int) -> None:
    check(random_manifold(seed, size))


@pytest.mark.parametrize("seed", range(4))
def test_rates_of_a_network_with_loops_are_those_of_two_solutions_side_by_side(seed: int) -> None:
    check(random_network(seed, 12))
