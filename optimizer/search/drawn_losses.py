"""What a step along a run loses in every draw, at known flows: linear in the draw's factors, so one vector a part.

Whether a fitting at the end of a step stands close to what comes next is known only once the run is whole; a lower
loss takes the lesser of both. What a whole plan loses is told by the network alone (`hydraulics.chance`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from optimizer.choices.demands import DemandPath, KnownFlows
from optimizer.choices.graph import Arc, ChoiceGraph
from optimizer.choices.velocity import VelocityRule, velocity_rule
from optimizer.hydraulics import (
    Conditions,
    conditions_of,
    element_of,
    entrance_head_loss_m,
    exit_head_loss_m,
    part_head_loss_m,
    pump_head_m,
    tee_head_losses_m,
)
from optimizer.hydraulics.close_coupled import BAND_HIGH, BAND_LOW
from optimizer.hydraulics.draws import (
    DEVICE,
    FRICTION,
    JOINTS,
    OPENING,
    Draws,
    band_of,
    family_of,
    walls,
)
from optimizer.hydraulics.friction import PipePieces
from optimizer.hydraulics.tees import tee_geometry
from optimizer.model.catalog import PIPES, CatalogItem, Kind
from optimizer.model.network import Leg, Network, Part, Run
from optimizer.model.system import System
from optimizer.search.closeness import Closeness, closeness_of
from optimizer.verify.openings import opened

Floats = npt.NDArray[np.float64]


@dataclass
class DrawnLosses:
    """Losses and heads of a system at known flows, in every draw; arrays of shape (n_draws,) in metres."""

    network: Network
    flows: KnownFlows
    conditions: Conditions
    draws: Draws
    graphs: Mapping[str, ChoiceGraph]
    rule: VelocityRule
    closeness: Mapping[str, Closeness]
    _known: dict[tuple[object, ...], Floats] = field(default_factory=dict)
    _tees: dict[tuple[object, ...], dict[Leg, Floats]] = field(default_factory=dict)
    _most: dict[tuple[object, ...], float] = field(default_factory=dict)  # that parts may carry [m³/s]

    @classmethod
    def of(cls, system: System, flows: KnownFlows, draws: Draws, graphs: Mapping[str, ChoiceGraph]) -> DrawnLosses:
        """Return the losses of all steps of these choice graphs, by run, of a system."""
        network = system.network
        close = {name: closeness_of(graph, network) for name, graph in graphs.items()}
        return cls(network, flows, conditions_of(network), draws, graphs, velocity_rule(system), close)

    def on(self, graphs: Mapping[str, ChoiceGraph]) -> DrawnLosses:
        """Return the losses on other choice graphs of the same runs."""
        close = {name: closeness_of(graph, self.network) for name, graph in graphs.items()}
        return replace(self, graphs=graphs, closeness=close)

    def in_draws(self, draws: Draws) -> DrawnLosses:
        """Return the losses in other draws."""
        return self if draws is self.draws else replace(self, draws=draws, _known={}, _tees={})

    @cached_property
    def steps(self) -> dict[str, tuple[list[int], Floats]]:
        """Return by run the ids of its steps, and what each loses at the least, (n_steps, n_draws); endless where a
        rule forbids it."""
        found = {}
        for name, graph in self.graphs.items():
            flow, close = self.flows.flows_m3_s[name], self.closeness[name]
            steps = [arc for arcs in graph.arcs for arc in arcs]
            alike: dict[tuple[object, ...], Floats] = {}  # steps of the same parts, which stand as close
            lost = []
            for arc in steps:
                key = (id(arc.parts), arc.joint_s2_m5, arc.first, arc.last, close.sure[id(arc)], close.maybe[id(arc)])
                if key not in alike:
                    alike[key] = self.least_of_step_m(graph.run, arc, flow)
                lost.append(alike[key])
            found[name] = [id(arc) for arc in steps], np.array(lost).reshape(len(steps), self.draws.samples)
        return found

    def part_m(self, part: Part, flow_m3_s: float) -> Floats:
        """Return what a part with its valve open loses, away from other fittings."""
        item = part.item.item_id if part.item else part.name
        key = (item, part.kind, part.reverse, part.least_flow_m3_s, flow_m3_s)
        if part.kind in PIPES:
            return part.length_m * self._pipe_m(part, flow_m3_s)
        if key not in self._known:
            lost = part_head_loss_m(opened(part), flow_m3_s, self.conditions)
            self._known[key] = lost * self._factor(part, flow_m3_s)
        return self._known[key]

    def _factor(self, part: Part, flow_m3_s: float) -> Floats:
        if part.kind is Kind.DEVICE:
            return self.draws.loss(f"device {part.name}", DEVICE)
        if part.item is None:
            return self.draws.loss("all else", (1.0, 1.0))
        band = band_of(part, part.item, abs(flow_m3_s), self.conditions)
        return self.draws.loss(family_of(part, part.item), band)

    def _pipe_m(self, part: Part, flow_m3_s: float) -> Floats:
        """Return what a metre of a pipe loses."""
        alike = ("metre", part.item and part.item.item_id, part.existing, part.end_bores_m, flow_m3_s)
        if alike not in self._known:
            self._known[alike] = self._metre_m(part, flow_m3_s)
        return self._known[alike]

    def _metre_m(self, part: Part, flow_m3_s: float) -> Floats:
        element = element_of(part, self.conditions)
        widest = element.bore_m if part.item is None else max(part.item.bore_min_wall_m, element.bore_m)
        share, rough = walls(self.draws, self.conditions)
        bore = element.bore_m + share * (widest - element.bore_m)
        roughness = element.roughness_m * rough
        one = PipePieces.of(np.ones(len(bore)), bore, roughness, self.conditions.fluid, self.conditions.hazen_williams)
        lost = one.head_and_slope(np.full(len(bore), flow_m3_s))[0]
        return np.asarray(lost * self.draws.loss("friction formula", FRICTION) * self.conditions.loss_factor)

    def coupling(self) -> Floats:
        """Return what close coupling multiplies a loss with."""
        key = ("coupling",)
        if key not in self._known:
            self._known[key] = self.draws.factor("close coupling", (BAND_LOW, BAND_HIGH))
        return self._known[key]

    def least_of_step_m(self, run: Run, arc: Arc, flow_m3_s: float) -> Floats:
        """Return what a step loses at the least: a fitting whose neighbour is not known counts as it is better."""
        if any(flow_m3_s > self._most_m3_s(run, part) for part in arc.parts):
            return np.full(self.draws.samples, np.inf)
        sure, maybe = self.closeness[run.name].sure[id(arc)], self.closeness[run.name].maybe[id(arc)]
        total = np.zeros(self.draws.samples)
        alone = np.zeros(self.draws.samples)
        for i, part in enumerate(arc.parts):
            if part.kind in (Kind.PUMP, Kind.OPEN_JOINT):
                continue
            lost = self.part_m(part, flow_m3_s)
            if i in sure:
                total += lost * self.coupling()
            elif i in maybe:
                alone += lost
            else:
                total += lost
        total += alone * np.minimum(1.0, self.coupling())
        if arc.joint_s2_m5:
            joints = arc.joint_s2_m5 * self.conditions.loss_factor * flow_m3_s * abs(flow_m3_s)
            total += joints * self.draws.loss("joints", JOINTS)
        if arc.parts and arc.first and self.network.points[run.start.point].is_open:
            total += entrance_head_loss_m(arc.parts[0], flow_m3_s, self.conditions) * self._openings()
        if arc.parts and arc.last and self.network.points[run.end.point].is_open:
            total += exit_head_loss_m(arc.parts[-1], flow_m3_s, self.conditions) * self._openings()
        return total

    def _most_m3_s(self, run: Run, part: Part) -> float:
        key = ("most", run.name, part.item.item_id if part.item else "", part.kind, part.existing, part.length_m)
        if key not in self._most:
            self._most[key] = self.rule.most_m3_s(run, part)
        return self._most[key]

    def _openings(self) -> Floats:
        return self.draws.loss("openings", OPENING)

    @cached_property
    def by_step(self) -> dict[int, Floats]:
        """Return the same of all runs by the id of the step."""
        each = (zip(numbers, lost_m, strict=True) for numbers, lost_m in self.steps.values())
        return {step: lost_m for some in each for step, lost_m in some}

    def tee_m(self, item: CatalogItem | None, legs_m3_s: Mapping[Leg, float]) -> dict[Leg, Floats]:
        """Return what is lost between each leg and the middle of a tee."""
        key = ("tee", item and item.item_id, *legs_m3_s.items())
        if key not in self._tees:
            self._tees[key] = self._tee_m(item, legs_m3_s)
        return self._tees[key]

    def _tee_m(self, item: CatalogItem | None, legs_m3_s: Mapping[Leg, float]) -> dict[Leg, Floats]:
        losses = tee_head_losses_m(item, legs_m3_s, self.conditions)
        geometry = tee_geometry(item, self.conditions)
        if item is None or geometry is None:
            return {leg: lost * self.draws.loss("all else", (1.0, 1.0)) for leg, lost in losses.items()}
        factor = self.draws.loss(f"tees, {item.loss.source}", (item.loss.band_low, item.loss.band_high))
        found = {}
        for leg, lost in losses.items():
            out, back = geometry.necks.get(leg, (0.0, 0.0))
            flow = legs_m3_s[leg]
            neck = (back if flow > 0.0 else out) * flow * flow
            found[leg] = neck * self.draws.loss("all else", (1.0, 1.0)) + (lost - neck) * factor
        return found

    def head_m(self, path: DemandPath, speed: float) -> Floats:
        """Return the head at hand on a path, its lift taken off, with the planned pump at a speed."""
        source, ends = (
            path.source,
            (self.network.runs[path.source].start.point, self.network.runs[path.demand].end.point),
        )
        first, last = (self.draws.height_m(point) for point in ends)
        head = np.full(self.draws.samples, -path.lift_m) + first - last
        name = self.flows.pump if source == self.flows.source else self.flows.others[source]
        if not name:
            return head
        return head + self._given_m(name, source, speed if source == self.flows.source else None)

    def _given_m(self, name: str, source: str, speed: float | None) -> Floats:
        """Return what a pump gives at the flow of a source, at what a speed may mean by its dial."""
        key = ("pump", name, source, speed)
        if key not in self._known:
            pump, flow_m3_s = self.network.pumps[name], self.flows.flows_m3_s[source]
            speeds = self.draws.speeds(name, pump.speed if speed is None else speed).tolist()
            heads = {one: pump_head_m(pump, flow_m3_s, one) for one in dict.fromkeys(speeds)}
            self._known[key] = np.array([heads[one] for one in speeds]) * self.draws.pump_head(name)
        return self._known[key]
