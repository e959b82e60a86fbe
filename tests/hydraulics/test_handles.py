"""One valve turned in a plumbing that is solved already, against that plumbing written anew and solved from rest."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.hydraulics import Handles, solve_network
from optimizer.model.catalog import THROTTLES
from optimizer.model.network import Network
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system

EXAMPLES = Path(__file__).parents[2] / "examples"


def valves(network: Network) -> Iterator[tuple[str, int]]:
    """Yield every valve: its run and its place in it."""
    for run in network.runs.values():
        yield from ((run.name, i) for i, part in enumerate(run.parts) if part.kind in THROTTLES)


def turned(network: Network, name: str, at: int, opening: float) -> Network:
    run = network.runs[name]
    parts = tuple(replace(part, opening=opening) if i == at else part for i, part in enumerate(run.parts))
    return network.with_runs({name: replace(run, parts=parts)})


@pytest.mark.parametrize("example", ["cellar-sump", "metric-unions", "upper-tank", "single-return"])
@pytest.mark.parametrize("opening", [0.0, 0.1, 1.0])
def test_a_turned_valve_gives_the_flows_of_the_plumbing_with_it_there(example: str, opening: float) -> None:
    network = load_system(EXAMPLES / f"{example}.yaml", load_catalog()).network
    handles = Handles(network)
    for name, at in valves(network):
        anew = solve_network(turned(network, name, at, opening)).flows_m3_s

        found = handles.turned_m3_s(name, at, opening)

        assert found == pytest.approx(anew, abs=2e-9), name  # the two close heads to 1e-6 m


def test_a_valve_that_is_left_where_it_stands_changes_nothing() -> None:
    network = load_system(EXAMPLES / "cellar-sump.yaml", load_catalog()).network
    handles = Handles(network)
    name, at = next(valves(network))

    found = handles.turned_m3_s(name, at, network.runs[name].parts[at].opening)

    assert found == handles.flows_m3_s
    assert found == pytest.approx(solve_network(network).flows_m3_s, abs=2e-9)
