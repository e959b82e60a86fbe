"""All that is told of water on the floor beside the checks: mishaps, how pumps may be dialled, weak joints."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from optimizer.errors import NetworkError
from optimizer.model.network import Network
from optimizer.model.safety import LeakPlace, PumpRange, SafetyCheck, Scenario
from optimizer.model.system import System
from optimizer.verify.leaks import leak_places
from optimizer.verify.running import running
from optimizer.verify.safe_range import safe_ranges
from optimizer.verify.scenarios import scenarios_of


@dataclass(frozen=True)
class FloorFacts:
    """What may go wrong, between which settings each pump stays safe, and the joints, the worst first."""

    mishaps: tuple[Scenario, ...]
    ranges: tuple[PumpRange, ...]
    leaks: tuple[LeakPlace, ...]


def floor_facts(system: System, network: Network, checks: Sequence[SafetyCheck] = ()) -> FloorFacts:
    """Return them for a plumbing with its valves set; nothing where it has no steady flow.

    `checks` are those of the same plumbing: what they judge is judged there alone.
    """
    try:
        there = running(network)
        ranges = safe_ranges(system, network)
        tops = {one.pump: one.high for one in ranges if one.high is not None}
        pumps = {
            name: replace(pump, speed=tops.get(name, pump.speed) or pump.speed) for name, pump in network.pumps.items()
        }
        most = running(replace(network, pumps=pumps)).flows_m3_s if tops else there.flows_m3_s
        mishaps = scenarios_of(system, network, there.flows_m3_s, most, checks)
        return FloorFacts(mishaps, ranges, leak_places(system, network, there.flows_m3_s))
    except NetworkError:
        return FloorFacts((), (), ())
