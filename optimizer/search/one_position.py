"""A box of flow ranges in several modes → the ways of every run that one position of its valve may serve in all modes.

A valve adds k Q² to what its run loses, the same k in every mode. What the heads leave for it at the flows of a mode
says between what limits k lies; where those of two modes do not meet, no position serves both. So of all runs that some
water goes through, from one fixed head to another: what they lose together in one mode is known from what they lose in
another, within what a way of each run, or its valve, loses more or less at other flows.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import numpy.typing as npt

from optimizer.model.network import Network, Run
from optimizer.search.flow_posing import Choice, FlowCase, single
from optimizer.search.flow_tightening import ROOT_ROUNDS, Box, Laws, laws_and_heads, tightened

Floats = npt.NDArray[np.float64]
_HAIR = 1e-9  # relative: limits that are no farther apart meet
_SPARE_M = 1e-6  # of sums of losses
_MOST_PATHS = 60  # that are looked at: round rings there are many


def positioned(case: FlowCase, box: Box) -> dict[str, list[int]] | None:
    """Return the ways of every run that may serve in every mode within a box; None where a run is left without any.

    Where a run may stand still or run backwards in a mode, that mode says nothing of its valve.
    """
    known = [laws_and_heads(case, {name: box[name, mode] for name in case.network.runs}, mode) for mode in _modes(case)]
    if any(found is None for found in known) or not _modes_agree(case, box, [found[0] for found in known if found]):
        return None
    kept: dict[str, list[int]] = {}
    for name, run in case.network.runs.items():
        ways = case.ways[name]
        low, high = np.zeros(len(ways)), np.full(len(ways), np.inf)
        for mode, found in enumerate(known):
            if found is not None and box[name, mode][0] > 0.0:
                least, most = _limits(case, run, box[name, mode], *found)
                low, high = np.maximum(low, least), np.minimum(high, most)
        serves = (high >= 0.0) & (low <= high * (1.0 + _HAIR))
        kept[name] = [i for i, way in enumerate(ways) if serves[i] and (way.valved or low[i] <= 0.0)]
        if not kept[name]:
            return None
    return kept


def surely_fails(case: FlowCase, choice: Choice, within: Box | None = None) -> bool:
    """Return whether heads and targets alone leave a combination no flows, wherever its valves stand.

    `within` are ranges of flow that it must have; None: any.
    """
    own = single(case, choice)
    box: Box | None = dict(within or own.ranges)
    for mode in _modes(own):
        box = None if box is None else tightened(own, box, mode, ROOT_ROUNDS)
    return box is None or (len(own.modes) > 1 and positioned(own, box) is None)


def _modes(case: FlowCase) -> range:
    return range(len(case.modes))


def _modes_agree(case: FlowCase, box: Box, laws: Sequence[Laws]) -> bool:
    """Return whether what water loses on each of its ways in one mode goes with what it loses there in another."""
    network, known = case.network, dict[tuple[str, int, int], Floats]()
    for name in network.runs:
        for mode, side in itertools.product(_modes(case), (0, 1)):
            known[name, mode, side] = case.tables[name].losses_m(box[name, mode][side])
    for one, other in itertools.permutations(_modes(case), 2):
        moving = [name for name in network.runs if min(box[name, one][0], box[name, other][0]) > 0.0]
        for path in itertools.islice(_paths(network, moving), _MOST_PATHS):
            start, end = (network.points[at].head_m or 0.0 for at in (path[0].start.point, path[-1].end.point))
            names = [run.name for run in path]
            least = start - end - math.fsum(laws[one][name].apart_from_ways(box[name, one][1])[1] for name in names)
            most = start - end - math.fsum(laws[other][name].apart_from_ways(box[name, other][0])[0] for name in names)
            lost = [(known[name, one, 1], known[name, other, 0]) for name in names]
            times = [(high[low > 0.0] / low[low > 0.0]).max(initial=0.0) for high, low in lost]
            times += [(box[name, one][1] / box[name, other][0]) ** 2 for name in names]  # of a valve
            more = math.fsum(max(0.0, (high - max(times) * low).max()) for high, low in lost)  # of what gives back
            if least > max(times) * max(most, 0.0) + more + _SPARE_M:
                return False
    return True


def _paths(network: Network, names: Sequence[str]) -> Iterator[list[Run]]:
    """Yield the runs of every way that water goes along these runs, from one fixed head to another."""
    runs = [network.runs[name] for name in names]
    waiting = [[run] for run in runs if network.points[run.start.point].is_fixed]
    while waiting:
        path = waiting.pop()
        if network.points[path[-1].end.point].is_fixed:
            yield path
        elif len(path) < len(runs):
            waiting += [[*path, run] for run in runs if run.start.point == path[-1].end.point and run not in path]


def _limits(
    case: FlowCase, run: Run, flows: tuple[float, float], laws: Laws, heads: Mapping[str, list[float]]
) -> tuple[Floats, Floats]:
    """Return between what limits k lies for every way of a run in one mode [s²/m⁵].

    What is left of a head falls as the flow rises, and so does that over the flow's square as long as anything is left.
    """
    law, (low, high) = laws[run.name], flows
    start, end = heads[run.start.point], heads[run.end.point]
    most = (start[1] - end[0] - law.apart_from_ways(low)[0] - case.tables[run.name].losses_m(low)) / low**2
    least = (start[0] - end[1] - law.apart_from_ways(high)[1] - case.tables[run.name].losses_m(high)) / high**2
    return np.maximum(least, 0.0), most
