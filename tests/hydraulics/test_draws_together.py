"""Draws solved together as arrays are those solved one by one, also where check valves flip; and they are quick."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from networks import PORTS, check_valve, network, pipe, pump_part, random_manifold, random_network, run, surface

from optimizer.hydraulics import Variation, compile_network
from optimizer.hydraulics.batch import Batch
from optimizer.hydraulics.draws import Draws, drawn_of, ensemble_flows_m3_s, one_by_one_m3_s
from optimizer.hydraulics.newton import Newton
from optimizer.hydraulics.uncertainty import SAMPLES, uncertainty
from optimizer.model.network import Network, Pump
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system

EXAMPLES = sorted(path.stem for path in data_directory("examples").glob("*.yaml"))


def example(name: str) -> Network:
    return load_system(data_directory("examples") / f"{name}.yaml", load_catalog()).network


def one_by_one(plumbing: Network, samples: int, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    """Return the flows of all draws solved together, and solved one by one."""
    compiled = compile_network(plumbing)
    together = ensemble_flows_m3_s(compiled, Draws(samples, seed), None)
    value = Newton(compiled, Variation()).run().flow_m3_s
    drawn = drawn_of(compiled, Draws(samples, seed), Variation(), value)
    single = [one_by_one_m3_s(compiled, drawn, sample, Variation(), value) for sample in range(samples)]
    return together, np.array(single)


def same(plumbing: Network, samples: int = 24) -> None:
    together, single = one_by_one(plumbing, samples)
    # both close energy to 1e-10 m and better; of the typical flow, for a run near rest has no figures of its own
    typical = float(np.sqrt(np.mean(single**2))) or 1.0
    np.testing.assert_allclose(together, single, rtol=1e-7, atol=1e-7 * typical)


@pytest.mark.parametrize("name", EXAMPLES)
def test_draws_of_the_examples_are_those_solved_one_by_one(name: str) -> None:
    same(example(name), 32)


def test_a_measured_loss_factor_counts_for_devices_too() -> None:
    plumbing = replace(example("cellar-sump"), loss_factor=1.4)
    assert plumbing.devices
    same(plumbing, 8)


@pytest.mark.parametrize("seed", range(12))
def test_draws_of_random_networks_are_those_solved_one_by_one(seed: int) -> None:
    same(random_network(seed, 9))


@pytest.mark.long
@pytest.mark.parametrize("seed", range(6))
def test_draws_of_random_manifolds_are_those_solved_one_by_one(seed: int) -> None:
    same(random_manifold(seed, 9))


def lifting(rise_m: float) -> Network:
    """Return a pump with a check valve that lifts about as high as it can, so that some draws do not reach."""
    pump = Pump("pump", ((0.0, 2.0), (2e-4, 1.8), (4e-4, 0.0)), 1.0, PORTS)
    only = run("line", "sump", "display", pump_part(), check_valve(0.02), pipe(2.0, 0.02))
    plumbing = network([surface("sump", 0.0), surface("display", rise_m)], [only])
    return replace(plumbing, pumps={"pump": pump})


@pytest.mark.long
@pytest.mark.parametrize("rise_m", [1.95, 2.0, 2.05])
def test_where_check_valves_flip_draws_are_solved_one_by_one(rise_m: float) -> None:
    plumbing = lifting(rise_m)
    compiled = compile_network(plumbing)
    start = Newton(compiled, Variation()).run()
    drawn = drawn_of(compiled, Draws(64, 3), Variation(), start.flow_m3_s)
    _, solved = Batch(compiled, drawn, start).solve()
    assert 0 < solved.sum() < 64
    together, _ = one_by_one(plumbing, 64)
    assert (together == 0.0).any()
    assert (together > 0.0).any()
    same(plumbing, 64)


def test_the_tees_of_a_draw_err_within_the_band_of_their_row() -> None:
    plumbing = example("cellar-sump")
    rows = [tee.item for tee in plumbing.tees.values() if tee.item is not None]
    bands = {(row.loss.band_low, row.loss.band_high) for row in rows}
    assert bands == {(0.7, 1.5)}  # catalogs/fittings.csv
    compiled = compile_network(plumbing)
    factors = drawn_of(compiled, Draws(4000, 1), Variation(), Newton(compiled, Variation()).run().flow_m3_s).tee_factor
    low, high = np.percentile(factors, [5.0, 95.0])
    assert low == pytest.approx(0.7, rel=0.02)
    assert high == pytest.approx(1.5, rel=0.03)


def test_a_few_hundred_draws_take_under_80_ms_beside_other_work() -> None:
    plumbing = example("cellar-sump")
    uncertainty(plumbing, samples=8)  # loads what it needs
    times = []
    for _ in range(5):
        start = time.process_time()
        uncertainty(plumbing, samples=SAMPLES)
        times.append(time.process_time() - start)
    assert min(times) < 0.080  # 33 to 48 ms were measured beside other work


def test_a_large_network_is_solved_draw_by_draw() -> None:
    plumbing = random_network(5, 200)  # a full matrix for each of 256 draws would take hundreds of megabytes
    together, single = one_by_one(plumbing, 4)
    np.testing.assert_array_equal(together, single)
