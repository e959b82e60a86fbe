"""The head line: total head before and after every part along a path of runs, from one fixed head to another."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from optimizer.errors import NetworkError
from optimizer.hydraulics.compiled import openings_of, run_elements
from optimizer.hydraulics.conditions import Conditions, conditions_of
from optimizer.hydraulics.elements import NOTHING, element_head_loss_m
from optimizer.hydraulics.network import NetworkSolution
from optimizer.hydraulics.pumps import pump_head_m
from optimizer.hydraulics.tees import tee_head_losses_m
from optimizer.model.catalog import PIPES, Kind
from optimizer.model.network import Leg, Network, Run, RunEnd

_STILL_M3_S = 1e-9


@dataclass(frozen=True, slots=True)
class HeadPoint:
    """The total head at one place of a path, after what `words` names; the first place is the path's first point.

    `distance_m` counts lengths of pipe, hose and tube from the path's beginning. `place` is "point", "part",
    "entrance", "exit" or "tee"; `index` is the part's index in its run.
    """

    run: str
    place: str
    index: int | None
    words: str
    distance_m: float
    head_m: float


def head_line(network: Network, solution: NetworkSolution, path: Sequence[str]) -> tuple[HeadPoint, ...]:
    """Return the head at every place along a path of runs, each of which begins where the one before ends.

    A run that the path takes against its own direction is walked from its end. The last head is that of the path's
    last point within the tolerance of the solution (1e-6 m for each run).

    Raises
    ------
    NetworkError
        When the path is empty, names a run that is not there, or two runs in a row do not meet; when a shut run is on
        the path, along which no head can be told.
    """
    conditions = conditions_of(network)
    ways = _ways(network, path)
    first = _ends(ways[0])[0]
    head, distance = solution.heads_m[first.point], 0.0
    places = [HeadPoint(ways[0][0].name, "point", None, first.point, distance, head)]
    for run, forwards in ways:
        if abs(solution.flows_m3_s[run.name]) <= _STILL_M3_S:
            raise NetworkError(f"no water flows in run {run.name!r}, so there is no head line along it")
        for step in _steps(network, solution, run, forwards, conditions):
            head, distance = head + step.head_m, distance + step.distance_m
            places.append(HeadPoint(run.name, step.place, step.index, step.words, distance, head))
    return tuple(places)


def path_through(network: Network, solution: NetworkSolution, run: str) -> tuple[str, ...]:
    """Return the runs that the water of one run takes, upstream and downstream to a fixed head, where most flows.

    Raises
    ------
    NetworkError
        When there is no such run, or no water flows in it.
    """
    flow = solution.flows_m3_s[network.run(run).name]
    if abs(flow) <= _STILL_M3_S:
        raise NetworkError(f"no water flows in run {run!r}, so there is no path of its water")
    upstream, downstream = _follow(network, solution, run, -1.0), _follow(network, solution, run, 1.0)
    return (*reversed(upstream), run, *downstream)


def _follow(network: Network, solution: NetworkSolution, run: str, way: float) -> list[str]:
    """Walk from a run with the water (way +1) or against it (-1) until a fixed head, and list the runs passed."""
    found: list[str] = []
    at = network.runs[run]
    while True:
        with_run = way * solution.flows_m3_s[at.name] > 0.0
        point = at.end.point if with_run else at.start.point
        if network.points[point].is_fixed:
            return found
        carried = [
            (abs(solution.flows_m3_s[other.name]), other.name)
            for other, _, at_start in network.runs_at(point)
            if way * solution.flows_m3_s[other.name] * (1.0 if at_start else -1.0) > _STILL_M3_S
            and other.name not in (*found, run)
        ]
        if not carried:
            return found
        at = network.runs[max(carried)[1]]
        found.append(at.name)


def _ways(network: Network, path: Sequence[str]) -> list[tuple[Run, bool]]:
    """Return the runs of a path, each with whether it is taken in its own direction."""
    if not path:
        raise NetworkError("a path needs one run at least")
    runs = [network.run(name) for name in path]
    at = _first_point(network, runs)
    ways = []
    for run in runs:
        if at not in (run.start.point, run.end.point):
            raise NetworkError(f"run {run.name!r} does not begin at {at!r}, where the path has come to")
        ways.append((run, run.start.point == at))
        at = run.end.point if run.start.point == at else run.start.point
    return ways


def _first_point(network: Network, runs: Sequence[Run]) -> str:
    """Return where a path begins: at a fixed head where either end of its first run would do."""
    ends = [runs[0].start.point, runs[0].end.point]
    if len(runs) == 1:
        return ends[0]
    following = (runs[1].start.point, runs[1].end.point)
    possible = [begin for begin, other in (ends, ends[::-1]) if other in following] or ends
    return next((point for point in possible if network.points[point].is_fixed), possible[0])


def _ends(way: tuple[Run, bool]) -> tuple[RunEnd, RunEnd]:
    run, forwards = way
    return (run.start, run.end) if forwards else (run.end, run.start)


def _steps(
    network: Network, solution: NetworkSolution, run: Run, forwards: bool, conditions: Conditions
) -> Iterator[HeadPoint]:
    """Yield what every place of a run adds to distance and head on a walk along it."""
    flow = solution.flows_m3_s[run.name]
    sign = 1.0 if forwards else -1.0
    openings = openings_of(run, network, conditions)
    here, there = _ends((run, forwards))
    at_start, at_end = openings if forwards else openings[::-1]
    entering, leaving = ("entrance", "exit") if sign * flow > 0.0 else ("exit", "entrance")
    yield from _tee_step(network, solution, run, here, conditions, outwards=True)
    if at_start != NOTHING:
        loss = sign * element_head_loss_m(at_start, flow, conditions)
        yield HeadPoint(run.name, entering, None, f"{entering} at {here.point}", 0.0, -loss)
    order = range(len(run.parts)) if forwards else range(len(run.parts) - 1, -1, -1)
    elements = run_elements(run, network, conditions)
    for index in order:
        part = run.parts[index]
        if part.kind is not Kind.OPEN_JOINT:
            rise = -sign * element_head_loss_m(elements[index], flow, conditions)
            if part.kind is Kind.PUMP:
                rise += sign * pump_head_m(network.pumps[part.name], flow)
            length = part.length_m if part.kind in PIPES else 0.0
            yield HeadPoint(run.name, "part", index, part.words, length, rise)
    if at_end != NOTHING:
        loss = sign * element_head_loss_m(at_end, flow, conditions)
        yield HeadPoint(run.name, leaving, None, f"{leaving} at {there.point}", 0.0, -loss)
    yield from _tee_step(network, solution, run, there, conditions, outwards=False)


def _tee_step(
    network: Network, solution: NetworkSolution, run: Run, end: RunEnd, conditions: Conditions, outwards: bool
) -> Iterator[HeadPoint]:
    """Yield the step between the tee's combined leg and this run's leg, walked out of the tee or into it."""
    tee = network.tees.get(end.point)
    if end.leg is Leg.NONE or tee is None or tee.item is None:
        return
    into = {
        leg: (-1.0 if at_start else 1.0) * solution.flows_m3_s[other.name]
        for other, leg, at_start in network.runs_at(end.point)
    }
    loss = tee_head_losses_m(tee.item, into, conditions)[end.leg]
    above = loss if into[end.leg] > 0.0 else -loss  # of the leg over the combined one
    if above != 0.0:
        words = f"{tee.item.description} at {end.point}"
        yield HeadPoint(run.name, "tee", None, words, 0.0, above if outwards else -above)
