"""A tank when the pumps stop → how far below its edge its water falls, mouth by mouth.

Water leaves a tank by every line that leads lower, each of its mouths until the water has fallen to it, or to the
siphon break in it. Such a mouth lets air in. Where it meets another one above the water, that one's siphon breaks as
well; where they meet below the water it goes on, down to where they meet. Of tees whose height is not stated the
deepest mouth counts. Check valves may stick or hold: they keep no water back, and let no air in.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from optimizer.model.catalog import CHECKS, THROTTLES
from optimizer.model.circuits import Circuit, circuits, gravity_lines, mouths_when_off, returns_to
from optimizer.model.network import Network, Point, PointKind, Run
from optimizer.model.note import Note, note
from optimizer.model.tanks import Tank


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
