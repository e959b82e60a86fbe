"""What runs into the sump when the pump stops: tanks down to their lowest opening, pipes, drains and devices.

Water leaves a tank by every line that leads lower, each of its mouths until the water has fallen to it, or to the
siphon break in it. Such a mouth lets air in. Where it meets another one above the water, that one's siphon breaks as
well; where they meet below the water it goes on, down to where they meet. Of tees whose height is not stated the
deepest mouth counts. Check valves may stick or hold: they keep no water back, and let no air in.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from optimizer.hydraulics.weirs import weir_head_m
from optimizer.model.catalog import CHECKS, THROTTLES, Kind
from optimizer.model.circuits import (
    Circuit,
    circuits,
    fed_surfaces,
    gravity_lines,
    has_pump,
    level_with,
    mouths_when_off,
    returns_to,
    ring_runs,
)
from optimizer.model.circuits import inflow_coefficients as inflow_of
from optimizer.model.network import Network, Point, PointKind, Run
from optimizer.model.note import Note, note
from optimizer.model.tanks import Drain, DrainMode, Tank
from optimizer.verify.drains import over_edge_m, part_volume_m3

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


def depth_when_off(network: Network, stated: Mapping[str, Tank], tank: Tank) -> tuple[float | None, tuple[Note, ...]]:
    """Return how far below its edge a tank falls when the pumps stop [m], and what to state if more than that is open.

    None where not even a least depth is told.
    """
    returns, mouths = returns_to(network, tank.name), dict(tank.mouths_m)
    back = {run: _return_depth_m(tank, run, len(returns) == 1) for line in returns for run in line}
    out = mouths_when_off(network, tank.name)
    missing = [note("depth of a mouth", run=run, tank=tank.name) for run in out if run not in mouths]
    if None in back.values():
        return None, (note("key of tank", key="return outlet depth", tank=tank.name), *missing)
    opens = {run: mouths.get(run, 0.0) for run in out} | {run: depth or 0.0 for run, depth in back.items()}
    depths = [0.0]
    for circuit in circuits(network):
        if any(run.name in opens for run in circuit.runs):
            line = _Line(network, circuit, tank, opens)
            depths += [line.falls_m(*end) for end in line.ways_out()] if tank.meets_m else [line.deepest_m]
    depths += _after_tanks_above(network, stated, tank)
    return max(depths), tuple(missing)


def _return_depth_m(tank: Tank, run: str, only: bool) -> float | None:
    """Return how deep a line of a pump lets air in at a tank [m]: at its mouth, or at the siphon break in it.

    A break of which no run is said is in all mouths of the `only` line; of several it is not counted on.
    """
    mouth = dict(tank.mouths_m).get(run, tank.opening_depth_m)
    hole = dict(tank.breaks_m).get(run, None if tank.breaks_m or not only else tank.break_depth_m)
    return min((depth for depth in (mouth, hole) if depth is not None), default=None)


def _after_tanks_above(network: Network, stated: Mapping[str, Tank], tank: Tank) -> Iterator[float]:
    """Yield how far a tank falls after those that stood above it [m]: back up the gravity lines that end in it.

    Nothing runs back up as long as what is above stays above.
    """
    level_m = network.points[tank.name].head_m or 0.0
    for top, circuit in gravity_lines(network):
        if tank.name not in circuit.ends - {top}:
            continue
        fallen_m, _ = depth_when_off(network, stated, stated.get(top, Tank(top)))
        above_m = level_m - (network.points[top].head_m or 0.0) + (fallen_m or 0.0)
        here = [run.name for run in circuit.runs if tank.name in (run.start.point, run.end.point)]
        opens = {run: dict(tank.mouths_m).get(run, tank.opening_depth_m) for run in here}
        known = {run: depth for run, depth in opens.items() if depth is not None}
        if len(known) < len(here):
            yield above_m
        else:
            line = _Line(network, circuit, tank, known)
            yield min(above_m, max(line.falls_m(run, point) for run, point in line.ends() if point.name == top))


_Stops = tuple[float, float]  # how far the tank falls until air comes through, and until no more water does [m]


@dataclass(frozen=True)
class _Line:
    """A circuit with ends in a tank; `opens_m` says how deep these let air in [m], by run."""

    network: Network
    circuit: Circuit
    tank: Tank
    opens_m: Mapping[str, float]

    @property
    def deepest_m(self) -> float:
        return max(self.opens_m[run.name] for run in self.circuit.runs if run.name in self.opens_m)

    def ends(self) -> Iterator[tuple[Run, Point]]:
        """Yield where the line ends at fixed points, one for each run that does."""
        for run in self.circuit.runs:
            for end in (run.start, run.end):
                point = self.network.points[end.point]
                if point.is_fixed:
                    yield run, point

    def ways_out(self) -> Iterator[tuple[Run, Point]]:
        """Yield the ends by which water of the tank may leave it: lower ones, and those that pumps draw from."""
        level_m = self.network.points[self.tank.name].head_m or 0.0
        for run, point in self.ends():
            lower = (point.head_m or 0.0) < level_m or point.kind is PointKind.SUPPLY
            if point.name != self.tank.name and (lower or point.name in self.circuit.sources):
                yield run, point

    def falls_m(self, run: Run, out: Point) -> float:
        """Return how far the tank falls if its water leaves the line by an end [m]: in lines that go round the deepest.

        What comes to a tee comes there until all its mouths are out of the water, or one is and the water has fallen to
        the tee.
        """
        tees = {end.point for each in self.circuit.runs for end in (each.start, each.end)} - self.circuit.ends
        if len(self.circuit.runs) != len(tees) + sum(1 for _ in self.ends()) - 1:
            return self.deepest_m
        stops = self._stops(run, _far_end(run, out.name))
        return 0.0 if stops is None else max(0.0, stops[1])

    def _stops(self, run: Run, point: str) -> _Stops | None:
        """Return what of air and water comes out of a point into a run; None: neither."""
        at = self.network.points[point]
        if not at.is_fixed:
            legs = [leg for leg in self.circuit.runs if leg is not run and point in (leg.start.point, leg.end.point)]
            came = (self._through(leg, _far_end(leg, point)) for leg in legs)
            known = [stops for stops in came if stops is not None]
            if not known:
                return None
            air, water = min(stop for stop, _ in known), max(stop for _, stop in known)
            stop = min(max(air, dict(self.tank.meets_m).get(point, math.inf)), water)
            return (stop if air < math.inf else math.inf), stop
        if point == self.tank.name and run.name in self.opens_m:
            return self.opens_m[run.name], self.opens_m[run.name]
        above = (at.head_m or 0.0) >= (self.network.points[self.tank.name].head_m or 0.0)
        return (-math.inf, -math.inf) if at.kind is PointKind.OUTLET and above else None

    def _through(self, run: Run, point: str) -> _Stops | None:
        """Return what of a point comes through a run: check valves and shut ones let no air in."""
        stops = self._stops(run, point)
        shut = any(part.kind in CHECKS or (part.kind in THROTTLES and part.opening <= 0.0) for part in run.parts)
        return (math.inf, stops[1]) if stops is not None and shut else stops


def _far_end(run: Run, point: str) -> str:
    return run.end.point if run.start.point == point else run.start.point
