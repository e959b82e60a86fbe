"""What runs back when the pumps stop → how much of it may come into each of several sumps.

Of a tank that empties into two sumps each may get all: a check valve that holds in one line, or a mouth that is blocked
there, sends the water down the other.

And what each sump gave of the water that stands in tanks and lines: it mixes in tanks and where lines meet. What a sump
gave it has to give again at the next start.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass

from optimizer.model.circuits import Circuit, circuits, drained_as, fed_surfaces, inflow_coefficients, level_with, sumps
from optimizer.model.kinds import Kind
from optimizer.model.network import Network, PointKind
from optimizer.model.system import System
from optimizer.model.tanks import Drain, DrainMode, Tank
from optimizer.verify.drain_back import (
    DrainBack,
    box_key,
    device_key,
    drain_back,
    tank_key,
    wet_runs,
    wet_volume_m3,
)
from optimizer.verify.drains import part_volume_m3

Origin = Mapping[str, float]  # share of each sump
_ROUNDS = 200  # tanks that pump into each other pass their water round
_SETTLED = 1e-9


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


@dataclass(frozen=True, slots=True)
class Start:
    """What a sump has to give at a start until the drains bring it back, what it gave that stands above, its reserve.

    All in m³; None where it is not stated.
    """

    sump: str
    gathers_m3: float | None
    holds_m3: float
    reserve_m3: float | None

    def gives_m3(self, before: Start | None = None) -> float | None:
        """Return what it gives [m³]: what gathers, and what more it holds up than before some work."""
        if self.gathers_m3 is None:
            return None
        return self.gathers_m3 + (0.0 if before is None else max(0.0, self.holds_m3 - before.holds_m3))


def tightest(found: Iterable[Start], before: Mapping[str, Start]) -> Start | None:
    """Return the sump that gives the most of its reserve; one of which that is not told first; None where is none."""

    def share(each: Start) -> float:
        gives, reserve = each.gives_m3(before.get(each.sump)), each.reserve_m3
        return math.inf if gives is None or reserve is None else gives / reserve if reserve > 0.0 else math.inf

    return max(found, key=share, default=None)


def starts(system: System, network: Network, flows_m3_s: Mapping[str, float]) -> tuple[Start, ...]:
    """Return what each sump gives at a start, in the order of `sumps`."""
    stated = {tank.name: tank for tank in system.tanks}
    back = drain_back(network, flows_m3_s, system.tanks, system.drains)
    fed = [stated.get(name, Tank(name)) for name in fed_surfaces(network)]
    tanks, lines = origins(network, flows_m3_s)
    pieces = tuple(_standing(system, network, back, tanks, lines))
    found = []
    for sump in sumps(network):
        shares = {tank.name: tanks[tank.name].get(sump, 0.0) for tank in fed}
        told = [(tank.start_volume_m3, shares[tank.name]) for tank in fed if shares[tank.name] > 0.0]
        gathers = _total(told) if fed else None
        held = sum(volume * origin.get(sump, 0.0) for volume, origin in pieces)
        found.append(Start(sump, gathers, held, stated.get(sump, Tank(sump)).reserve_m3))
    return tuple(found)


def _total(parts: Iterable[tuple[float | None, float]]) -> float | None:
    total = 0.0
    for volume, share in parts:
        if volume is None:
            return None
        total += volume * share
    return total


def _standing(
    system: System, network: Network, back: DrainBack, tanks: Mapping[str, Origin], lines: Mapping[str, Origin]
) -> Iterator[tuple[float, Origin]]:
    """Yield all that runs back [m³], piece by piece, with where it came from."""
    for name, origin in tanks.items():
        others = (other for other in level_with(network, name) if other not in tanks)
        keys = (tank_key(name), box_key(name), *map(tank_key, others))
        yield sum(back.volumes_m3.get(key, 0.0) for key in keys), origin
    for run in wet_runs(network):
        devices = (part.name for part in run.parts if part.kind is Kind.DEVICE)
        yield wet_volume_m3(run) + sum(back.volumes_m3.get(device_key(name), 0.0) for name in devices), lines[run.name]
    for drain in system.drains:
        if drain.mode is not DrainMode.EMERGENCY:
            yield sum(map(part_volume_m3, drain.parts)), tanks.get(drained_as(network, drain.tank), {})


def origins(network: Network, flows_m3_s: Mapping[str, float]) -> tuple[dict[str, Origin], dict[str, Origin]]:
    """Return from which sumps the water of every fed tank came, and that of every run.

    What stands still came from the ends of its line, in equal parts.
    """
    lowest, fed = sumps(network), fed_surfaces(network)
    of: dict[str, Origin] = {name: {name: 1.0} if name in lowest else {} for name in (*lowest, *fed)}
    lines: dict[str, Origin] = {name: {} for name in network.runs}
    for _ in range(_ROUNDS):
        for circuit in circuits(network):
            lines.update(dict.fromkeys((run.name for run in circuit.runs), _of_line(circuit, flows_m3_s, of)))
        before = dict(of)
        for name in fed:
            moves = {run: count * flows_m3_s.get(run, 0.0) for run, count in inflow_coefficients(network, name).items()}
            of[name] = _mixed((move, lines[run]) for run, move in moves.items()) or _equal(lowest)
        if all(
            abs(of[name].get(sump, 0.0) - before[name].get(sump, 0.0)) < _SETTLED for name in fed for sump in lowest
        ):
            break
    return {name: of[name] for name in fed}, lines


def _of_line(circuit: Circuit, flows_m3_s: Mapping[str, float], of: Mapping[str, Origin]) -> Origin:
    """Return where the water of a line comes from: what runs into it at its ends."""
    into = [(flows_m3_s.get(run.name, 0.0), of.get(run.start.point, {})) for run in circuit.runs]
    into += [(-flows_m3_s.get(run.name, 0.0), of.get(run.end.point, {})) for run in circuit.runs]
    return _mixed(into) or _mixed((1.0, of.get(end, {})) for end in circuit.ends)


def _mixed(parts: Iterable[tuple[float, Origin]]) -> Origin:
    """Return the shares in a mixture of flows [m³/s]; nothing where none is known to flow."""
    amounts: dict[str, float] = {}
    for flow, origin in parts:
        for sump, share in origin.items():
            amounts[sump] = amounts.get(sump, 0.0) + max(flow, 0.0) * share
    total = sum(amounts.values())
    return {sump: amount / total for sump, amount in amounts.items()} if total > 0.0 else {}


def _equal(names: Iterable[str]) -> Origin:
    found = list(names)
    return dict.fromkeys(found, 1.0 / len(found)) if found else {}
