"""A box of flow ranges in several modes → the ways of every run that one position of its valve may serve in all modes.

A valve adds k Q² to what its run loses, the same k in every mode. What the heads leave for it at the flows of a mode
says between what limits k lies; where those of two modes do not meet, no position serves both.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from optimizer.model.network import Run
from optimizer.search.flow_posing import Choice, FlowCase, single
from optimizer.search.flow_tightening import ROOT_ROUNDS, Box, Laws, laws_and_heads, tightened

Floats = npt.NDArray[np.float64]
_HAIR = 1e-9  # relative: limits that are no farther apart meet


def positioned(case: FlowCase, box: Box) -> dict[str, list[int]] | None:
    """Return the ways of every run that may serve in every mode within a box; None where a run is left without any.

    Where a run may stand still or run backwards in a mode, that mode says nothing of its valve.
    """
    known = [laws_and_heads(case, {name: box[name, mode] for name in case.network.runs}, mode) for mode in _modes(case)]
    kept: dict[str, list[int]] = {}
    for name, run in case.network.runs.items():
        ways = case.ways[name]
        low, high = np.zeros(len(ways)), np.full(len(ways), np.inf)
        for mode, found in enumerate(known):
            if found is None:
                return None
            if box[name, mode][0] > 0.0:
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
