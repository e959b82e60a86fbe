"""How fast networks are solved: python -m pytest tests/benchmarks -m slow --benchmark-enable."""

import sys
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "hydraulics"))
from networks import random_network

from optimizer.hydraulics import solve_network
from optimizer.hydraulics.calibration import calibrate
from optimizer.hydraulics.uncertainty import uncertainty
from optimizer.model.network import Network
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system


def sixty_parts() -> Network:
    """Runs enough to hold some 60 parts, a loop among them."""
    return random_network(7, 15, share_of_loops=0.1)


def test_a_network_of_sixty_parts_takes_under_5_ms(benchmark: Any) -> None:
    plumbing = sixty_parts()
    assert sum(len(run.parts) for run in plumbing.runs.values()) >= 45
    solution = benchmark(solve_network, plumbing)
    assert solution.energy_residual_m < 1e-6
    if benchmark.enabled:
        assert benchmark.stats.stats.median < 0.005


@pytest.mark.slow
@pytest.mark.parametrize(("n_runs", "seconds"), [(250, 0.1), (1000, 0.3), (4000, 1.2)])
def test_large_networks_take_time_in_proportion(benchmark: Any, n_runs: int, seconds: float) -> None:
    plumbing = random_network(3, n_runs, share_of_loops=0.1)
    solve_network(plumbing)  # loads what is loaded once
    solution = benchmark(solve_network, plumbing)
    assert solution.iterations < 25
    if benchmark.enabled:
        assert benchmark.stats.stats.median < seconds


def test_the_bands_of_a_manifold_take_under_40_ms(benchmark: Any) -> None:
    system = load_system(data_directory("examples") / "cellar-sump.yaml", load_catalog())
    solve_network(system.network)  # loads what is loaded once
    found = benchmark(uncertainty, system.network)
    assert len(found.flows_m3_s) == 256
    if benchmark.enabled:
        assert benchmark.stats.stats.min < 0.040  # the least: others may be at work


@pytest.mark.slow
def test_fitting_two_readings_takes_about_a_second(benchmark: Any) -> None:
    system = load_system(data_directory("examples") / "measured-return.yaml", load_catalog())
    report = benchmark(calibrate, system.network, system.measured)
    assert report.best is not None
    if benchmark.enabled:
        assert benchmark.stats.stats.median < 1.0
