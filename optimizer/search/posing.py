"""Turn a system with known flows into the whole numbers of the program, and keep what they stand for."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import Any, Protocol

from optimizer.choices.alternatives import Alternative, AlternativeTable, Pack, parts_cents
from optimizer.choices.demands import DemandPath, KnownFlows
from optimizer.choices.effort import Effort
from optimizer.choices.graph import FREE, KEPT, Arc, ChoiceGraph, EndState
from optimizer.choices.side_resources import SideResource, Sides, parts_money, saw_cuts, water
from optimizer.choices.tees import TeeOption
from optimizer.choices.velocity import velocity_rule
from optimizer.hydraulics import (
    Conditions,
    conditions_of,
    entrance_head_loss_m,
    exit_head_loss_m,
    part_head_loss_m,
    pump_head_m,
    tee_head_losses_m,
)
from optimizer.model.catalog import CatalogItem
from optimizer.model.network import Leg, Network, Part, Run
from optimizer.program.problem import LOSS_UNIT_M, NO_LIMIT, Limit, Path, RunChoice, SizingProblem, TeeChoice
from optimizer.search.collection import collection_held
from optimizer.search.list_costs import RunPrices
from optimizer.search.options import Options, allowed_tees
from optimizer.verify.drain_back import wet_runs
from optimizer.verify.drains import part_volume_m3
from optimizer.verify.openings import opened


class OtherLosses(Protocol):
    """Losses and heads in place of the published ones [m], for a problem that bounds another one from below."""

    def step_m(self, run: Run, arc: Arc) -> float:
        """Return what a step along a run loses; endless where a rule forbids it."""

    def tee_m(self, item: CatalogItem, legs_m3_s: Mapping[Leg, float]) -> Mapping[Leg, float]:
        """Return what is lost between each leg and the middle of a tee."""

    def head_m(self, path: DemandPath) -> float:
        """Return the head at hand on a path, its lift taken off."""


LEAST_PER_CENT = 1000  # what steps add to the list at the least is told so finely


@dataclass(frozen=True)
class PosedProblem:
    """The program's numbers with the alternatives that they stand for, index by index."""

    problem: SizingProblem
    alternatives: Mapping[str, tuple[Alternative, ...]]
    tees: Mapping[str, list[TeeOption]]
    states: Mapping[EndState, int] = field(default_factory=dict)  # the number that the program has for each end state
    tables: Mapping[str, AlternativeTable] = field(default_factory=dict)  # what found the alternatives of each run
    again: Callable[[Options, Mapping[str, RunPrices]], PosedProblem] | None = None  # the same with other prices


@collection_held()
def pose(
    options: Options,
    flows: KnownFlows,
    speed: float,
    *,
    bounded: bool = True,
    most_volume_m3: float | None = None,
    least: Mapping[str, RunPrices] | None = None,
    other: OtherLosses | None = None,
    losses: Mapping[str, dict[int, float]] | None = None,
) -> PosedProblem:
    """Return the program's numbers at known flows and one pump speed. Losses are rounded up, heads down.

    `other` losses and heads stand in place of the published ones; `losses` are what steps are known to lose, by run.
    With `least`, by run, costs are what steps add to the parts list at the least, in thousandths of a cent.

    Unless `bounded` is off, alternatives that lose more than there is head for are left out. The runs that run
    off when pumps stop may together hold no more water than `most_volume_m3`, where it is given; what the rules limit
    is limited here too.
    """
    posing = _Posing(options, flows, speed, bounded, most_volume_m3, least)
    tables = posing.tables([other])
    for name, table in tables.items():
        table.losses = (losses or {}).get(name, {})
        if other is not None:
            table.loss_of_arc = partial(other.step_m, table.graph.run)
        table.find()
    return posing.posed(tables, other)


@collection_held()
def pose_each(
    options: Options,
    flows: KnownFlows,
    speed: float,
    least: Mapping[str, RunPrices],
    drawn: Mapping[int, Any],
    others: Sequence[OtherLosses],
) -> list[PosedProblem]:
    """Return the same problems as `pose` with each of several other losses, worked out together.

    `drawn` is what each step loses by each of them [m], (n_others,), by its id.
    """
    posing = _Posing(options, flows, speed, True, None, least)
    tables = posing.tables(others)
    for table in tables.values():
        table.drawn = drawn
        table.find()
    return [
        posing.posed({name: table.in_draw(i) for name, table in tables.items()}, other)
        for i, other in enumerate(others)
    ]


@dataclass(frozen=True)
class _Posing:
    """Makes the program's numbers; see `pose`."""

    options: Options
    flows: KnownFlows
    speed: float
    bounded: bool
    most_volume_m3: float | None
    least: Mapping[str, RunPrices] | None

    @property
    def unit(self) -> int:
        return 1 if self.least is None else LEAST_PER_CENT

    @cached_property
    def conditions(self) -> Conditions:
        return conditions_of(self.options.system.network)

    @cached_property
    def heads_m(self) -> dict[str, float]:
        return given_heads_m(self.options.system.network, self.flows, self.speed)

    @cached_property
    def sides(self) -> Sides:
        return sides_of(self.options, self.most_volume_m3, self.least)

    @cached_property
    def packs(self) -> tuple[Pack, ...]:
        return tuple(replace(pack, cents=self.unit * pack.cents) for pack in self.options.packs)

    def tables(self, others: Sequence[OtherLosses | None]) -> dict[str, AlternativeTable]:
        """Return what will find the alternatives of each run, up to the most head that any of other losses leave."""
        options, least = self.options, self.least
        at_rest = self.sides
        if self.most_volume_m3 is not None:
            at_rest = sides_of(options, self.most_volume_m3, least, lambda part: 0.0)
        wet = {run.name for run in wet_runs(options.system.network)}
        most_m: dict[str, float] = {}
        for path in filter(self.flows.binds, self.flows.paths):
            head_m = max(_head_m(path, self.heads_m, other) for other in others)
            most_m |= {name: max(most_m.get(name, -math.inf), head_m) for name in path.runs}
        tables = {}
        for name, graph in options.graphs.items():
            tables[name] = _table(
                graph,
                options,
                self.flows.flows_m3_s[name],
                self.conditions,
                _tee_gain_limit(most_m.get(name, math.inf)) if self.bounded else math.inf,
                self.sides if name in wet else at_rest,
                None if least is None else least[name],
            )
            tables[name].packs = self.packs
        return tables

    def posed(self, tables: Mapping[str, AlternativeTable], other: OtherLosses | None) -> PosedProblem:
        """Return the numbers of the program of what tables have found."""
        options, flows, sides = self.options, self.flows, self.sides
        states = _StateNumbers()
        alternatives: dict[str, tuple[Alternative, ...]] = {}
        runs: dict[str, tuple[RunChoice, ...]] = {}
        for name, table in tables.items():
            pairs = [(pair, alternative) for pair, found in table.alternatives().items() for alternative in found]
            alternatives[name] = tuple(alternative for _, alternative in pairs)
            runs[name] = tuple(
                RunChoice(states(q[0]), states(q[1]), a.cents, loss_units(a.loss_m), a.packs, a.used) for q, a in pairs
            )

        def again(options: Options, least: Mapping[str, RunPrices]) -> PosedProblem:
            graphs = self.options.graphs
            known = {name: tables[name].losses for name, graph in options.graphs.items() if graph is graphs[name]}
            same = partial(pose, bounded=self.bounded, most_volume_m3=self.most_volume_m3, other=other)
            return same(options, flows, self.speed, least=least, losses=known)

        network, tees = options.system.network, allowed_tees(options.system, options.tees, flows.flows_m3_s)
        problem = SizingProblem(
            runs=runs,
            tees={
                point: _tee_choices(network, point, found, flows, self.conditions, states, sides, self.unit, other)
                for point, found in tees.items()
            },
            paths=_paths(flows, self.heads_m, other),
            packs=tuple(pack.cents for pack in self.packs),
            limits=limits_of(sides),
        )
        return PosedProblem(problem, alternatives, tees, states.numbers, tables, again)


def sides_of(
    options: Options,
    most_volume_m3: float | None = None,
    least: Mapping[str, RunPrices] | None = None,
    volume_of_part: Callable[[Part], float] = part_volume_m3,
) -> Sides:
    """Return what the rules limit besides money and head, and the water in the runs where that is limited [m³].

    With `least` (see `pose`) the money for parts goes by it, and water has a price (see `scarce_water`).
    """
    rules = options.system.rules
    found: list[SideResource] = []
    if rules.most_cuts is not None:
        found.append(saw_cuts(rules.most_cuts))
    if rules.budget_cents is not None:
        unit = 1 if least is None else LEAST_PER_CENT
        packs = tuple(unit * pack.cents for pack in options.packs)
        cents = parts_cents if least is None else _parts_at_least(options, least)
        found.append(parts_money(unit * rules.budget_cents, cents, packs, not rules.labour_cents_per_hour, unit))
    if most_volume_m3 is not None:
        fine = 1000 if least is None else 100
        found.append(water(most_volume_m3, volume_of_part, fine, has_price=least is not None))
    return Sides(tuple(found))


def _parts_at_least(options: Options, least: Mapping[str, RunPrices]) -> Callable[[Arc], int]:
    by_id = {key: cents for found in least.values() for key, cents in found.least.items()}
    effort = Effort(options.system.rules.labour_cents_per_hour)
    return lambda arc: max(0, by_id[id(arc)] - LEAST_PER_CENT * effort.cents(arc))


def limits_of(sides: Sides) -> tuple[Limit, ...]:
    """Return side resources as limits of a program."""
    limited = [(each, each.most) for each in sides.resources if each.most is not None]
    return tuple(Limit(each.words, most, each.packs, each.is_cost) for each, most in limited)


def at_speed(posed: PosedProblem, network: Network, flows: KnownFlows, speed: float) -> SizingProblem:
    """Return the same numbers with the pump at another speed, no faster than the one they were posed for."""
    return replace(posed.problem, paths=_paths(flows, given_heads_m(network, flows, speed)))


def given_heads_m(network: Network, flows: KnownFlows, speed: float) -> dict[str, float]:
    """Return the head [m] that the pump gives every tree at the sum of its flows, by its source run; 0 without one."""
    heads_m = {
        source: pump_head_m(network.pumps[pump], flows.flows_m3_s[source]) if pump else 0.0
        for source, pump in flows.others.items()
    }
    if flows.pump:
        heads_m[flows.source] = pump_head_m(network.pumps[flows.pump], flows.total_m3_s, speed)
    return heads_m


def _tee_gain_limit(most_m: float) -> float:
    """Return the most that a run may lose: what the pump leaves, plus what tees with a negative loss give back."""
    return max(0.0, most_m) + 1.0


def _table(
    graph: ChoiceGraph,
    options: Options,
    flow_m3_s: float,
    conditions: Conditions,
    limit_m: float,
    sides: Sides,
    least: RunPrices | None,
) -> AlternativeTable:
    rule = velocity_rule(options.system)
    opens = [options.system.network.points[end.point].is_open for end in (graph.run.start, graph.run.end)]

    def loss(part: Part) -> float:
        if flow_m3_s > rule.most_m3_s(graph.run, part):
            return math.inf  # rule: no water above the velocity limits
        return part_head_loss_m(opened(part), flow_m3_s, conditions)  # a plan sets every valve anew

    return AlternativeTable(
        graph,
        options.packs,
        loss,
        lambda part: entrance_head_loss_m(part, flow_m3_s, conditions) if opens[0] else 0.0,
        lambda part: exit_head_loss_m(part, flow_m3_s, conditions) if opens[1] else 0.0,
        limit_m,
        Effort(options.system.rules.labour_cents_per_hour),
        sides,
        least=None if least is None else least.least,
        per_square_m=conditions.loss_factor * flow_m3_s * abs(flow_m3_s),
    )


def loss_units(loss_m: float) -> int:
    """Return a loss in whole loss units, rounded up."""
    return math.ceil(loss_m / LOSS_UNIT_M - 1e-9)


class _StateNumbers:
    """Gives every end state a number."""

    def __init__(self) -> None:
        self.numbers: dict[EndState, int] = {FREE: 0, KEPT: 1}

    def __call__(self, state: EndState) -> int:
        return self.numbers.setdefault(state, len(self.numbers))


def _tee_choices(
    network: Network,
    point: str,
    found: list[TeeOption],
    flows: KnownFlows,
    conditions: Conditions,
    states: _StateNumbers,
    sides: Sides,
    unit: int,
    other: OtherLosses | None = None,
) -> tuple[TeeChoice, ...]:
    legs = flows.legs_in(network, point)
    ends = [(run.name, at_start, leg) for run, leg, at_start in network.runs_at(point)]
    choices = []
    for option in found:
        losses = (
            tee_head_losses_m(option.tee.item, legs, conditions) if other is None else other.tee_m(option.item, legs)
        )
        choices.append(
            TeeChoice(
                cents=unit * option.cents,
                states={(run, at_start): states(option.states[leg]) for run, at_start, leg in ends},
                losses={(run, at_start): loss_units(losses.get(leg, 0.0)) for run, at_start, leg in ends},
                uses=tuple(resource.used_by_fitting(option.cents) for resource in sides.resources),
            )
        )
    return tuple(choices)


def _head_m(path: DemandPath, heads_m: Mapping[str, float], other: OtherLosses | None) -> float:
    return heads_m[path.source] - path.lift_m if other is None else other.head_m(path)


def _paths(flows: KnownFlows, heads_m: Mapping[str, float], other: OtherLosses | None = None) -> tuple[Path, ...]:
    out = []
    for path in flows.paths:
        ends: list[tuple[str, str, bool]] = []
        for before, tee, after in zip(path.runs, path.tees, path.runs[1:], strict=False):
            ends += [(tee, before, False), (tee, after, True)]
        head = math.floor(_head_m(path, heads_m, other) / LOSS_UNIT_M) if flows.binds(path) else NO_LIMIT
        out.append(Path(path.demand, path.runs, tuple(ends), min(head, NO_LIMIT), path.source == flows.source))
    return tuple(out)
