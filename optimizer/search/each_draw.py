"""Ways of every run and fittings of every tee → what each loses in each of some draws, as rows of the program.

A plan may fail in so many of the draws. Losses are told a little low and heads a little high: a choice that the rows
let pass is judged by the network alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.choices.graph import Arc
from optimizer.model.catalog import CatalogItem
from optimizer.program.list_program import DrawnRows
from optimizer.program.problem import LOSS_UNIT_M
from optimizer.search.drawn_losses import DrawnLosses
from optimizer.search.posing import PosedProblem

if TYPE_CHECKING:
    from optimizer.search.list_ways import Way

Floats = npt.NDArray[np.float64]

_SPARE_M = 1e-5  # by which heads are told high


@dataclass(frozen=True)
class EachDraw:
    """Draws in the first of which a plan works, and of the others of which it may fail in so many, the hardest first.

    `works` judges a choice of such a price [cents] by the network, in all draws there are. `taken` and `made` are told
    of lists priced for any of the draws: the new pipe of all, saw cuts counted [units], the joints of the best.
    """

    drawn: DrawnLosses
    speed: float
    at: npt.NDArray[np.int64]
    may_fail: int
    works: Callable[[PosedProblem, int], bool]
    taken: list[tuple[CatalogItem, int]] = field(default_factory=list)
    made: dict[tuple[str, str], int] = field(default_factory=dict)
    _steps: dict[int, Floats] = field(default_factory=dict)

    def of_step_m(self, arc: Arc) -> Floats:
        """Return what a step loses in each draw [m]."""
        if id(arc) not in self._steps:
            self._steps[id(arc)] = self.drawn.by_step[id(arc)][self.at]
        return self._steps[id(arc)]

    def rows(
        self, posed: PosedProblem, ways: Mapping[str, Sequence[Way]], tees: Mapping[str, Sequence[int]]
    ) -> DrawnRows:
        """Return the rows of all draws but the first for these ways and for the fittings of these numbers."""
        runs = {run: [way.lost_m[1:] / LOSS_UNIT_M for way in found] for run, found in ways.items()}
        heads = {name: head[1:] for name, head in self.heads().items()}
        lost = {
            point: [{end: each[1:] for end, each in one.items()} for one in found]
            for point, found in self.tees(posed, tees).items()
        }
        return DrawnRows(self.may_fail, heads, runs, lost)

    def heads(self) -> dict[str, Floats]:
        """Return the head of every way in each draw [loss units]."""
        flows = self.drawn.flows
        return {
            path.demand: (self.drawn.head_m(path, self.speed)[self.at] + _SPARE_M) / LOSS_UNIT_M
            for path in filter(flows.binds, flows.paths)
        }

    def tees(
        self, posed: PosedProblem, tees: Mapping[str, Sequence[int]]
    ) -> dict[str, list[dict[tuple[str, bool], Floats]]]:
        """Return what the fittings of these numbers lose at every run end in each draw [loss units]."""
        flows, network, at = self.drawn.flows, self.drawn.network, self.at
        found: dict[str, list[dict[tuple[str, bool], Floats]]] = {}
        for point, kept in tees.items():
            legs = flows.legs_in(network, point)
            ends = [(run.name, at_start, leg) for run, leg, at_start in network.runs_at(point)]
            found[point] = []
            for k in kept:
                one = self.drawn.tee_m(posed.tees[point][k].item, legs)
                found[point].append(
                    {
                        (run, at_start): (one[leg][at] if leg in one else np.zeros(len(at))) / LOSS_UNIT_M
                        for run, at_start, leg in ends
                    }
                )
        return found
