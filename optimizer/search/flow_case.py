"""A system whose flows are not known → all there is to choose from: ways of every run, fittings, speeds, settings.

Of each setting the pump speeds there are, what is asked, and what that says of flows that heads give.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.choices.both_ends import Weighing, all_ways, ranged_alternatives
from optimizer.choices.effort import Effort
from optimizer.choices.graph import ChoiceGraph
from optimizer.choices.loss_basis import ArcRows, arc_rows
from optimizer.choices.side_resources import Sides, water
from optimizer.choices.tees import TeeOption
from optimizer.choices.velocity import velocity_rule
from optimizer.choices.wants import least_asked, may_be_short, wants_of
from optimizer.errors import PlanError
from optimizer.hydraulics import conditions_of
from optimizer.model.catalog import Catalog
from optimizer.model.circuits import gravity_lines
from optimizer.model.network import Network
from optimizer.model.system import System
from optimizer.program.problem import LOSS_UNIT_M
from optimizer.program.through import Rest
from optimizer.search.collection import collection_held
from optimizer.search.duty import energy_cents
from optimizer.search.flow_posing import FlowCase, Mode, Way, running_of, with_rows
from optimizer.search.flow_ranges import Range, first_bounds, greatest_head_m
from optimizer.search.options import Options, as_it_stands, options_of
from optimizer.search.posing import sides_of
from optimizer.search.run_curves import CurveTable
from optimizer.search.run_graphs import Source, sources_of
from optimizer.verify.allowance import Allowance
from optimizer.verify.drain_back import wet_runs
from optimizer.verify.drains import part_volume_m3

_HARDLY_MORE = 1.001  # than the least flow: where ways are weighed at that alone


@dataclass(frozen=True)
class Material:
    """What cases are made from: choice graphs of every run and what their arcs lose, fittings, settings.

    `lossy` names the runs whose more lossy ways count too.
    """

    system: System
    options: Options
    modes: tuple[Mode, ...]
    sources: Mapping[str, list[Source]]
    rows: Mapping[str, list[ArcRows]]
    lossy: tuple[str, ...]
    allowances: tuple[Allowance, ...]
    has_all: bool  # the valves to cut in are among it
    saves_water: bool  # where it is scarce ways that hold less are wanted
    effort: Effort
    least: Mapping[str, Sequence[Mapping[int, int]]] | None = None  # by run and source, as of `AlternativeTable`


@dataclass(frozen=True)
class Limit:
    """Only ways matter that a plan of at most `most_cents` can have, given what the rest of it costs at least."""

    most_cents: float
    rests: Mapping[str, Rest]
    low_m3_s: Mapping[str, float]  # at what flow of each run its loss counts


@dataclass(frozen=True)
class Prepared:
    """A case with the material it was made from."""

    case: FlowCase
    material: Material

    @property
    def options(self) -> Options:
        return self.material.options


def prepare(material: Material) -> Prepared | None:
    """Return all there is to choose from; None when mass and targets alone leave no flow possible."""
    ranges: dict[tuple[str, int], Range] = {}
    for i, mode in enumerate(material.modes):
        losses = {
            name: list(zip([s.graph for s in found], material.rows[name], strict=True))
            for name, found in material.sources.items()
        }
        network = material.system.network
        bounds = first_bounds(network, mode.rows, _fastest(network, mode), losses)
        if bounds.empty:
            return None
        ranges |= {(name, i): found for name, found in bounds.ranges.items()}
    return Prepared(case_of(material, ranges), material)


@collection_held()
def material_of(
    system: System,
    catalog: Catalog,
    options: Options | None = None,
    *,
    lossy: bool = True,
    slots: bool = True,
    allowances: tuple[Allowance, ...] = (),
    saves_water: bool = True,
    effort: Effort | None = None,
) -> Material:
    """Return what the cases of a system are made from.

    Without `lossy` the ways that only lose more for more money are left out, without `slots` the valves to cut in. With
    `allowances`, one for each setting, drains, rims and sumps have to take what flows; ways that hold less are kept.
    `effort` is what work counts for, where that is not as the rules say.

    Raises
    ------
    PlanError
        When no target asks for anything.
    """
    modes = modes_of(system)
    network = system.network
    if allowances:
        held = zip(modes, allowances, strict=True)
        modes = tuple(with_rows(network, mode, most.flow_rows(network)) for mode, most in held)
    saves_water = saves_water and bool(allowances)
    options = options or _options(system, catalog, saves_water)
    sources, free = sources_of(system, options, modes, lossy=lossy, slots=slots, weigh_water=saves_water)
    conditions, rule = conditions_of(network), velocity_rule(system)
    short = short_of(network, modes)  # their full flows, which rows are about, are no velocity that they have
    carries = {name: least_of(modes, name) if name in short else None for name in sources}
    rows = {}
    for name, found in sources.items():
        graphs = [one.graph for one in found]
        all_of, first = ((name, carries[name], *map(id, some)) for some in (graphs, graphs[:1]))
        if all_of not in options.rows:
            known = options.rows[first][1] if first in options.rows else []
            told = arc_rows(network.runs[name], graphs, network, conditions, rule, carries[name], known)
            options.rows[all_of] = graphs, told  # the graphs are kept, so that no other gets their ids
        rows[name] = options.rows[all_of][1]
    effort = effort or Effort(system.rules.labour_cents_per_hour)
    return Material(system, options, modes, sources, rows, free, allowances, slots, saves_water, effort)


def _options(system: System, catalog: Catalog, weigh_water: bool) -> Options:
    """Return what all runs may become: those of which nobody asks anything stay as they are."""
    network = system.network
    whole = [part for part in network.parts() if set(part) <= network.standing and not network.has_work(part)]
    kept = dict.fromkeys(run for part in whole for run in part)
    found = options_of(system, catalog, {name: None for name in network.runs if name not in kept}, weigh_water)
    standing = as_it_stands(system, catalog, kept)
    if not kept or standing is None:
        return found
    return replace(found, graphs={**found.graphs, **standing.graphs}, tees={**found.tees, **standing.tees})


def _fastest(network: Network, mode: Mode) -> dict[str, float]:
    return {name: max(speeds[name] for speeds in mode.speeds) for name in network.pumps}


@collection_held()
def case_of(material: Material, ranges: Mapping[tuple[str, int], Range], limit: Limit | None = None) -> FlowCase:
    """Return the ways and fittings over ranges of flow: all that are efficient there, or those within a limit."""
    system, options, modes = material.system, material.options, material.modes
    network, sides = system.network, sides_of(options)
    if any(each.most_back_m3 is not None for each in material.allowances):
        sides = Sides((*sides.resources, water(None, part_volume_m3, grains=1, has_price=True)))
    scarce = material.saves_water and _is_water_scarce(material, ranges)
    ways: dict[str, tuple[Way, ...]] = {}
    tables: dict[str, CurveTable] = {}
    thinned = []
    for name in material.sources:
        low = min(ranges[name, i][0] for i in range(len(modes)))
        high = max(ranges[name, i][1] for i in range(len(modes)))
        weighing = replace(_weighing(material, sides, name, low, high, limit), is_water_scarce=scarce)
        ways[name], is_thinned = _ways(material, name, weighing)
        thinned += [name] if is_thinned else []
    if material.has_all:
        ways = _that_fit(material, ways, ranges)
    for name in material.sources:
        basis = material.rows[name][0].basis
        rows = [way.alternative.row for way in ways[name]]
        tables[name] = CurveTable(np.stack(rows) if rows else np.zeros((0, basis.width)), basis)
    return FlowCase(
        network,
        conditions_of(network),
        modes,
        ways,
        tables,
        _carrying_tees(material, ranges),
        tuple(pack.cents for pack in options.packs),
        ranges,
        velocity_rule(system),
        _energy_cents(system, modes),
        material.allowances,
        sides,
        scarce,
        tuple(thinned),
    )


def _carrying_tees(material: Material, ranges: Mapping[tuple[str, int], Range]) -> dict[str, tuple[TeeOption, ...]]:
    """Return the fittings of every tee that may carry the least flows; all of them where none may."""
    network, rule = material.system.network, velocity_rule(material.system)
    short = short_of(network, material.modes)

    def may_carry(point: str, option: TeeOption) -> bool:
        return all(
            run.name in short or max(low, -high, 0.0) <= rule.most_at_tee_m3_s(run.name, leg, option.item, at.name)
            for run, leg, _ in network.runs_at(point)
            for mode, at in enumerate(material.modes)
            for low, high in (ranges[run.name, mode],)
        )

    found = {}
    for point, options in material.options.tees.items():
        few = tuple(each for each in options if may_carry(point, each))
        found[point] = few or tuple(options)
    return found


@collection_held()
def with_valves_at_outlets(material: Material, basic: FlowCase) -> FlowCase:
    """Return a case of the same ranges where only ways with a valve go to the water, as far as there are any.

    Its ways are those of least loss alone: it is to find a plan soon, and proves nothing.
    """
    sides, ways, tables = sides_of(material.options), dict(basic.ways), dict(basic.tables)
    free = _free_lines(basic.network, material.modes)
    for name, found in material.sources.items():
        outlet = basic.network.points[basic.network.runs[name].end.point].is_fixed
        slots = [i for i, source in enumerate(found) if source.slot is not None]
        if found[0].valved or not outlet or not slots or name in free:
            continue
        low = min(basic.ranges[name, i][0] for i in range(len(material.modes)))
        high = max(basic.ranges[name, i][1] for i in range(len(material.modes)))
        weighing = _weighing(material, sides, name, low, _HARDLY_MORE * low if low > 0.0 else high, None)
        own_rows = [material.rows[name][i] for i in slots]
        with_valve = replace(material, sources={name: [found[i] for i in slots]}, rows={name: own_rows}, lossy=())
        own, _ = _ways(with_valve, name, weighing)
        if own:
            ways[name] = own
            tables[name] = CurveTable(np.stack([way.alternative.row for way in own]), material.rows[name][0].basis)
    return replace(basic, ways=ways, tables=tables, _tee_memo={})


def _free_lines(network: Network, modes: Sequence[Mode]) -> set[str]:
    """Return the runs of gravity lines of which nothing is asked: a valve could only hold back what a tank gets."""
    asked = {run for mode in modes for want in mode.wants for run in want.coefficients}
    return {
        run.name
        for _, circuit in gravity_lines(network)
        if asked.isdisjoint(run.name for run in circuit.runs)
        for run in circuit.runs
    }


def _that_fit(
    material: Material, ways: Mapping[str, tuple[Way, ...]], ranges: Mapping[tuple[str, int], Range]
) -> dict[str, tuple[Way, ...]]:
    """Return the ways without those that hold more than the sumps take even with the least of all other runs."""
    room = room_for_pipe_m3(material, ranges)
    wet = [run.name for run in wet_runs(material.system.network)]
    if room is None or not all(ways.values()):
        return dict(ways)
    least = {name: min(way.alternative.used[-1] for way in ways[name]) for name in wet}
    spare_ul = room * 1e9 - sum(least.values())
    return {
        name: tuple(way for way in found if name not in least or way.alternative.used[-1] <= least[name] + spare_ul)
        for name, found in ways.items()
    }


def room_for_pipe_m3(material: Material, ranges: Mapping[tuple[str, int], Range]) -> float | None:
    """Return the most that the wet runs may hold whatever flows within the ranges [m³]; None: any."""
    room = [
        most.most_pipe_m3({name: ranges[name, mode] for name in material.system.network.runs})
        for mode, most in enumerate(material.allowances)
    ]
    return min((each for each in room if each is not None), default=None)


def _is_water_scarce(material: Material, ranges: Mapping[tuple[str, int], Range]) -> bool:
    """Return whether there are ways to plumb the runs that hold more than the sumps take at the greatest flows."""
    network = material.system.network
    turned = [{name: ranges[name, mode][::-1] for name in network.runs} for mode in range(len(material.allowances))]
    room = [most.most_pipe_m3(flows) for most, flows in zip(material.allowances, turned, strict=True)]
    stated = [each for each in room if each is not None]
    if not stated:
        return False
    held_m3 = sum(
        max(_most_held_m3(source.graph) for source in material.sources[run.name]) for run in wet_runs(network)
    )
    return held_m3 > min(stated)


def _most_held_m3(graph: ChoiceGraph) -> float:
    """Return the most water that any way along a graph holds [m³]."""
    held = [0.0] * len(graph.nodes)
    for tail, arcs in enumerate(graph.arcs):
        for arc in arcs:
            held[arc.head] = max(held[arc.head], held[tail] + sum(map(part_volume_m3, arc.parts)))
    return max(held, default=0.0)


def _ways(material: Material, name: str, weighing: Weighing) -> tuple[tuple[Way, ...], bool]:
    """Return the ways to plumb a run, as it stands and with a slot for a valve; and whether some between are left out.

    They are those that are efficient, or all of them where that is a small run that may have to lose more.
    """
    sources, rows, least = material.sources[name], material.rows[name], material.least
    own = [weighing if least is None else replace(weighing, least=least[name][i]) for i in range(len(sources))]
    whole = next((i for i, source in enumerate(sources) if source.is_whole), None)
    every = None if whole is None else all_ways(sources[whole].graph, rows[whole], own[whole])
    is_lossy = name in material.lossy and not sources[0].valved
    found = [] if whole is None else [Way(one, sources[whole].run_of(one.arcs)) for one in every or ()]
    for i, source in enumerate(sources):
        if i != whole and (every is None or source.slot is not None):
            both_ends = is_lossy and not source.valved
            told = ranged_alternatives(source.graph, rows[i], own[i], both_ends)
            found += [Way(one, source.run_of(one.arcs)) for one in told]
    return tuple(found), is_lossy and (every is None or whole is None or sources[whole].is_thinned)


def _energy_cents(system: System, modes: Sequence[Mode]) -> dict[tuple[str, float], int]:
    """Return what each pump draws at each of its speeds; nothing where how long each setting lasts is not known."""
    if len(modes) != 1:
        return {}
    pumps = system.network.pumps
    return {
        (name, speed): energy_cents(pumps[name], speed, system.rules)
        for name in pumps
        for speed in dict.fromkeys(speeds[name] for speeds in modes[0].speeds)
    }


def _weighing(material: Material, sides: Sides, name: str, low: float, high: float, limit: Limit | None) -> Weighing:
    network = material.system.network
    head_m = max(greatest_head_m(network, _fastest(network, mode)) for mode in material.modes)
    plain = Weighing(material.options.packs, material.effort, low, high, head_m + 1.0, sides)
    if limit is None or name not in limit.rests:
        return plain
    rest = limit.rests[name]
    # a loss at a larger flow than the one that the rest was told at says nothing
    counts = 0.0 <= plain.flows_m3_s[0] <= limit.low_m3_s[name]

    losses_m = tuple((loss + 1) * LOSS_UNIT_M for loss in rest.losses) if counts else ()
    cents = rest.cents if counts else (rest.least(0),)
    return replace(plain, most_cents=limit.most_cents, rest=(losses_m, cents))


def modes_of(system: System) -> tuple[Mode, ...]:
    """Return the settings with their rows; without settings one mode, in which the speeds are to be chosen."""
    network = system.network
    if system.settings:
        found = []
        for setting in system.settings:
            there = system.at(setting)
            speeds = {name: pump.speed for name, pump in there.network.pumps.items()}
            found.append(_mode(setting.name, there, (speeds,)))
        modes = tuple(found)
    else:
        each = [sorted({pump.speed, *pump.speeds}) for pump in network.pumps.values()]
        products = tuple(dict(zip(network.pumps, chosen, strict=True)) for chosen in itertools.product(*each))
        modes = (_mode("", system, products),)
    if not any(mode.wants for mode in modes):
        raise PlanError("no target asks for any flow, so there is nothing to plan for")
    return modes


def _mode(name: str, system: System, speeds: tuple[Mapping[str, float], ...]) -> Mode:
    return with_rows(system.network, Mode(name, (), speeds, ()), wants_of(system))


def short_of(network: Network, modes: Sequence[Mode]) -> set[str]:
    """Return the runs that may carry less than their heads give in some mode, whichever pumps are off."""
    return {run for mode in modes for running in running_of(network, mode) for run in may_be_short(running, mode.wants)}


def least_of(modes: Sequence[Mode], run: str) -> float:
    """Return the most that some mode asks of a run by itself at the least [m³/s]; 0 where none asks."""
    return max((least_asked(mode.wants).get(run, 0.0) for mode in modes), default=0.0)
