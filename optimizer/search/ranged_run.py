"""A run's graph and its range of flow → the table of its ways by what they lose at both ends of the range."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, partial

from optimizer.choices.alternatives import AlternativeTable
from optimizer.choices.both_ends import Weighing
from optimizer.choices.graph import Arc, ChoiceGraph
from optimizer.choices.loss_basis import ArcRows
from optimizer.choices.side_resources import SideResource, Sides
from optimizer.model.network import Part
from optimizer.search.list_costs import RunPrices
from optimizer.search.list_ways import TooManyWaysError

_GRAIN_M = 1e-7  # of head: so finely losses are told when ways are compared
_MOST_LEVELS = 8  # of flow, up to which parts may be used: with more, ways are not compared


@dataclass
class RangedRun:
    """A run's graph weighed over its range of flow: what a step loses at either end, and up to which flow it may go.

    For the rest of a plan a loss counts at the flow that the run surely carries; ways are compared by their losses at
    both ends of the range, and by the flows that they may not exceed, as side resources that have no limit.
    """

    graph: ChoiceGraph
    rows: ArcRows
    weighing: Weighing
    prices: RunPrices
    surely_m3_s: float

    @cached_property
    def table(self) -> AlternativeTable:
        """Return the table of the ways on from every node.

        Raises
        ------
        TooManyWaysError
            When a step gives head back, or too many flows limit the steps: then ways can not be compared.
        """
        surely = self.rows.loss_of(self.surely_m3_s) if self.surely_m3_s > 0.0 else None
        least_flow = self.weighing.least_size_m3_s

        def loss_m(arc: Arc) -> float:
            if self.most(arc) < least_flow:
                return math.inf
            return 0.0 if surely is None else surely(arc)

        table = AlternativeTable(
            self.graph,
            self.weighing.packs,
            _none,
            _none,
            _none,
            effort=self.weighing.effort,
            sides=Sides((*self._losses(), *self._levels())),
            loss_of_arc=loss_m,
            least=self.prices.least,
        )
        table.table()
        return table

    def most(self, arc: Arc) -> float:
        """Return the most flow that a step may carry, endless where the run never carries as much [m³/s]."""
        most = self.rows.most_of(arc)
        return math.inf if most >= self.weighing.largest_m3_s else most

    def _losses(self) -> Iterator[SideResource]:
        arcs = [arc for each in self.graph.arcs for arc in each]
        for flow in dict.fromkeys(self.weighing.flows_m3_s):
            loss = self.rows.loss_of(flow)
            sign = math.copysign(1.0, flow)
            if any(sign * loss(arc) < 0.0 for arc in arcs):
                raise TooManyWaysError
            grains = {id(arc): round(sign * loss(arc) / _GRAIN_M) for arc in arcs}
            yield SideResource("head", None, partial(_told, grains), has_price=True)

    def _levels(self) -> Iterator[SideResource]:
        """Yield for every flow that limits some step how many steps may not carry more."""
        least_flow = self.weighing.least_size_m3_s
        levels = {self.most(arc) for arcs in self.graph.arcs for arc in arcs}
        found = sorted(level for level in levels if least_flow <= level < math.inf)
        if len(found) > _MOST_LEVELS:
            raise TooManyWaysError
        for level in found:
            slow = {id(arc): int(self.most(arc) <= level) for arcs in self.graph.arcs for arc in arcs}
            yield SideResource("flow", None, partial(_told, slow), has_price=True)


def _told(used: Mapping[int, int], arc: Arc) -> int:
    return used[id(arc)]


def _none(_: Part) -> float:
    return 0.0
