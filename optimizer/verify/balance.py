"""What flows in a plumbing → the water of every tank: what comes in, what its runs take, what goes down its drains."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimizer.model.circuits import fed_surfaces, sumps
from optimizer.model.network import Network, PointKind
from optimizer.model.tanks import Tank
from optimizer.verify.drains import drain_capacity_m3_s, drains_of

if TYPE_CHECKING:
    from optimizer.model.system import System

_SHUT_M3_S = 1e-12


@dataclass(frozen=True, slots=True)
class Balance:
    """The water of a tank [m³/s]: what comes, what its runs take, what is left for its drains, and where these end.

    Drains that end in several places share it in the proportion of what they carry.

    Below 0 nothing is left, and the tank falls by that. Of a sump, what comes is what runs and drains bring; what is
    left over makes it rise, or fall where it is below 0.
    """

    tank: str
    comes_m3_s: float
    runs_m3_s: float
    left_m3_s: float
    to: str  # where the drains end; empty for a sump
    is_sump: bool


def balances(system: System, network: Network, flows_m3_s: Mapping[str, float]) -> tuple[Balance, ...]:
    """Return the balance of every tank, from the highest; a tank that nothing feeds and no pump draws from is left out.

    Parameters
    ----------
    system
        Its tanks and drains.
    network, flows_m3_s
        The plumbing and what flows in it [m³/s by run].
    """
    stated = {tank.name: tank for tank in system.tanks}
    lowest = sumps(network)
    into = lowest[0] if lowest else ""
    fed = sorted(fed_surfaces(network), key=lambda name: -(network.points[name].head_m or 0.0))
    drained: dict[str, float] = {}
    found = []
    for name in fed:
        tank = stated.get(name, Tank(name))
        counts = _own_counts(network, tank, len(fed) == 1)
        comes = drained.get(name, 0.0) + _sum(counts, flows_m3_s, 1.0)
        runs = _sum(counts, flows_m3_s, -1.0)
        left, ends = comes - runs, _ends(system, name, into)
        for end, share in ends.items():
            drained[end] = drained.get(end, 0.0) + share * max(left, 0.0)
        found.append(Balance(name, comes, runs, left if abs(left) > _SHUT_M3_S else 0.0, " and ".join(ends), False))
    for name in lowest:
        counts = _own_counts(network, Tank(name), False)
        comes = drained.get(name, 0.0) + _sum(counts, flows_m3_s, 1.0)
        runs = _sum(counts, flows_m3_s, -1.0)
        left = comes - runs
        found.append(Balance(name, comes, runs, left if abs(left) > _SHUT_M3_S else 0.0, "", True))
    return tuple(found)


def _ends(system: System, name: str, into: str) -> dict[str, float]:
    """Return where a tank's drains end, with their shares of what is left: by what they carry, where all of them say.

    How the valves in them share it only their owner sees.
    """
    working, _ = drains_of(system, name)
    carried = [drain_capacity_m3_s(each, system.network.water) for each in working] if len(working) > 1 else []
    weights = [each or 1.0 for each in carried] if carried and None not in carried else [1.0] * len(working)
    ends = dict.fromkeys((each.to or into for each in working), 0.0) or {into: 1.0}
    for each, weight in zip(working, weights, strict=True):
        ends[each.to or into] += weight / sum(weights)
    return ends


def _own_counts(network: Network, tank: Tank, alone: bool) -> dict[str, float]:
    """Return what the runs that begin or end in a tank, or over it, count; `alone`: it is the one tank that is fed."""
    outlets = {point.name for point in network.points.values() if point.kind is PointKind.OUTLET}
    above = {*tank.fed_by, *(top for top, to in network.falls if to == tank.name and top in outlets)}
    above = outlets if alone and not above else above
    ends = {run.name: run.end.point == tank.name or run.end.point in above for run in network.runs.values()}
    begins = {run.name: run.start.point == tank.name for run in network.runs.values()}
    return {name: 1.0 if ends[name] else -1.0 for name in ends if ends[name] != begins[name]}


def _sum(counts: Mapping[str, float], flows_m3_s: Mapping[str, float], sign: float) -> float:
    """Return what runs bring (`sign` 1) or take (-1), a run that flows backwards by what it does."""
    return sum(max(0.0, sign * count * flows_m3_s.get(run, 0.0)) for run, count in counts.items())
