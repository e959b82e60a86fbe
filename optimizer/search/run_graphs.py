"""A run whose flow is not known → its choice graphs: plain, with a slot for a valve, over all sensible joints."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from optimizer.choices.graph import Arc, ChoiceGraph
from optimizer.choices.graph_builder import build_choice_graph
from optimizer.choices.valve_slots import ValveSlot, valve_slot
from optimizer.choices.wants import Want
from optimizer.joints.all_chains import AllChains
from optimizer.joints.closing import tied
from optimizer.model.network import Network, Run
from optimizer.model.system import System
from optimizer.model.throttling import may_be_throttled
from optimizer.search.flow_posing import Mode
from optimizer.search.options import Options, joiners_of, tee_end_of

_FEW_STEPS = 300  # of a run: up to so many, all its joints are looked at as well


@dataclass(frozen=True)
class Source:
    """One choice graph of a run: of the run as it stands, or with a slot for a valve."""

    run: Run
    graph: ChoiceGraph
    slot: ValveSlot | None = None
    is_whole: bool = False  # its joints are all that are sensible, not only those that lose least for their money
    is_thinned: bool = False  # but for some, of which there are very many

    @property
    def valved(self) -> bool:
        return may_be_throttled(self.run)

    def run_of(self, arcs: Sequence[Arc]) -> Run:
        """Return the run that a way is made from."""
        return self.run if self.slot is None else self.slot.run_of(arcs)


def sources_of(
    system: System, options: Options, modes: Sequence[Mode], *, lossy: bool, slots: bool, weigh_water: bool
) -> tuple[dict[str, list[Source]], tuple[str, ...]]:
    """Return the graphs of every run, and the runs whose more lossy ways count too: none without `lossy`.

    Without `slots` no valves are cut in; for `weigh_water` see `joiners_of`.
    """
    network, rules = system.network, system.rules
    sources = {name: [Source(network.runs[name], options.graphs[name])] for name in network.runs}
    fast = math.isfinite(min(rules.velocity_limit_m_s, rules.new_pipe_limit_m_s))
    if slots and (fast or _valves_can_help(modes)):
        _add_valve_slots(sources, system, options, modes)
    free = tuple(name for name in network.runs if lossy and _may_be_too_free(network, modes, name))
    able = [name for name in free if name not in network.standing]
    small = [name for name in able if sum(map(len, options.graphs[name].arcs)) <= _FEW_STEPS]
    _add_whole(sources, system, options, small, weigh_water)
    return sources, free


def _valves_can_help(modes: Sequence[Mode]) -> bool:
    """Return whether holding water back can serve a target: there is an upper limit, or more than one target."""
    wants: list[Want] = [want for mode in modes for want in mode.wants]
    return any(math.isfinite(want.high_m3_s) for want in wants) or max(len(mode.wants) for mode in modes) > 1


def _add_valve_slots(sources: dict[str, list[Source]], system: System, options: Options, modes: Sequence[Mode]) -> None:
    """Add to every run without a valve that may need one a graph with one."""
    for name, found in sources.items():
        run = found[0].run
        if name in system.network.standing or (_feeds_all(system.network, name) and not _holds_back(system, modes)):
            continue
        if name not in options.cut_in:
            options.cut_in[name] = _cut_in(run, system, options)
        told = options.cut_in[name]
        if told is not None:
            slot, graph = told
            found.append(Source(slot.run, graph, slot))


def _cut_in(run: Run, system: System, options: Options) -> tuple[ValveSlot, ChoiceGraph] | None:
    """Return a slot for a valve in a run, and the graph with it; None where there is no place for one."""
    slot = valve_slot(run, options.joiners[run.name].catalog, system.rules)
    if slot is None:
        return None
    start, end = (tee_end_of(system.network, options.tees, run, at_start=at) for at in (True, False))
    held, joiner = tied(system.network, run, system.closes_alone), options.joiners[run.name].of(slot.run)
    return slot, build_choice_graph(slot.run, system.rules, joiner, start, end, held, slot=slot)


def _add_whole(
    sources: dict[str, list[Source]], system: System, options: Options, names: Sequence[str], weigh_water: bool
) -> None:
    """Add to runs that may have to lose more a graph over all sensible joints."""
    joiners = joiners_of(system, options.catalog, weigh_water, AllChains) if names else {}
    for name in names:
        run, joiner = system.network.runs[name], joiners[name].of(system.network.runs[name])
        start, end = (tee_end_of(system.network, options.tees, run, at_start=at) for at in (True, False))
        held = tied(system.network, run, system.closes_alone)
        graph = build_choice_graph(run, system.rules, joiner, start, end, held)
        is_thinned = isinstance(joiner.chains, AllChains) and joiner.chains.thinned
        sources[name].append(Source(run, graph, is_whole=True, is_thinned=is_thinned))


def _may_be_too_free(network: Network, modes: Sequence[Mode], name: str) -> bool:
    """Return whether a run without a valve may have to lose more: water has an upper limit, or goes other ways too."""
    run = network.runs[name]
    if may_be_throttled(run) or not _valves_can_help(modes):
        return False
    limited = any(math.isfinite(want.high_m3_s) for mode in modes for want in mode.wants)
    return limited or not _feeds_all(network, name)


def _feeds_all(network: Network, name: str) -> bool:
    """Return whether all water of a tree comes through a run: what it loses, it takes from all others alike."""
    part = next(each for each in network.parts() if name in each)
    runs = [network.runs[each] for each in part]
    ends = {end.point for run in runs for end in (run.start, run.end)}
    inner = [point for point in ends if not network.points[point].is_fixed]
    into = {point: [run.name for run, _, at_start in network.runs_at(point) if not at_start] for point in inner}
    sources = [run.name for run in runs if network.points[run.start.point].is_fixed]
    return sources == [name] and all(len(found) == 1 for found in into.values())


def _holds_back(system: System, modes: Sequence[Mode]) -> bool:
    """Return whether water has an upper limit somewhere that no valve of that run itself can keep.

    Where velocities are limited, less water may go through narrower pipe.
    """
    network, rules = system.network, system.rules
    if math.isfinite(min(rules.velocity_limit_m_s, rules.new_pipe_limit_m_s)):
        return True
    limits = [want for mode in modes for want in mode.wants if math.isfinite(want.high_m3_s)]
    return not all(
        list(want.coefficients.values()) == [1.0] and may_be_throttled(network.runs[next(iter(want.coefficients))])
        for want in limits
    )
