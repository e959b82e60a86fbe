"""What runs into the sump when the pump stops: tanks down to their lowest opening, pipes, drains and devices."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from optimizer.hydraulics.weirs import weir_head_m
from optimizer.model.catalog import Kind
from optimizer.model.circuits import (
    fed_surfaces,
    gravity_lines,
    has_pump,
    level_with,
    ring_runs,
)
from optimizer.model.circuits import inflow_coefficients as inflow_of
from optimizer.model.network import Network, Run
from optimizer.model.note import Note, note
from optimizer.model.tanks import Drain, DrainMode, Tank
from optimizer.verify.drains import part_volume_m3
from optimizer.verify.falling_level import depth_when_off
from optimizer.verify.level_tanks import over_edge_m

PIPE = "pipe and fittings"
DEVICE_VOLUME = "device volume"
FREE, RESERVE = (note("key of the sump", key=key) for key in ("free volume", "pump reserve"))
START = note("start volume")
FREEBOARD = 1.25  # the sump keeps free this multiple of what runs back: common practice, no source


@dataclass(frozen=True)
class DrainBack:
    """Volumes [m³] by what they come from; `missing` is what to state so that the rest can be told."""

    volumes_m3: Mapping[str, float]
    missing: tuple[Note, ...] = ()

    @property
    def untold(self) -> tuple[Note, ...]:
        """Return what is missing but for the water in devices: they hold as much as before."""
        return tuple(each for each in self.missing if each.code != DEVICE_VOLUME)

    @property
    def total_m3(self) -> float:
        return sum(self.volumes_m3.values())


def drain_back(
    network: Network, flows_m3_s: Mapping[str, float], tanks: Iterable[Tank], drains: Iterable[Drain]
) -> DrainBack:
    """Return what runs back when the pumps stop out of running at these flows.

    A tank gives its area times the head over its overflow edge plus the depth that it falls to below the edge
    (`falling_level`). A tank that stands level with it falls with it. All pipe behind the pumps and in gravity lines
    counts, and all of the drains that work: some of it may stay, none of it is counted on. A check valve holds nothing
    back here: they stick.
    """
    volumes: dict[str, float] = {}
    missing: list[Note] = []
    drains = tuple(drains)
    stated = {tank.name: tank for tank in tanks}
    for name in fed_surfaces(network):
        tank = stated.get(name, Tank(name))
        depth_m, untold = depth_when_off(network, stated, tank)
        missing += [*_keys(tank), *untold]
        if tank.area_m2 is not None and tank.overflow_edge_m is not None and depth_m is not None:
            inflow = inflow_m3_s(network, flows_m3_s, tank)
            volumes[tank_key(name)] = tank.area_m2 * (over_edge_m(network, drains, tank, inflow) + depth_m)
            level_m = weir_head_m(tank.overflow_edge_m, inflow) + depth_m
            volumes |= _level_tanks(network, stated, name, level_m, missing)
        if tank.box_volume_m3:
            volumes[box_key(name)] = tank.box_volume_m3
    volumes[PIPE] = sum(map(wet_volume_m3, wet_runs(network)))
    working = [drain for drain in drains if drain.mode is not DrainMode.EMERGENCY]
    if working:
        volumes["drains"] = sum(part_volume_m3(part) for drain in working for part in drain.parts)
    volumes |= dict(_devices(network, missing))
    return DrainBack(volumes, tuple(missing))


def tank_key(name: str) -> str:
    return f"tank {name!r}"


def box_key(name: str) -> str:
    return f"overflow box of {name!r}"


def device_key(name: str) -> str:
    return f"device {name!r}"


def _keys(tank: Tank) -> Iterator[Note]:
    for key, value in (("area", tank.area_m2), ("overflow edge", tank.overflow_edge_m)):
        if value is None:
            yield note("key of tank", key=key, tank=tank.name)


def _level_tanks(
    network: Network, stated: Mapping[str, Tank], name: str, stands_m: float, missing: list[Note]
) -> Iterator[tuple[str, float]]:
    """Yield the water of the tanks that stand level with one and are not fed: they fall with it."""
    for other in level_with(network, name):
        area_m2 = stated.get(other, Tank(other)).area_m2
        if other in fed_surfaces(network):
            continue
        if area_m2 is None:
            missing.append(note("key of tank", key="area", tank=other))
        else:
            yield tank_key(other), area_m2 * stands_m


def these(missing: Sequence[Note]) -> Note:
    """Return several things that a file does not state as one note."""
    return note("these", what=tuple(missing))


def pumped_runs(network: Network) -> tuple[Run, ...]:
    """Return the runs that water from a pump can reach, in file order."""
    found = {run.name for run in network.runs.values() if has_pump(run)}
    at: dict[str, list[Run]] = {}
    for run in network.runs.values():
        for point in (run.start.point, run.end.point):
            if not network.points[point].is_fixed:
                at.setdefault(point, []).append(run)
    seen, ahead = set[str](), [network.runs[name].end.point for name in found]
    while ahead:
        point = ahead.pop()
        if point in seen:
            continue
        seen.add(point)
        for run in at.get(point, ()):
            found.add(run.name)
            ahead += [run.start.point, run.end.point]
    return tuple(run for run in network.runs.values() if run.name in found)


def lifted_runs(network: Network) -> tuple[Run, ...]:
    """Return the runs that water from a pump can reach, but for rings that stir one tank: nothing of them runs off."""
    stirred = ring_runs(network)
    return tuple(run for run in pumped_runs(network) if run.name not in stirred)


def falling_runs(network: Network) -> tuple[Run, ...]:
    """Return the runs of gravity lines out of tanks that are fed: with the pumps off they run empty."""
    fed = set(fed_surfaces(network))
    return tuple(run for top, circuit in gravity_lines(network) if top in fed for run in circuit.runs)


def wet_runs(network: Network) -> tuple[Run, ...]:
    """Return the runs whose water runs off when the pumps stop."""
    return tuple({run.name: run for run in (*lifted_runs(network), *falling_runs(network))}.values())


def inflow_coefficients(network: Network, tank: Tank) -> dict[str, float]:
    """Return what each run counts in the flow into a tank: 1 into it, -1 out of it; others are left out."""
    return inflow_of(network, tank.name, tank.fed_by)


def inflow_m3_s(network: Network, flows_m3_s: Mapping[str, float], tank: Tank) -> float:
    """Return what flows into a tank [m³/s], or 0 where more flows out."""
    coefficients = inflow_coefficients(network, tank)
    return max(sum(c * flows_m3_s.get(name, 0.0) for name, c in coefficients.items()), 0.0)


def wet_volume_m3(run: Run) -> float:
    """Return the water in a run's pipe and fittings [m³], also in what lies on the suction side of a pump."""
    return sum(part_volume_m3(part) for part in run.parts)


def _devices(network: Network, missing: list[Note]) -> Iterator[tuple[str, float]]:
    """Yield the water in devices, and note those that do not say how much they hold."""
    silent = []
    for run in wet_runs(network):
        for part in run.parts:
            volume = network.devices[part.name].volume_m3 if part.kind is Kind.DEVICE else 0.0
            if volume is None:
                silent.append(part.name)
            elif volume > 0.0:
                yield device_key(part.name), volume
    if silent:
        missing.append(note(DEVICE_VOLUME, devices=tuple(silent)))


def gross_inflow_m3_s(network: Network, flows_m3_s: Mapping[str, float], tank: Tank) -> float:
    """Return what flows into a tank [m³/s] before its gravity lines take any of it."""
    lines = {run.name for top, circuit in gravity_lines(network) if top == tank.name for run in circuit.runs}
    coefficients = inflow_coefficients(network, tank)
    return max(sum(c * flows_m3_s.get(name, 0.0) for name, c in coefficients.items() if name not in lines), 0.0)
