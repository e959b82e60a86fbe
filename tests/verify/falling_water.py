"""Water after the pumps stop, second by second: levels, mouths that suck air, edges; a simulation of the tests' own.

It knows nothing of the program but the plumbing as read. Every moment is steady flow (Bernoulli, Haaland's friction,
losses of entrance, exit, bends and valves); levels move by what flows. A mouth above the water sucks air: its run
carries nothing any more, or, as it is told, its whole circuit; where the height of the tee is known, air comes to the
tee once the head there is below it, and water only what runs to it downhill. A stopped pump is open pipe, a check valve
shut or stuck open as it is told. Water over an edge goes down the tank's drain at once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from scipy.optimize import brentq

from optimizer.model.catalog import CHECKS, PIPES, Kind
from optimizer.model.network import Point, PointKind, Run
from optimizer.model.system import System

G, NU = 9.80665, 1.0e-6
_K = {Kind.ELBOW: 0.9, Kind.BULKHEAD: 0.5, Kind.BALL_VALVE: 0.1, **dict.fromkeys(CHECKS, 2.0)}
_STILL_M3_S, _LEVEL_M, _CREEPS_M = 1e-8, 2e-5, 2e-3
Mouths = Mapping[tuple[str, str], float]  # (run, tank) -> how far below the edge it opens [m]; a hole counts as one


@dataclass
class Fallen:
    """What came of it: lost by each tank and gained by each sump [m³], the highest each stood over its edge [m]."""

    lost_m3: dict[str, float] = field(default_factory=dict)
    gained_m3: dict[str, float] = field(default_factory=dict)
    highest_m: dict[str, float] = field(default_factory=dict)
    seconds: float = 0.0


def carried_m3_s(run: Run, head_m: float) -> float:
    """Return what runs through a run between two levels [m³/s], with their sign."""
    if abs(head_m) < _CREEPS_M:  # straight through nothing, so that two levels do not chase each other
        return carried_m3_s(run, _CREEPS_M) * head_m / _CREEPS_M
    bore = min(b for part in run.parts for b in part.end_bores_m)
    length = sum(part.length_m for part in run.parts if part.kind in PIPES)
    k = 1.5 + sum(_K.get(part.kind, 0.1) for part in run.parts if part.kind not in PIPES)
    speed = 1.0
    for _ in range(4):
        re = max(speed * bore / NU, 100.0)
        f = max(64.0 / re if re < 2000.0 else 0.0, (-1.8 * math.log10(6.9 / re + (1.5e-6 / bore / 3.7) ** 1.11)) ** -2)
        speed = math.sqrt(2.0 * G * abs(head_m) / (k + f * length / bore))
    return math.copysign(speed * math.pi / 4.0 * bore**2, head_m)


def let_fall(
    system: System,
    rises_m: Mapping[str, float],
    mouths: Mouths,
    drains_to: Mapping[str, str],
    held: bool = False,
    breaks_all: bool = False,
    stopped: frozenset[str] | None = None,
    fed_m3_s: Mapping[str, float] | None = None,
    tees_m: Mapping[str, float] | None = None,
) -> Fallen:
    """Return what water does from the moment that pumps stop.

    Parameters
    ----------
    rises_m
        How high water stands over the edge of each tank that is fed [m].
    mouths
        How far below the edge each run opens in each tank [m]; one that is left out opens at the bottom, unbounded.
    drains_to
        Where the water goes that runs over the edge of each tank.
    held
        Check valves hold; otherwise they stick open.
    breaks_all
        A mouth that sucks air ends its whole circuit, not its run alone.
    stopped, fed_m3_s
        The circuits that stand still, by their runs (all, if left out), and what others go on to bring to tanks.
    tees_m
        How high tees stand, in the measure of the water levels.
    """
    network, fed, tees_m = system.network, fed_m3_s or {}, tees_m or {}
    edge = {name: point.head_m or 0.0 for name, point in network.points.items() if point.kind is PointKind.SURFACE}
    tanks = {tank.name: tank for tank in system.tanks if tank.name in rises_m}
    level = {name: edge[name] + rises_m.get(name, 0.0) for name in edge}
    told = Fallen(dict.fromkeys(tanks, 0.0), {name: 0.0 for name in edge if name not in tanks}, dict(rises_m))
    groups = [
        [network.runs[name] for name in part]
        for part in network.parts()
        if stopped is None or not stopped.isdisjoint(part)
    ]

    def end(run: Run, point: str) -> tuple[float, bool]:
        """Return the head that a run sees at a point, and whether only air is there to be sucked in."""
        at = network.points[point]
        if point not in edge:
            return at.head_m or 0.0, True
        mouth = edge[point] - mouths.get((run.name, point), math.inf)
        return max(level[point], mouth), level[point] <= mouth + _LEVEL_M

    def flows_of(group: list[Run]) -> dict[str, float]:
        dead: set[str] = set()
        while True:
            live = [run for run in group if run.name not in dead]
            tee_m = next((tees_m[p] for r in dead for p in _tees(network.runs[r], network.points) if p in tees_m), None)
            found = _joined(live, lambda run, point: end(run, point)[0], network.points, tee_m)
            dry = set[str]()
            for run in live:
                flow = found[run.name]
                start, finish = run.start.point, run.end.point
                shut = held and flow < -_STILL_M3_S and any(part.kind in CHECKS for part in run.parts)
                out_of = start if flow > _STILL_M3_S else finish if flow < -_STILL_M3_S else ""
                sucks = bool(out_of) and network.points[out_of].is_fixed and end(run, out_of)[1]
                if sucks and breaks_all:
                    return {}
                if shut or sucks:
                    dry.add(run.name)
            if not dry:
                return found
            dead |= dry

    while told.seconds < 200_000.0:
        net = {name: fed.get(name, 0.0) for name in edge}
        for group in groups:
            for name, flow in flows_of(group).items():
                run = network.runs[name]
                for point, sign in ((run.start.point, -1.0), (run.end.point, 1.0)):
                    into = point if point in edge else dict(network.falls).get(point, "")
                    if into:
                        net[into] += sign * flow
        for name in sorted(tanks, key=lambda each: -edge[each]):  # what runs over an edge, from the highest down
            over = 1.66 * (tanks[name].overflow_edge_m or 0.0) * max(level[name] - edge[name], 0.0) ** 1.5
            net[name] -= over
            net[drains_to[name]] += over
        moving = {name: abs(net[name]) / (tanks[name].area_m2 or 1.0) for name in tanks}
        fastest = max(moving.values(), default=0.0)
        if fastest < 3e-6:
            break
        step = min(max(4e-4 / fastest, 0.02), 20.0)
        told.seconds += step
        for name in edge:
            if name in tanks:
                level[name] += net[name] * step / (tanks[name].area_m2 or 1.0)
                told.highest_m[name] = max(told.highest_m[name], level[name] - edge[name])
            else:
                told.gained_m3[name] += net[name] * step
    for name, tank in tanks.items():
        told.lost_m3[name] = (edge[name] + rises_m[name] - level[name]) * (tank.area_m2 or 0.0)
    return told


def _tees(run: Run, points: Mapping[str, Point]) -> set[str]:
    return {p for p in (run.start.point, run.end.point) if not points[p].is_fixed}


def _joined(
    runs: list[Run],
    head_at: Callable[[Run, str], float],
    points: Mapping[str, Point],
    air_m: float | None,
) -> dict[str, float]:
    """Return what flows in runs that meet at one tee at the most; air comes to the tee where its head is below."""
    tees = set[str]().union(*(_tees(run, points) for run in runs))
    if not tees:
        return {
            run.name: carried_m3_s(run, head_at(run, run.start.point) - head_at(run, run.end.point)) for run in runs
        }
    (tee,) = tees
    if len(runs) < 2:
        return {run.name: 0.0 for run in runs}
    far = {run.name: run.start.point if run.end.point == tee else run.end.point for run in runs}
    heads = {run.name: head_at(run, far[run.name]) for run in runs}

    def towards(head_m: float) -> dict[str, float]:
        return {run.name: carried_m3_s(run, heads[run.name] - head_m) for run in runs}

    low, high = min(heads.values()), max(heads.values())
    head_m = low if high - low < 1e-9 else brentq(lambda h: sum(towards(h).values()), low, high, xtol=1e-6)
    found = towards(head_m)
    if air_m is not None and head_m < air_m:  # what comes down to the tee falls on to the lowest end
        found = {name: max(flow, 0.0) if heads[name] > air_m else 0.0 for name, flow in towards(air_m).items()}
        found[min(heads, key=lambda name: heads[name])] = -sum(found.values())
    return {run.name: found[run.name] * (1.0 if run.end.point == tee else -1.0) for run in runs}
