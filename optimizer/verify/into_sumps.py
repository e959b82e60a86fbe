"""What runs back when the pumps stop → how much of it may come into each of several sumps.

Of a tank that empties into two sumps each may get all: a check valve that holds in one line, or a mouth that is blocked
there, sends the water down the other.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator

from optimizer.model.circuits import Circuit, circuits, fed_surfaces, level_with, sumps
from optimizer.model.kinds import Kind
from optimizer.model.network import Network, PointKind
from optimizer.model.system import System
from optimizer.model.tanks import Drain, DrainMode
from optimizer.verify.drain_back import (
    DrainBack,
    box_key,
    device_key,
    tank_key,
    wet_runs,
    wet_volume_m3,
)
from optimizer.verify.drains import part_volume_m3


def fullest_sump(system: System, network: Network, back: DrainBack) -> tuple[str, float, float | None]:
    """Return (sump, what runs back into it, its free volume) [m³] of the sump that is filled the most by its size.

    Of one sump the name is left out. The free volume is None where one of them does not state it.
    """
    names = sumps(network)
    free = {tank.name: tank.free_volume_m3 for tank in system.tanks}
    if len(names) < 2:
        return "", back.total_m3, free.get(names[0]) if names else None
    return max(
        ((name, back_into_m3(network, back, system.drains, name), free.get(name)) for name in names),
        key=lambda each: each[1] / each[2] if each[2] else float("inf"),
    )


def back_into_m3(network: Network, back: DrainBack, drains: Iterable[Drain], sump: str) -> float:
    """Return the most that may run back into one of several sumps [m³]."""
    drains = tuple(drains)
    working = [each for each in drains if each.mode is not DrainMode.EMERGENCY and each.to in ("", sump)]
    own = sum(part_volume_m3(part) for drain in working for part in drain.parts)
    return by_lines_m3(network, back, drains, {sump}) + own


def by_lines_m3(network: Network, back: DrainBack, drains: Iterable[Drain], into: Collection[str]) -> float:
    """Return the most that may run back into some sumps [m³], but for what stands in drains; of all of them all."""
    if len(sumps(network)) <= len(into):
        return back.total_m3 - back.volumes_m3.get("drains", 0.0)
    found, drains, there = 0.0, tuple(drains), set(into)
    for name in fed_surfaces(network):
        if there & reach(network, name, drains):
            keys = (tank_key(name), box_key(name), *map(tank_key, level_with(network, name)))
            found += sum(back.volumes_m3.get(key, 0.0) for key in keys)
    wet = {run.name for run in wet_runs(network)}
    for circuit in circuits(network):
        if there & circuit.ends or any(there & reach(network, end, drains) for end in circuit.ends):
            runs = [run for run in circuit.runs if run.name in wet]
            devices = [part.name for run in runs for part in run.parts if part.kind is Kind.DEVICE]
            found += sum(map(wet_volume_m3, runs))
            found += sum(back.volumes_m3.get(device_key(name), 0.0) for name in devices)
    return found


def feeding_sumps(network: Network, points: Collection[str], drains: Iterable[Drain]) -> tuple[str, ...]:
    """Return the sumps whose water pumps may bring to one of some points, be it by way of other sumps, or that are one.

    They give it as long as their pumps do not suck air.
    """
    lowest, drains = sumps(network), tuple(drains)
    brought = {name: frozenset[str]() for name in lowest}
    for circuit in circuits(network):
        reached = frozenset[str]().union(*(_run_down(network, end, drains) for end in circuit.ends))
        brought |= {name: brought[name] | reached for name in circuit.sources & brought.keys()}
    found, there = set[str](), set(points)
    while more := {name for name in lowest if name in there or brought[name] & there} - found:
        found |= more
        there |= more
    return tuple(name for name in lowest if name in found)


def reach(network: Network, start: str, drains: tuple[Drain, ...]) -> frozenset[str]:
    """Return the sumps that water of a point may come down to, from tank to tank."""
    return frozenset(sumps(network)) & _run_down(network, start, drains)


def _run_down(network: Network, start: str, drains: tuple[Drain, ...]) -> frozenset[str]:
    """Return the points that water of one may come down to, from tank to tank, as far as sumps."""
    seen, ahead, lowest = {start}, [start], frozenset(sumps(network))
    while ahead:
        more = {end for end in _ends(network, ahead.pop(), drains, lowest) if end not in seen}
        seen |= more
        ahead += sorted(more - lowest)
    return frozenset(seen)


def _ends(network: Network, point: str, drains: tuple[Drain, ...], lowest: frozenset[str]) -> Iterator[str]:
    """Yield where water of a point may go at once: along lines to no higher place, over an edge, out of an outlet."""
    height = {name: each.head_m or 0.0 for name, each in network.points.items() if each.is_fixed}
    lines: list[Circuit] = [one for one in circuits(network) if not one.is_ring and point in one.ends]
    yield from (end for one in lines for end in one.ends if height[end] <= height[point])
    yield from (to for top, to in network.falls if top == point)
    if network.points[point].kind is PointKind.OUTLET and point not in dict(network.falls):
        yield from fed_surfaces(network)
    if any(drain.tank == point and not drain.to for drain in drains):
        yield from lowest  # into which of them is not said
