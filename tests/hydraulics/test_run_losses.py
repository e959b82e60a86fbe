"""The losses of all runs and tees at once, against part after part and tee after tee."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.hydraulics import (
    RunLosses,
    TeeRow,
    conditions_of,
    element_head_loss_m,
    entrance_head_loss_m,
    exit_head_loss_m,
    run_elements,
    solve_network,
    tee_head_losses_m,
)
from optimizer.model.catalog import THROTTLES
from optimizer.model.network import Network
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(params=["cellar-sump", "metric-unions", "upper-tank"])
def network(request: pytest.FixtureRequest) -> Network:
    return load_system(EXAMPLES / f"{request.param}.yaml", load_catalog()).network


@pytest.mark.parametrize("times", [-1.0, 0.0, 0.01, 1.0])
def test_a_run_loses_what_its_parts_and_its_two_ends_lose(network: Network, times: float) -> None:
    conditions = conditions_of(network)
    flows = {name: times * abs(flow) for name, flow in solve_network(network).flows_m3_s.items()}

    found = RunLosses(network, conditions).at(flows)

    for name, run in network.runs.items():
        q, ends = flows[name], 0.0
        if network.points[run.start.point].is_open and q > 0.0:
            ends += entrance_head_loss_m(run.parts[0], q, conditions)
        if network.points[run.end.point].is_open and q > 0.0:
            ends += exit_head_loss_m(run.parts[-1], q, conditions)
        if q >= 0.0 or not any(network.points[end.point].is_open for end in (run.start, run.end)):
            parts = sum(element_head_loss_m(each, q, conditions) for each in run_elements(run, network, conditions))
            assert found[name] == pytest.approx(parts + ends, rel=1e-9, abs=1e-12), name


def test_a_run_with_a_shut_valve_loses_endless_head_as_soon_as_water_is_to_flow(network: Network) -> None:
    name, run = next((n, r) for n, r in network.runs.items() if any(part.kind in THROTTLES for part in r.parts))
    shut = tuple(replace(part, opening=0.0) if part.kind in THROTTLES else part for part in run.parts)
    losses = RunLosses(network.with_runs({name: replace(run, parts=shut)}), conditions_of(network))

    assert losses.at(dict.fromkeys(network.runs, 1e-4))[name] == math.inf
    assert losses.at(dict.fromkeys(network.runs, 0.0))[name] == 0.0


def test_tees_asked_together_lose_what_each_loses_alone(network: Network) -> None:
    conditions, flows = conditions_of(network), solve_network(network).flows_m3_s
    into = {
        point: {leg: (-1 if at_start else 1) * flows[run.name] for run, leg, at_start in network.runs_at(point)}
        for point in network.tees
    }
    items = [network.tees[point].item for point in into]

    together = TeeRow.of([*items, None], conditions).losses_m([*into.values(), {}])

    alone = [tee_head_losses_m(item, each, conditions) for item, each in zip(items, into.values(), strict=True)]
    assert together == [*alone, {}]
