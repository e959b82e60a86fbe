"""How high each point of a plumbing stands in the schematic: true where its height is known, else where there is room.

Points with a known height (water surfaces, outlets, supplies) stand to scale. A tee has no height in the file: it
takes its place between its neighbours, high enough that the runs below it have room for their parts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from optimizer.model.network import Network, Point, Run

LEAST_GAP = 28.0  # between two levels, in pixels
_FAR = 0.25  # of the whole height: points nearer to each other do not decide the scale
_SWEEPS = 400

Need = Callable[[Run, bool], float]  # pixels that a run needs between its ends; True: its start is the lower one


@dataclass(frozen=True)
class Levels:
    """Heights in pixels above the height 0, and the scale of the true ones.

    A run in `detours` has ends too near to each other for its parts: it goes away from them and comes back.
    """

    up: Mapping[str, float]
    pixels_per_m: float
    detours: frozenset[str]


def place_levels(network: Network, need: Need) -> Levels:
    """Return the level of every point such that every run that can go straight has room for its parts."""
    height_m = _heights_m(network)
    order = sorted(network.points, key=lambda name: (height_m[name], list(network.points).index(name)))
    rank = {name: place for place, name in enumerate(order)}
    joins = _joins(network, rank, need)
    scale = _scale(network, order, height_m, joins)
    up = {name: scale * height_m[name] for name in order if network.points[name].is_fixed}
    for name in order:
        if name not in up:
            up[name] = _free_level(name, up, joins, scale * height_m[name])
    detours = frozenset(run.name for run in network.runs.values() if _is_detour(run, up, need))
    return Levels(up, scale, detours)


def elevation_m(point: Point) -> float:
    """Return a fixed point's height; its head where only that is known."""
    return next((value for value in (point.elevation_m, point.head_m) if value is not None), 0.0)


def _is_detour(run: Run, up: Mapping[str, float], need: Need) -> bool:
    rise = up[run.end.point] - up[run.start.point]
    return abs(rise) < need(run, rise > 0) - 0.5


def _heights_m(network: Network) -> dict[str, float]:
    """Return known heights, and for each tee the mean of its neighbours': what hangs low is drawn low."""
    height = {name: elevation_m(point) if point.is_fixed else 0.0 for name, point in network.points.items()}
    neighbours: dict[str, list[str]] = {name: [] for name in network.points}
    for run in network.runs.values():
        neighbours[run.start.point].append(run.end.point)
        neighbours[run.end.point].append(run.start.point)
    free = [name for name, point in network.points.items() if not point.is_fixed and neighbours[name]]
    for _ in range(_SWEEPS):
        for name in free:
            height[name] = sum(height[other] for other in neighbours[name]) / len(neighbours[name])
    return {name: round(value, 9) for name, value in height.items()}


def _joins(network: Network, rank: Mapping[str, int], need: Need) -> dict[str, list[tuple[str, float]]]:
    """Return for each point the lower points that runs tie it to, with the pixels that each run needs."""
    joins: dict[str, list[tuple[str, float]]] = {name: [] for name in rank}
    for run in network.runs.values():
        rises = rank[run.start.point] < rank[run.end.point]
        low, high = (run.start.point, run.end.point) if rises else (run.end.point, run.start.point)
        if low != high:
            joins[high].append((low, need(run, rises)))
    return joins


def _scale(
    network: Network, order: list[str], height_m: Mapping[str, float], joins: Mapping[str, list[tuple[str, float]]]
) -> float:
    """Return the pixels per metre at which every chain of runs fits between the known heights that it ties."""
    fixed = [name for name in order if network.points[name].is_fixed]
    span_m = height_m[fixed[-1]] - height_m[fixed[0]] if fixed else 0.0
    if span_m <= 0.0:
        return 1.0
    scale = 4 * LEAST_GAP / span_m
    for base in fixed:
        reach = {base: 0.0}
        for name in order[order.index(base) + 1 :]:
            below = [reach[low] + size for low, size in joins[name] if low in reach and _passes(network, low, base)]
            if below:
                reach[name] = max(below)
        for top in fixed:
            apart_m = height_m[top] - height_m[base]
            if top in reach and apart_m >= _FAR * span_m:
                scale = max(scale, reach[top] / apart_m)
    return scale


def _passes(network: Network, name: str, base: str) -> bool:
    return name == base or not network.points[name].is_fixed


def _free_level(
    name: str, up: Mapping[str, float], joins: Mapping[str, list[tuple[str, float]]], else_up: float
) -> float:
    level = max((up[low] + size for low, size in joins[name] if low in up), default=else_up)
    for taken in sorted(up.values()):
        if abs(level - taken) < LEAST_GAP:
            level = taken + LEAST_GAP
    return level
