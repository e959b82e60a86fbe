"""A system and a catalog → all that may be chosen: a choice graph for every run, fittings for every tee.

Or the one choice that is the plumbing as it stands: nothing else can cost less, so it is looked at first.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

from optimizer.choices.alternatives import Pack
from optimizer.choices.candidates import Shelf
from optimizer.choices.effort import JOINT_MINUTES
from optimizer.choices.for_sale import for_sale, require_one_currency
from optimizer.choices.graph import Arc, ChoiceGraph, Opening, TeeEnd
from optimizer.choices.graph_builder import build_choice_graph
from optimizer.choices.joining import Joiners
from optimizer.choices.loss_basis import ArcRows
from optimizer.choices.tees import TeeOption, leg_sockets, tee_end, tee_options
from optimizer.choices.valve_slots import ValveSlot
from optimizer.choices.velocity import VelocityRule, velocity_rule, with_carried
from optimizer.hydraulics import Conditions, conditions_of, element_of
from optimizer.joints.bores import leg_bore_m
from optimizer.joints.chains import EndGraph
from optimizer.joints.closing import tied
from optimizer.joints.efficient import EfficientChains, Measure
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.network import LEGS, Condition, Leg, Network, Part, Run
from optimizer.model.note import Note, note
from optimizer.model.system import System
from optimizer.search.collection import collection_held
from optimizer.search.pressure import rated_shelves
from optimizer.verify.drains import part_volume_m3


@dataclass(frozen=True)
class Options:
    """All that may be chosen, whatever the flows: a choice graph per run, fittings per tee."""

    system: System
    catalog: Catalog
    graphs: Mapping[str, ChoiceGraph]
    tees: Mapping[str, list[TeeOption]]
    packs: tuple[Pack, ...]
    joiners: Mapping[str, Joiners] = field(default_factory=dict)  # what joins the parts of each run
    # what was made of it where flows are not known: graphs with a valve cut in, by run; by run, the least that it
    # carries and ids of graphs these graphs and the rows of their steps
    cut_in: dict[str, tuple[ValveSlot, ChoiceGraph] | None] = field(init=False, default_factory=dict)
    rows: dict[tuple[object, ...], tuple[Sequence[ChoiceGraph], list[ArcRows]]] = field(
        init=False, default_factory=dict
    )

    @cached_property
    def joints(self) -> frozenset[tuple[str, str]]:
        """Every joint that a step makes: what seals it, nominal size."""
        return joints_of(self.graphs.values())

    @property
    def uncoupled(self) -> tuple[Note, ...]:
        """Which new pipe is longer than any length of the store, with no coupling for sale that joins two."""
        longest: dict[str, float] = {}
        for graph in self.graphs.values():
            for pipe, length_m in graph.uncoupled.items():
                longest[pipe] = max(longest.get(pipe, 0.0), length_m)
        return tuple(note("nothing couples", pipe=pipe, length_m=length_m) for pipe, length_m in longest.items())


@collection_held()
def options_of(
    system: System,
    catalog: Catalog,
    runs: Mapping[str, object],
    weigh_water: bool = False,
    flows_m3_s: Mapping[str, float] | None = None,
) -> Options:
    """Return the choice graphs and tee fittings of the runs named; see `joiners_of` for `weigh_water`.

    Given the flows of the runs, what the velocity limits forbid at them is left out.
    """
    system = with_carried(system)
    network = system.network
    require_one_currency(system, catalog)
    catalog = for_sale(system, catalog)
    joiners = joiners_of(system, catalog, weigh_water)
    shelves = {name: joiners[name].of(network.runs[name]).shelf for name in runs}
    points = {network.runs[name].end.point for name in runs} | {network.runs[name].start.point for name in runs}
    tees: dict[str, list[TeeOption]] = {}
    for point in sorted(point for point in points if not network.points[point].is_fixed):
        ends = {leg: _shelf_at(shelves[run.name], run, at_start) for run, leg, at_start in network.runs_at(point)}
        shared = () if system.rules.resize else tuple(size for shelf in ends.values() for size in shelf.sizes)
        sizes = {  # where no run changes its size, a bushing may: a tee of one size serves them all
            leg: leg_sockets(dict.fromkeys((*shelf.sizes, *shared)), shelf.system) for leg, shelf in ends.items()
        }
        tees[point] = tee_options(network, point, joiners[network.runs_at(point)[0][0].name].catalog, sizes)
    if flows_m3_s is not None:
        tees = allowed_tees(system, tees, flows_m3_s)
    rule = velocity_rule(system)
    graphs = {
        name: build_choice_graph(
            network.runs[name],
            system.rules,
            joiners[name].of(network.runs[name]),
            tee_end_of(network, tees, network.runs[name], at_start=True),
            tee_end_of(network, tees, network.runs[name], at_start=False),
            tied(network, network.runs[name], system.closes_alone),
            *([] if flows_m3_s is None else [_allowing(rule, network.runs[name], flows_m3_s[name])]),
        )
        for name in runs
    }
    used = {method for method, _ in joints_of(graphs.values())}
    packs = tuple(pack for pack in first_packs(catalog) if pack.method in used)
    return Options(system, catalog, graphs, tees, packs, joiners)


def joints_of(graphs: Iterable[ChoiceGraph]) -> frozenset[tuple[str, str]]:
    """Return every joint that a step of these graphs makes."""
    shared = {id(arc.joints): arc.joints for graph in graphs for arcs in graph.arcs for arc in arcs}
    return frozenset(joint for joints in shared.values() for joint in joints)


def _shelf_at(shelf: Shelf, run: Run, at_start: bool) -> Shelf:
    return shelf.at(run.parts, 0 if at_start else len(run.parts) - 1)


def joiners_of(
    system: System, catalog: Catalog, weigh_water: bool = False, chains: type[EfficientChains] = EfficientChains
) -> dict[str, Joiners]:
    """Return what joins the parts of each run, over adapter chains that are efficient in the system's own water.

    Nothing that could burst in a run joins its parts. Where a plan may hold only so much water, chains that hold less
    have to be kept as well: `weigh_water`. `chains` says which are efficient: those that lose little or most.
    """
    measure = _measure(conditions_of(system.network), weigh_water)
    minutes = JOINT_MINUTES if system.rules.labour_cents_per_hour else {}
    throats = math.isfinite(system.rules.velocity_limit_m_s)
    made: dict[int, Joiners] = {}
    shelves = rated_shelves(system, catalog)
    for shelf in shelves.values():
        if id(shelf) not in made:
            graph = EndGraph(shelf, system.rules.allow_unsafe_metals)
            made[id(shelf)] = Joiners(shelf, system.rules, chains(graph, measure, minutes, throats))
    return {name: made[id(shelf)] for name, shelf in shelves.items()}


def _measure(conditions: Conditions, weigh_water: bool) -> Measure:
    known: dict[tuple[str, bool], tuple[float, float, float]] = {}

    def measured(part: Part) -> tuple[float, float, float]:
        key = (part.item.item_id if part.item else "", part.reverse)
        if key not in known:
            element = element_of(part, conditions)
            water_m3 = part_volume_m3(part) if weigh_water else 0.0
            known[key] = (element.linear_s_m2, element.square_s2_m5, water_m3)
        return known[key]

    return measured


def tee_end_of(network: Network, tees: Mapping[str, list[TeeOption]], run: Run, at_start: bool) -> TeeEnd | None:
    """Return what a run sees of the tee at one of its ends; None where there is none."""
    end = run.start if at_start else run.end
    if end.point not in tees:
        return None
    return tee_end(tees[end.point], end.leg, opening_of(network, end.point, end.leg))


def opening_of(network: Network, point: str, leg: Leg) -> Opening | None:
    """Return the opening that a tee has at a leg as it stands, None when it is not connected yet."""
    item = network.tees[point].item
    if item is None:
        return None
    return Opening(item.ends[LEGS.index(leg)], leg_bore_m(item.end_bores_m, leg))


def first_packs(catalog: Catalog) -> tuple[Pack, ...]:
    """Return the smallest pack of what every cemented and every taped joint needs; cement comes with primer."""
    smallest = {
        use: min((item.price_cents for item in catalog.of_kind(Kind.CONSUMABLE) if item.family == use), default=0)
        for use in ("cement", "primer", "tape")
    }
    return Pack("cement", smallest["cement"] + smallest["primer"]), Pack("tape", smallest["tape"])


def _allowing(rule: VelocityRule, run: Run, flow_m3_s: float) -> Callable[[Part], bool]:
    """Return what tells whether a part of a run may carry its flow."""
    known: dict[tuple[object, ...], bool] = {}

    def allows(part: Part) -> bool:
        key = part.item.item_id if part.item else part.name, part.kind, part.existing, part.length_m, part.end_bores_m
        if key not in known:
            known[key] = flow_m3_s <= rule.most_m3_s(run, part)
        return known[key]

    return allows


def allowed_tees(
    system: System, tees: Mapping[str, list[TeeOption]], flows_m3_s: Mapping[str, float]
) -> dict[str, list[TeeOption]]:
    """Return the fittings of every tee through whose legs no water runs above the velocity limits."""
    rule, network = velocity_rule(system), system.network

    def allowed(point: str, option: TeeOption) -> bool:
        return all(
            flows_m3_s.get(run.name, 0.0) <= rule.most_at_tee_m3_s(run.name, leg, option.item)
            for run, leg, _ in network.runs_at(point)
        )

    return {point: [each for each in found if allowed(point, each)] for point, found in tees.items()}


def as_it_stands(system: System, catalog: Catalog, runs: Mapping[str, object]) -> Options | None:
    """Return the one choice to keep every part of these runs and every tee; None where something is not connected yet.

    The parts are those of the system, each for itself, so that a plan from these options is one of that system.
    """
    network = system.network
    if network.has_work(runs):
        return None
    ours: dict[int, Part] = {}
    kept = {}
    for name in runs:
        parts = tuple(replace(part, condition=Condition.KEEP) for part in network.runs[name].parts)
        ours.update(zip(map(id, parts), network.runs[name].parts, strict=True))
        kept[name] = replace(network.runs[name], parts=parts)
    tees = {point: replace(tee, condition=Condition.KEEP) for point, tee in network.tees.items()}
    held = replace(system, network=replace(network.with_runs(kept), tees=tees))
    found = options_of(held, catalog, runs)
    graphs = {name: _of_ours(graph, network.runs[name], ours) for name, graph in found.graphs.items()}
    options = {point: [replace(each, tee=network.tees[point]) for each in some] for point, some in found.tees.items()}
    return replace(found, system=system, graphs=graphs, tees=options)


def _of_ours(graph: ChoiceGraph, run: Run, ours: Mapping[int, Part]) -> ChoiceGraph:
    def same(arc: Arc) -> Arc:
        return arc._replace(parts=tuple(ours.get(id(part), part) for part in arc.parts))

    return replace(graph, run=run, arcs=[[same(arc) for arc in arcs if _costs_nothing(arc)] for arcs in graph.arcs])


def _costs_nothing(arc: Arc) -> bool:
    return not (arc.joints or arc.extra_pipe or arc.removed or arc.cuts or any(not part.existing for part in arc.parts))
