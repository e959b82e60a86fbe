"""Small sumps in a box of flows: which ways its pipe leaves room for, which flows the least pipe, what water is worth.

What runs back is the water over the edges of tanks, which rises with the flow, and that in the pipe. So the least flows
of a box say what all pipe may hold together, and the least that it can hold says which flows are too much. Tables over
flow and head tell the least that a plan holds where water alone has a price. With a price on water beside money a plan
that holds no more than the room costs at least what it comes to with its water paid for, less what the room is worth.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from optimizer.choices.loss_basis import Floats
from optimizer.program.head_tree import BoxTree
from optimizer.search.flow_posing import Choice, FlowCase, with_rows
from optimizer.search.flow_ranges import Range, by_mass
from optimizer.verify.drain_back import wet_runs

_UL_PER_M3 = 1e9
_STEPS = 8  # of the search for what water is worth
_SLACK_UL = 1000.0  # for steps rounded up: a bound may only be too free

Ranges = Mapping[tuple[str, int], Range]


class Weights(NamedTuple):
    """What a cent, and a µL of water, count in tables."""

    money: float
    water: float


MONEY_ALONE, WATER_ALONE = Weights(1.0, 0.0), Weights(0.0, 1.0)


@dataclass
class BoxWater:
    """What the sumps of a case take of the water in its runs; of a case whose plans may hold any, nothing is told."""

    case: FlowCase
    held_ul: dict[str, Floats] = field(init=False, default_factory=dict)  # by run that runs off, of its ways

    def __post_init__(self) -> None:
        if any(each.most_back_m3 is not None for each in self.case.allowances):
            for run in wet_runs(self.case.network):
                ways = self.case.ways[run.name]
                self.held_ul[run.name] = np.array([way.alternative.used[-1] for way in ways], dtype=float)

    def of(self, choice: Choice) -> float:
        """Return the water that the runs of a combination hold [µL]."""
        taken = zip(self.case.ways, choice.ways, strict=True)
        return sum(float(self.held_ul[name][k]) for name, k in taken if name in self.held_ul)

    def room_ul(self, ranges: Ranges) -> float:
        """Return the most that the runs may hold together whatever flows within the ranges [µL]."""
        rooms = (
            most.most_pipe_m3({name: ranges[name, mode] for name in self.case.network.runs})
            for mode, most in enumerate(self.case.allowances if self.held_ul else ())
        )
        return min((each for each in rooms if each is not None), default=math.inf) * _UL_PER_M3 + _SLACK_UL

    def binds(self, ways: Mapping[str, Sequence[int]], room_ul: float) -> bool:
        """Return whether some combination of ways holds more than the room."""
        return sum(float(held[ways[name]].max()) for name, held in self.held_ul.items()) > room_ul

    def weighed(self, tree: BoxTree, ways: Mapping[str, Sequence[int]], by: Weights) -> BoxTree:
        """Return trees in which all costs are weights of money and water."""
        if by == MONEY_ALONE:
            return tree
        runs = {
            name: replace(run, cents=by.money * run.cents + by.water * self.held_ul[name][list(ways[name])])
            if name in self.held_ul
            else replace(run, cents=by.money * run.cents)
            for name, run in tree.runs.items()
        }
        partings = {
            name: replace(one, fittings=tuple(replace(each, cents=by.money * each.cents) for each in one.fittings))
            for name, one in tree.partings.items()
        }
        settings = tuple(replace(each, cents=by.money * each.cents) for each in tree.settings)
        return replace(tree, runs=runs, partings=partings, settings=settings)

    def with_flows_held(self, ranges: Ranges, least_ul: float) -> dict[tuple[str, int], Range] | None:
        """Return the ranges as far as what runs back narrows them where all runs hold at least so much; None: empty."""
        network, found = self.case.network, dict(ranges)
        for mode, (at, most) in enumerate(zip(self.case.modes, self.case.allowances, strict=True)):
            rows = most.back_rows(network, pipe_m3=max(0.0, least_ul - _SLACK_UL) / _UL_PER_M3)
            bounds = by_mass(
                network, with_rows(network, at, rows).rows, {name: found[name, mode] for name in network.runs}
            )
            if bounds.empty:
                return None
            found |= {(name, mode): narrower for name, narrower in bounds.ranges.items()}
        return found


def worth_of_water(cheapest: Callable[[Weights], tuple[float, float] | None], room_ul: float) -> float:
    """Return what a µL is worth [cents]: the price between plans that hold too much of it and little enough.

    `cheapest` tells the cents and the water [µL] of the cheapest plan of tables in which both count so much. The price
    is sought as in `scarce_water`, by the line through the two nearest plans on either side.
    """
    wet, dry, worth = cheapest(MONEY_ALONE), cheapest(WATER_ALONE), 0.0
    for _ in range(_STEPS):
        if wet is None or dry is None or not dry[1] <= room_ul < wet[1]:
            break
        worth = max(0.0, dry[0] - wet[0]) / (wet[1] - dry[1])
        found = cheapest(Weights(1.0, worth))
        if found is None or found in (wet, dry):
            break
        wet, dry = (wet, found) if found[1] <= room_ul else (found, dry)
    return worth
