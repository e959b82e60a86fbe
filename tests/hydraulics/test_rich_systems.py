"""Plumbing of the richer kind against a solution written for the test, and the water of every tank."""

import pytest
from rich_systems import flows_of, rich_system

from optimizer.hydraulics import compile_network, fluid_of, solve_network
from optimizer.hydraulics.network import settled
from optimizer.hydraulics.tank_balance import tank_balance

LARGE = 1e-9  # of the flow below which water counts as still


def agree(seed: int) -> None:
    """Flows within 1e-6 of the second solution, or of the system's typical flow where they are next to nothing."""
    network = rich_system(seed)
    nu = fluid_of(network.water).kinematic_viscosity_m2_s
    bare = tank_balance(network).balanced(settled(compile_network(network))[1])
    flows = dict(zip(network.runs, bare.tolist(), strict=True))
    other = flows_of(network, nu)
    typical = max(abs(flow) for flow in other.values())
    for name, flow in other.items():
        assert flows[name] == pytest.approx(flow, rel=1e-6, abs=1e-6 * typical + LARGE), (seed, name)
    whole = solve_network(network)  # pumps held at the last point of their curves
    assert whole.mass_residual_m3_s < 1e-9
    assert whole.energy_residual_m < 1e-6


@pytest.mark.parametrize("seed", [pytest.param(n, marks=() if n < 12 else pytest.mark.slow) for n in range(36)])
def test_rich_systems_agree_with_a_solution_by_heads(seed: int) -> None:
    agree(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(36, 536))
def test_500_more_rich_systems_agree_with_a_solution_by_heads(seed: int) -> None:
    agree(seed)


def test_they_are_as_rich_as_they_should_be() -> None:
    systems = [rich_system(seed) for seed in range(36)]

    assert any(pump.speed == 0.0 for one in systems for pump in one.pumps.values())
    assert any("loop" in one.runs for one in systems)
    hoses = [part for one in systems for run in one.runs.values() for part in run.parts if str(part.kind) == "hose"]
    assert len(hoses) > 36


@pytest.mark.parametrize("seed", range(20))
def test_no_tank_above_the_sump_gives_more_through_its_lines_than_it_gets(seed: int) -> None:
    network = rich_system(seed)
    flows = solve_network(network).flows_m3_s
    comes = max(0.0, flows["fill"])
    goes = sum(flow for name, flow in flows.items() if name.startswith("down"))

    assert goes <= comes + 1e-9
    assert flows["fill"] >= -1e-9  # nothing else feeds the upper tank


@pytest.mark.parametrize("seed", range(20))
def test_what_comes_into_the_display_is_at_least_what_lines_take_out_of_it(seed: int) -> None:
    network = rich_system(seed)
    flows = solve_network(network).flows_m3_s
    lines = [one for one in network.runs.values() if "display" in (one.start.point, one.end.point)]
    into = sum(flows[one.name] * (1.0 if one.end.point == "display" else -1.0) for one in lines)

    assert into >= -1e-8
