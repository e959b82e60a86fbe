"""A plumbing, as it stands or as it will be → the same with what flows in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from optimizer.hydraulics import solve_network
from optimizer.hydraulics.tank_balance import falling_short
from optimizer.model.catalog import Kind
from optimizer.model.doubt import Doubt, doubt_of
from optimizer.model.network import Network, Run
from optimizer.model.system import System

STILL_M3_S = 1e-7  # a pump that moves less stands against a shut line


@dataclass(frozen=True)
class Running:
    """A plumbing with what flows in it [m³/s] and how fast [m/s]."""

    network: Network
    flows_m3_s: Mapping[str, float]
    velocities_m_s: Mapping[str, float]
    emptied: frozenset[str] = frozenset()  # lines back through which a pump that is too weak lets a tank run down

    @cached_property
    def doubt(self) -> Doubt:
        """What the ends of pump curves leave unknown of the flows."""
        return doubt_of(self.network, self.flows_m3_s)

    @cached_property
    def short_m3_s(self) -> Mapping[str, float]:
        """What leaves each fed tank beyond what comes into it [m³/s], of those where that is so."""
        return falling_short(self.network, np.array([self.flows_m3_s.get(run, 0.0) for run in self.network.runs]))


def running(network: Network) -> Running:
    """Return a plumbing as it stands with its flows; NetworkError when it has no solution."""
    solution = solve_network(network)
    return Running(network, solution.flows_m3_s, solution.velocities_m_s, solution.emptied)


def fastest(system: System, network: Network) -> Network:
    """Return a plumbing with every pump at the highest speed that its dial or a setting of the system gives it."""
    pumps = {}
    for name, pump in network.pumps.items():
        stated = [setting.speeds.get(name, pump.speed) for setting in system.settings]
        pumps[name] = replace(pump, speed=max((pump.speed, *pump.speeds, *stated)))
    return replace(network, pumps=pumps)


def pump_runs(network: Network) -> list[Run]:
    """Return the runs with a pump, in file order."""
    return [run for run in network.runs.values() if any(part.kind is Kind.PUMP for part in run.parts)]


def running_pump_runs(network: Network) -> list[Run]:
    """Return the runs whose pumps are all switched on: a pump that stands still is in nobody's way."""
    return [
        run
        for run in pump_runs(network)
        if all(network.pumps[part.name].speed > 0.0 for part in run.parts if part.kind is Kind.PUMP)
    ]
