"""The velocity rules → the most that each part may carry: by its bore, and by what its run carries today.

`velocity limit` binds every pipe and fitting of a run that carries more than before; what carries no more may stay as
fast as it is. `velocity limit for new pipe` binds pipe that is bought, whatever it replaces. Pumps and devices have
ports of their own and are bound by neither, nor is what opens into a tank, for it throws its jet on purpose, nor what
only joins in their run (an adapter, a union, a stub of pipe between two sockets), where it is as wide as such a port:
nothing wider goes there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from optimizer.errors import NetworkError
from optimizer.hydraulics import solve_network
from optimizer.hydraulics.friction import area_m2
from optimizer.joints.bores import leg_bore_m
from optimizer.joints.chains import STUB_CLEARANCE_M
from optimizer.model.catalog import JOINERS, PIPES, CatalogItem, Kind
from optimizer.model.kinds import MACHINES, MOUTHS
from optimizer.model.network import Leg, Part, Run
from optimizer.model.system import System

_NO_BORE = MACHINES | MOUTHS | {Kind.OPEN_JOINT}
_HAIR = 0.95  # bores of what fits one port differ by so much


@dataclass(frozen=True, slots=True)
class VelocityRule:
    """Limits of velocity [m/s], endless where there is none, and what every run carries today in each mode [m³/s]."""

    everywhere_m_s: float
    new_pipe_m_s: float
    carried_m3_s: Mapping[str, Mapping[str, float]]

    def most_m3_s(self, run: Run, part: Part, mode: str | None = None) -> float:
        """Return the most that a part of a run may carry [m³/s] in a mode; without one, in the mode that lets most."""
        bore_m = min((bore for bore in part.end_bores_m if bore > 0.0), default=math.inf)
        if part.kind in _NO_BORE or math.isinf(bore_m) or (_only_joins(part) and bore_m >= _port_m(run)):
            return math.inf
        most = self.new_pipe_m_s * area_m2(bore_m) if part.kind in PIPES and not part.existing else math.inf
        if math.isfinite(self.everywhere_m_s):
            most = min(most, self._most_everywhere(run.name, bore_m, mode))
        return most

    def most_at_tee_m3_s(self, run: str, leg: Leg, item: CatalogItem | None, mode: str | None = None) -> float:
        """Return the most that a run may carry through its leg of a tee [m³/s]."""
        if item is None or math.isinf(self.everywhere_m_s):
            return math.inf
        bore = leg_bore_m(item.end_bores_m, leg)
        return self._most_everywhere(run, bore, mode) if bore > 0.0 else math.inf

    def _most_everywhere(self, run: str, bore_m: float, mode: str | None) -> float:
        return max(self._today_m3_s(run, mode), self.everywhere_m_s * area_m2(bore_m))

    def _today_m3_s(self, run: str, mode: str | None) -> float:
        if mode is not None:
            return abs(self.carried_m3_s.get(mode, {}).get(run, 0.0))
        return max((abs(flows.get(run, 0.0)) for flows in self.carried_m3_s.values()), default=0.0)


def _only_joins(part: Part) -> bool:
    stub = part.kind is Kind.PIPE and not part.existing and part.length_m <= STUB_CLEARANCE_M
    return stub or part.kind in JOINERS or part.kind is Kind.UNION


def _port_m(run: Run) -> float:
    """Return the narrowest port of a run's pumps and devices [m], a hair less; endless where it has none."""
    ports = (bore for part in run.parts if part.kind in MACHINES for bore in part.end_bores_m if bore > 0.0)
    return _HAIR * min(ports, default=math.inf)


NO_LIMITS = VelocityRule(math.inf, math.inf, {})


def velocity_rule(system: System) -> VelocityRule:
    """Return the velocity rules of a system."""
    rules = system.rules
    return VelocityRule(rules.velocity_limit_m_s, rules.new_pipe_limit_m_s, with_carried(system).carried_m3_s or {})


def with_carried(system: System) -> System:
    """Return the system with what every run carries today in each mode, where a rule goes by it.

    A search sets it once, before it puts other pumps or pipes in place. A plumbing that has no steady flow carries
    nothing today.
    """
    if system.carried_m3_s is not None or math.isinf(system.rules.velocity_limit_m_s):
        return system
    carried: dict[str, Mapping[str, float]] = {}
    for name, at in system.ways_to_run:
        try:
            carried[name] = solve_network(at.network).flows_m3_s
        except NetworkError:
            carried[name] = {}
    return replace(system, carried_m3_s=carried)
