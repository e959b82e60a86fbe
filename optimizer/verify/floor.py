"""All that is told of water on the floor beside the checks: mishaps, how pumps may be dialled, weak joints."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from optimizer.errors import NetworkError
from optimizer.model.network import Network
from optimizer.model.note import note
from optimizer.model.safety import GRAVITY, LeakPlace, PumpRange, SafetyCheck, Scenario, Verdict
from optimizer.model.system import System
from optimizer.verify.leaks import leak_places
from optimizer.verify.running import running
from optimizer.verify.safe_range import safe_ranges
from optimizer.verify.safety import in_setting
from optimizer.verify.scenarios import scenarios_of
from optimizer.verify.shut_valves import shut_valves


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
        most = running(replace(network, pumps=pumps)) if tops else there
        mishaps = scenarios_of(system, network, there.flows_m3_s, most, checks)
        return FloorFacts(
            (*mishaps, *_shut_valves(system, network)), ranges, leak_places(system, network, there.flows_m3_s)
        )
    except NetworkError:
        return FloorFacts((), (), ())


def _shut_valves(system: System, network: Network) -> Iterator[Scenario]:
    """Yield what a valve that someone shuts does, each in the mode in which that is gravest; harmless ones as one."""
    found: dict[str, list[tuple[str, Scenario]]] = {}
    for name, at in system.ways_to_run:
        pumps = {key: replace(pump, speed=at.network.pumps.get(key, pump).speed) for key, pump in network.pumps.items()}
        there = running(replace(network, pumps=pumps) if system.settings else network)
        for run, one in shut_valves(system, there.network, there.flows_m3_s).items():
            found.setdefault(run, []).append((name, one))
    harmless: list[str] = []
    for run, told in found.items():
        name, one = max(told, key=lambda each: _gravity(each[1]))
        if one.verdict is Verdict.SAFE:
            harmless.append(run)
        else:
            yield replace(one, title=in_setting(one.title, name)) if name else one
    if harmless:
        yield Scenario(
            note("one of the valves shut", runs=tuple(harmless)), 0.0, 0.0, note("nowhere else"), Verdict.SAFE
        )


def _gravity(one: Scenario) -> tuple[int, float, float]:
    return GRAVITY.index(one.verdict), one.spilled_m3 or 0.0, one.water_m3 or 0.0
