"""The safe range of every example's dial against another solution of its network, just inside and just outside of it.

The other solution knows only that water is conserved and that the head closes along every path from the sump to an
outlet: scipy finds the flows, pump heads are scipy's monotone interpolation with affinity. What a part loses at a flow
is the program's; that is checked against published values elsewhere.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from said import said, worded
from scipy.interpolate import PchipInterpolator
from scipy.optimize import root

from optimizer.hydraulics import solve_network
from optimizer.hydraulics.losses import loss_table
from optimizer.model.catalog import Kind
from optimizer.model.network import Network, PointKind
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.verify.card import _emptied
from optimizer.verify.running import Running
from optimizer.verify.safe_range import safe_ranges
from optimizer.verify.safety import unsafe_when

EXAMPLES = Path(__file__).parents[2] / "examples"
WITHIN = 0.01  # of the dial
NOTHING_M3_S = 1e-7


@cache
def example(name: str) -> System:
    return load_system(EXAMPLES / f"{name}.yaml", load_catalog())


def pumped_paths(network: Network) -> list[list[str]]:
    """Return the runs on every path from the pump's run to where water comes out."""
    source = next(run for run in network.runs.values() if any(part.kind is Kind.PUMP for part in run.parts))
    open_, found = [[source.name]], []
    while open_:
        path = open_.pop()
        end = network.runs[path[-1]].end.point
        behind = [run.name for run in network.runs.values() if run.start.point == end]
        if network.points[end].is_fixed:
            found.append(path)
        else:
            open_ += [[*path, name] for name in behind]
    return found


def pump_head_m(network: Network, run: str, flow: float) -> float:
    head = 0.0
    for part in network.runs[run].parts:
        if part.kind is Kind.PUMP:
            pump = network.pumps[part.name]
            points = np.array(pump.curve)
            curve = PchipInterpolator(points[:, 0], points[:, 1])
            head += pump.head_factor * pump.speed**2 * float(curve(min(flow / pump.speed, points[-1, 0])))
    return head


def own_flows(network: Network) -> dict[str, float]:
    """Return the flows [m³/s] at which the head closes along every path; out of the air nothing runs back."""
    paths = pumped_paths(network)
    flows = closed_flows(network, paths)
    dry = [path for path in paths if in_air(network, path) and flows[path[-1]] < 0.0]
    return closed_flows(network, [path for path in paths if path not in dry]) if dry else flows


def in_air(network: Network, path: list[str]) -> bool:
    return network.points[network.runs[path[-1]].end.point].kind is PointKind.OUTLET


def closed_flows(network: Network, paths: list[list[str]]) -> dict[str, float]:
    """Return the flows that run on these paths alone."""
    start = solve_network(network)  # a form to fill in, with its own flows replaced

    def flows_of(ends: np.ndarray) -> dict[str, float]:
        flows = dict(start.flows_m3_s) | {name: 0.0 for path in pumped_paths(network) for name in path}
        for path, flow in zip(paths, ends, strict=True):
            for name in path:
                flows[name] += float(flow) / 1000.0
        return flows

    def closes(ends: np.ndarray) -> list[float]:
        flows = flows_of(ends)
        lost = dict.fromkeys(flows, 0.0)
        for row in loss_table(network, replace(start, flows_m3_s=flows), with_gains=False):
            lost[row.run] += row.head_loss_m * (1.0 if flows[row.run] >= 0.0 else -1.0)
        out = []
        for path in paths:
            first, last = network.runs[path[0]].start.point, network.runs[path[-1]].end.point
            head = (network.points[first].head_m or 0.0) - (network.points[last].head_m or 0.0)
            out.append(head + sum(pump_head_m(network, name, flows[name]) - lost[name] for name in path))
        return out

    found = root(closes, np.full(len(paths), 0.15), method="hybr", options={"xtol": 1e-10})
    assert np.abs(closes(found.x)).max() < 1e-4, "the comparison did not close"
    return flows_of(found.x)


def wrong(system: System, speed: float) -> list[str]:
    network = system.network
    (name,) = network.pumps
    there = replace(network, pumps={name: replace(network.pumps[name], speed=speed)})
    flows = own_flows(there)
    told = said((*unsafe_when(system, Running(there, flows, {})), *_emptied(Running(there, flows, {}))))
    back = [f"{path[-1]} runs backwards" for path in pumped_paths(there) if flows[path[-1]] < -NOTHING_M3_S]
    return [*(words for words in told if "start-up" not in words), *back]


@pytest.mark.long
@pytest.mark.parametrize("name", ["single-return", "starter", "measured-return", "metric-unions", "cellar-sump"])
def test_another_solution_confirms_the_safe_range_of_an_example(name: str) -> None:
    there = example(name)
    (pump,) = there.network.pumps.values()
    speeds = {pump.speed, *pump.speeds}
    ranges = safe_ranges(there, there.network)
    if not ranges:
        assert len(speeds) == 1  # no dial, no range
        return
    (found,) = ranges
    assert found.low is not None
    assert found.high is not None
    for end, way, reason in ((found.low, +1, worded(found.why_low)), (found.high, -1, worded(found.why_high))):
        assert wrong(there, end + way * WITHIN) == []
        if reason:  # else the dial ends there
            assert wrong(there, end - way * WITHIN) != []
