"""A system whose flows are not known → all there is to choose from: ways of every run, fittings, speeds, settings."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.choices.both_ends import Weighing, ranged_alternatives
from optimizer.choices.effort import Effort
from optimizer.choices.graph import ChoiceGraph, build_choice_graph
from optimizer.choices.loss_basis import ArcRows, arc_rows
from optimizer.choices.side_resources import Sides, water
from optimizer.choices.valve_slots import with_valve_slots
from optimizer.choices.wants import Want, wants_of
from optimizer.errors import PlanError
from optimizer.hydraulics import conditions_of
from optimizer.model.catalog import THROTTLES, Catalog
from optimizer.model.network import Network, Run
from optimizer.model.system import System
from optimizer.search.duty import energy_cents
from optimizer.search.flow_posing import FlowCase, Mode, Way
from optimizer.search.flow_ranges import Range, first_bounds, greatest_head_m
from optimizer.search.posing import Options, joiners_of, options_of, sides_of, tee_end_of
from optimizer.search.run_curves import CurveTable
from optimizer.verify.allowance import Allowance
from optimizer.verify.drains import part_volume_m3


@dataclass(frozen=True)
class Prepared:
    """A case with the options it was made from; `lossy` names the runs whose more lossy ways are among their ways."""

    case: FlowCase
    options: Options
    lossy: tuple[str, ...]


@dataclass(frozen=True)
class _Source:
    """One choice graph of a run: of the run as it stands, or with a slot for a valve."""

    run: Run
    graph: ChoiceGraph

    @property
    def valved(self) -> bool:
        return any(part.kind in THROTTLES for part in self.run.parts)


def prepare(
    system: System,
    catalog: Catalog,
    options: Options | None = None,
    *,
    lossy: bool = True,
    slots: bool = True,
    allowances: tuple[Allowance, ...] = (),
) -> Prepared | None:
    """Return all there is to choose from; None when mass and targets alone leave no flow possible.

    Without `lossy` the ways that only lose more for more money are left out, without `slots` the valves to cut in. With
    `allowances`, one for each setting, drains, rims and sumps have to take what flows; ways that hold less are kept.

    Raises
    ------
    PlanError
        When no target asks for anything.
    """
    modes = modes_of(system)
    network = system.network
    if allowances:
        held = zip(modes, allowances, strict=True)
        modes = tuple(replace(mode, wants=(*mode.wants, *most.flow_rows(network))) for mode, most in held)
    options = options or options_of(system, catalog, network.runs)
    sources = {name: [_Source(network.runs[name], options.graphs[name])] for name in network.runs}
    if slots and _valves_can_help(modes):
        _add_valve_slots(sources, system, options)
    conditions = conditions_of(network)
    rows = {
        name: arc_rows(network.runs[name], [source.graph for source in found], network, conditions)
        for name, found in sources.items()
    }
    ranges: dict[tuple[str, int], Range] = {}
    for i, mode in enumerate(modes):
        fastest = _fastest(network, mode)
        losses = {name: list(zip([s.graph for s in sources[name]], rows[name], strict=True)) for name in sources}
        bounds = first_bounds(network, mode.wants, fastest, losses)
        if bounds.empty:
            return None
        ranges |= {(name, i): found for name, found in bounds.ranges.items()}
    free = tuple(name for name in network.runs if lossy and _may_be_too_free(network, modes, name))
    case = _case(system, options, modes, sources, rows, ranges, free, allowances)
    return Prepared(case, options, free)


def modes_of(system: System) -> tuple[Mode, ...]:
    """Return the settings with their rows; without settings one mode, in which the speeds are to be chosen."""
    network = system.network
    if system.settings:
        found = []
        for setting in system.settings:
            there = system.at(setting)
            speeds = {name: pump.speed for name, pump in there.network.pumps.items()}
            found.append(Mode(setting.name, wants_of(there), (speeds,)))
        modes = tuple(found)
    else:
        each = [sorted({pump.speed, *pump.speeds}) for pump in network.pumps.values()]
        products = tuple(dict(zip(network.pumps, chosen, strict=True)) for chosen in itertools.product(*each))
        modes = (Mode("", wants_of(system), products),)
    if not any(mode.wants for mode in modes):
        raise PlanError("no target asks for any flow, so there is nothing to plan for")
    return modes


def _fastest(network: Network, mode: Mode) -> dict[str, float]:
    return {name: max(speeds[name] for speeds in mode.speeds) for name in network.pumps}


def _valves_can_help(modes: Sequence[Mode]) -> bool:
    """Return whether holding water back can serve a target: there is an upper limit, or more than one target."""
    wants: list[Want] = [want for mode in modes for want in mode.wants]
    return any(math.isfinite(want.high_m3_s) for want in wants) or max(len(mode.wants) for mode in modes) > 1


def _add_valve_slots(sources: dict[str, list[_Source]], system: System, options: Options) -> None:
    """Add to every run without a valve a graph with one, for each size."""
    joiners = joiners_of(system, options.catalog)
    for found in sources.values():
        run = found[0].run
        for slotted in with_valve_slots(run, options.catalog, system.rules):
            start, end = (tee_end_of(system.network, options.tees, run, at_start=at) for at in (True, False))
            graph = build_choice_graph(slotted, system.rules, joiners.of(slotted), start, end)
            found.append(_Source(slotted, graph))


def _may_be_too_free(network: Network, modes: Sequence[Mode], name: str) -> bool:
    """Return whether a run without a valve may have to lose more: water has an upper limit, or goes other ways too."""
    run = network.runs[name]
    if any(part.kind in THROTTLES for part in run.parts) or not _valves_can_help(modes):
        return False
    limited = any(math.isfinite(want.high_m3_s) for mode in modes for want in mode.wants)
    sources = [r for r in network.runs.values() if network.points[r.start.point].is_fixed]
    carries_all = sources == [run]
    return limited or not carries_all


def _case(
    system: System,
    options: Options,
    modes: tuple[Mode, ...],
    sources: Mapping[str, list[_Source]],
    rows: Mapping[str, list[ArcRows]],
    ranges: Mapping[tuple[str, int], Range],
    lossy: tuple[str, ...],
    allowances: tuple[Allowance, ...],
) -> FlowCase:
    network, rules = system.network, system.rules
    effort = Effort(rules.labour_cents_per_hour)
    head_m = max(greatest_head_m(network, _fastest(network, mode)) for mode in modes)
    sides = sides_of(options)
    if any(each.most_back_m3 is not None for each in allowances):
        sides = Sides((*sides.resources, water(None, part_volume_m3, grains=1)))
    ways: dict[str, tuple[Way, ...]] = {}
    tables: dict[str, CurveTable] = {}
    for name, found in sources.items():
        low = min(ranges[name, i][0] for i in range(len(modes)))
        high = max(ranges[name, i][1] for i in range(len(modes)))
        weighing = Weighing(options.packs, effort, low, high, rules.velocity_limit_m_s, head_m + 1.0, sides)
        made = [
            Way(alternative, source.run)
            for source, arcs in zip(found, rows[name], strict=True)
            for alternative in ranged_alternatives(
                source.graph, arcs, weighing, both_ends=name in lossy and not source.valved
            )
        ]
        ways[name] = tuple(made)
        basis = rows[name][0].basis
        matrix = np.stack([way.alternative.row for way in made]) if made else np.zeros((0, basis.width))
        tables[name] = CurveTable(matrix, basis)
    energy = {
        (name, speed): energy_cents(network.pumps[name], speed, rules)
        for name in network.pumps
        for speed in dict.fromkeys(speeds[name] for mode in modes for speeds in mode.speeds)
        if len(modes) == 1
    }
    return FlowCase(
        network,
        conditions_of(network),
        modes,
        ways,
        tables,
        {point: tuple(found) for point, found in options.tees.items()},
        tuple(pack.cents for pack in options.packs),
        ranges,
        rules.velocity_limit_m_s,
        energy,
        allowances,
        sides,
    )
