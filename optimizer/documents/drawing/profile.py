"""The head along a path: from a source through pumps, pipe and fittings to where the water comes out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimizer.model.catalog import PIPES, Kind
from optimizer.model.network import Network, Run

if TYPE_CHECKING:
    from optimizer.hydraulics.losses import PartLoss
    from optimizer.hydraulics.network import NetworkSolution

_STILL_M3_S = 1e-9


@dataclass(frozen=True, slots=True)
class Station:
    """A place on a path: how much pipe lies behind it, and the total head there [m]; `words` where something starts."""

    length_m: float
    head_m: float
    words: str = ""


@dataclass(frozen=True)
class HeadLine:
    """The total head along the runs of a path, in the direction of the water."""

    runs: tuple[str, ...]
    stations: tuple[Station, ...]
    end: str  # the point that it leads to
    end_head_m: float


def paths_of(network: Network, solution: NetworkSolution) -> tuple[tuple[str, ...], ...]:
    """Return the ways of the water, as run names: to each run that ends in a fixed point, along the largest inflow.

    A run that carries nothing is on no path. In a loop the way is followed back along the run that brings the most.
    """
    paths = []
    for name, run in network.runs.items():
        flow = solution.flows_m3_s[name]
        outlet = run.end.point if flow > 0 else run.start.point
        if abs(flow) > _STILL_M3_S and network.points[outlet].is_fixed:
            paths.append(_way_back(network, solution.flows_m3_s, name))
    return tuple(paths)


def _way_back(network: Network, flows: Mapping[str, float], last: str) -> tuple[str, ...]:
    path = [last]
    while True:
        run = network.runs[path[-1]]
        origin = run.start.point if flows[run.name] > 0 else run.end.point
        if network.points[origin].is_fixed:
            return tuple(reversed(path))
        bringing = [
            (abs(flows[other.name]), other.name)
            for other, _, at_start in network.runs_at(origin)
            if other.name not in path and (flows[other.name] < 0) == at_start and abs(flows[other.name]) > _STILL_M3_S
        ]
        if not bringing:
            return tuple(reversed(path))
        path.append(max(bringing)[1])


def head_along(
    network: Network, solution: NetworkSolution, losses: Sequence[PartLoss], path: Sequence[str]
) -> HeadLine:
    """Return the total head along a path: it falls by every part's loss and rises in pumps.

    Parameters
    ----------
    network, solution, losses
        The plumbing, its solution, and `loss_table` of both (gains are not needed).
    path
        Run names in the order of the water.

    Notes
    -----
    The line starts at the head of the first run's origin and closes on the head of every point that it meets, to the
    accuracy of the solution.
    """
    by_run: dict[str, list[PartLoss]] = {}
    for loss in losses:
        by_run.setdefault(loss.run, []).append(loss)
    first = network.runs[path[0]]
    origin = first.start.point if solution.flows_m3_s[first.name] > 0 else first.end.point
    length, head, stations = 0.0, solution.heads_m[origin], list[Station]()
    stations.append(Station(0.0, head, origin))
    for name in path:
        walked = _walk(network, network.runs[name], solution.flows_m3_s[name], by_run.get(name, []), length, head)
        stations += walked
        length, head = walked[-1].length_m, walked[-1].head_m
    last = network.runs[path[-1]]
    end = last.end.point if solution.flows_m3_s[last.name] > 0 else last.start.point
    return HeadLine(tuple(path), tuple(stations), end, solution.heads_m[end])


def _walk(
    network: Network, run: Run, flow_m3_s: float, losses: Sequence[PartLoss], length_m: float, head_m: float
) -> list[Station]:
    """Return the stations along one run, with the water: its origin's fitting, its parts, its end's fitting."""
    from optimizer.hydraulics.pumps import pump_head_m

    forwards = flow_m3_s > 0
    origin, end = (run.start.point, run.end.point) if forwards else (run.end.point, run.start.point)
    part_losses = {loss.index: loss.head_loss_m for loss in losses if loss.place == "part"}
    stations = [Station(length_m, head_m - _opening_loss_m(losses, "entrance", origin), run.name)]
    for index in range(len(run.parts)) if forwards else reversed(range(len(run.parts))):
        part, last = run.parts[index], stations[-1]
        gain = -part_losses.get(index, 0.0)
        if part.kind is Kind.PUMP:
            gain = pump_head_m(network.pumps[part.name], flow_m3_s) * (1.0 if forwards else -1.0)
        longer = part.length_m if part.kind in PIPES else 0.0
        words = part.name if part.kind in (Kind.PUMP, Kind.DEVICE) else ""
        stations.append(Station(last.length_m + longer, last.head_m + gain, words))
    stations.append(Station(stations[-1].length_m, stations[-1].head_m - _opening_loss_m(losses, "exit", end), end))
    return [station for station in stations if math.isfinite(station.head_m)]


def _opening_loss_m(losses: Sequence[PartLoss], place: str, point: str) -> float:
    return sum(loss.head_loss_m for loss in losses if loss.point == point and loss.place in (place, "tee"))
