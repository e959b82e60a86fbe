"""The plumbing as it stands, as choices of its own: nothing else can cost less, so it is looked at first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from optimizer.choices.graph import Arc, ChoiceGraph
from optimizer.model.catalog import Catalog
from optimizer.model.network import Condition, Part, Run
from optimizer.model.system import System
from optimizer.search.options import Options, options_of


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
