"""The flow of every run when each demand is held to its least flow by its own valve: the case of known flows.

Water and heads at fixed points part a plumbing: what a pump feeds, a line of house water, one that a tank above feeds.
Each part where something is asked for, or still to be plumbed, is a tree with a head of its own; the others stay as
they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from optimizer.errors import FlowsUnknownError, PlanError
from optimizer.model.catalog import Kind
from optimizer.model.circuits import short_lines
from optimizer.model.network import Leg, Network, Run
from optimizer.model.system import System, Target
from optimizer.model.throttling import may_be_throttled


@dataclass(frozen=True, slots=True)
class DemandPath:
    """The way from a source to one demand: its runs in order, the tees between them, the rise of the head [m].

    `lift_m` is the head at the end less the one at the start: below 0 where house water or a tank above pushes.
    """

    demand: str
    runs: tuple[str, ...]
    tees: tuple[str, ...]  # one between each two runs
    lift_m: float

    @property
    def source(self) -> str:
        return self.runs[0]


@dataclass(frozen=True, slots=True)
class KnownFlows:
    """Trees with every demand at a stated flow.

    `flows_m3_s` has every run of the trees; `targets` every demand that has one, by run name; `source` is the run with
    the `pump`; both are empty where nothing that is planned has a pump. `others` has the source run of every other
    tree, and the pump in it that runs as it does now, or nothing.
    """

    source: str
    pump: str
    flows_m3_s: Mapping[str, float]
    targets: Mapping[str, Target]
    paths: tuple[DemandPath, ...]
    others: Mapping[str, str] = field(default_factory=dict)

    @property
    def total_m3_s(self) -> float:
        """Return the flow of the pump; 0 where there is none."""
        return self.flows_m3_s[self.source] if self.source else 0.0

    @property
    def pumped_paths(self) -> tuple[DemandPath, ...]:
        """Return the paths of the tree that the pump feeds."""
        return self.paths_of(self.source)

    def paths_of(self, source: str) -> tuple[DemandPath, ...]:
        """Return the paths of one tree."""
        return tuple(path for path in self.paths if path.source == source)

    def binds(self, path: DemandPath) -> bool:
        """Return whether a path has to carry anything: where no flow is asked for a shut valve does."""
        return path.demand in self.targets and self.targets[path.demand].low_m3_s > 0.0

    def legs_in(self, network: Network, point: str) -> dict[Leg, float]:
        """Return the flow [m³/s] into a tee through each of its legs."""
        return {
            leg: (-1 if at_start else 1) * self.flows_m3_s[run.name] for run, leg, at_start in network.runs_at(point)
        }


def known_flows(system: System, scale: float = 1.0) -> KnownFlows:
    """Return the flow of every run that is planned with each demand at `scale` times its least flow.

    Raises
    ------
    FlowsUnknownError
        When the flows are not known beforehand: several pumps in a part, a loop, runs against the flow, a demand
        without a target, a target inside the tree, on a sum or a split, several settings, a branch that nothing can
        throttle. Every such fault is in the message.
    PlanError
        When a demand has a valve to hold it and nothing to hold it to.
    """
    if system.settings:
        raise FlowsUnknownError("several modes share one plumbing, so no single flow of a run is known")
    network = system.network
    _refuse_mixed(system)
    parts = _planned(system)
    _refuse_forgotten(system)
    pumped = [_source(network, part) for part in parts if _pumped(network, part)]
    if not pumped:
        trees = [_tree(system, _source(network, part), scale) for part in parts]
        return _together(KnownFlows("", "", {}, {}, ()), trees, network)
    main = max(pumped, key=lambda run: len(network.pumps[_pump_of(run)].speeds))
    elsewhere = [_source(network, part) for part in system.planned_parts if main.name not in part]
    free = [run.name for run in elsewhere if _pump_of(run) and _has_choice(system, _pump_of(run))]
    if free:
        raise FlowsUnknownError(f"the pump in run {free[0]!r} can be changed or set as well as {_pump_of(main)!r}")
    return _together(_tree(system, main, scale), [_tree(system, run, scale) for run in elsewhere], network)


def flows_if_known(system: System) -> KnownFlows | None:
    """Return the flow of every run with each demand at its least flow; None where they are not known beforehand."""
    try:
        return known_flows(system)
    except FlowsUnknownError:
        return None


def _pumped(network: Network, part: tuple[str, ...]) -> list[Run]:
    return [network.runs[name] for name in part if _pump_of(network.runs[name])]


def _pump_of(run: Run) -> str:
    return next((part.name for part in run.parts if part.kind is Kind.PUMP), "")


def _has_choice(system: System, pump: str) -> bool:
    own = system.network.pumps[pump]
    return system.rules.other_pumps or bool(set(own.speeds) - {own.speed})


def _together(main: KnownFlows, trees: list[KnownFlows], network: Network) -> KnownFlows:
    """Return one tree and the others with it, demands in file order."""
    everything = [main, *trees]
    order = list(network.runs)
    known = replace(
        main,
        flows_m3_s={run: flow for tree in everything for run, flow in tree.flows_m3_s.items()},
        targets={run: target for tree in everything for run, target in tree.targets.items()},
        paths=tuple(sorted((p for tree in everything for p in tree.paths), key=lambda path: order.index(path.demand))),
        others={tree.source: tree.pump for tree in trees},
    )
    if not any(target.low_m3_s > 0 for target in known.targets.values()):
        raise FlowsUnknownError("no target asks for a flow above nothing, so there is nothing to plan for")
    return known


def _tree(system: System, source: Run, scale: float) -> KnownFlows:
    paths = _paths(system.network, source)
    targets = _targets(system, paths)
    flows = dict.fromkeys((run for path in paths for run in path.runs), 0.0)
    for path in paths:
        for run in path.runs:
            flows[run] += scale * targets[path.demand].low_m3_s if path.demand in targets else 0.0
    return KnownFlows(source.name, _pump_of(source), flows, targets, tuple(paths))


def _source(network: Network, part: tuple[str, ...]) -> Run:
    """Return the run that all water of a connected part comes through."""
    pumped = _pumped(network, part)
    if len(pumped) > 1:
        names = ", ".join(run.name for run in pumped)
        raise FlowsUnknownError(f"a plan needs exactly one run with a pump; found {names}")
    if pumped and not network.points[pumped[0].start.point].is_fixed:
        raise FlowsUnknownError(f"run {pumped[0].name!r} has the pump, so it must start at the water it draws from")
    if pumped and sum(part.kind is Kind.PUMP for part in pumped[0].parts) != 1:
        raise FlowsUnknownError(f"run {pumped[0].name!r} has more than one pump; a plan can size one")
    if pumped:
        return pumped[0]
    first = [name for name in part if network.points[network.runs[name].start.point].is_fixed]
    if len(first) != 1:
        names = ", ".join(first) or "none"
        raise FlowsUnknownError(f"of runs {', '.join(part)} exactly one may bring the water; found {names}")
    return network.runs[first[0]]


def _paths(network: Network, source: Run) -> list[DemandPath]:
    """Walk the tree downstream and return one path per demand, in file order of the demands."""
    base = network.points[source.start.point].head_m or 0.0
    found: list[DemandPath] = []
    waiting: list[tuple[tuple[str, ...], tuple[str, ...]]] = [((source.name,), ())]
    seen = {source.name}
    while waiting:
        runs, tees = waiting.pop()
        point = network.points[network.runs[runs[-1]].end.point]
        if point.is_fixed:
            found.append(DemandPath(runs[-1], runs, tees, (point.head_m or 0.0) - base))
            continue
        for run, _, at_start in network.runs_at(point.name):
            if run.name == runs[-1]:
                continue
            if not at_start or run.name in seen:
                raise FlowsUnknownError(
                    f"runs {runs[-1]!r} and {run.name!r} both bring water to {point.name!r}: in a loop or where "
                    "returns join, the split is not known beforehand; write every run in the direction of its flow, "
                    "or plan without the loop"
                )
            seen.add(run.name)
            waiting.append(((*runs, run.name), (*tees, point.name)))
    order = list(network.runs)
    return sorted(found, key=lambda path: order.index(path.demand))


def _planned(system: System) -> list[tuple[str, ...]]:
    """Return the connected parts that are planned: where nothing at all is asked for, those with a pump."""
    network = system.network
    return [part for part in system.planned_parts if system.targets or _pumped(network, part)]


def _refuse_forgotten(system: System) -> None:
    forgotten = forgotten_runs(system)
    if forgotten:
        raise PlanError("; ".join(map(forgotten_words, forgotten)))


def forgotten_words(run: str) -> str:
    """Return what is to be said of a run whose target was forgotten."""
    return f"run {run!r} has a valve and no target; for a plan write `{run}: at least ...` or `{run}: any`"


def forgotten_runs(system: System) -> tuple[str, ...]:
    """Return the runs that have a valve to hold them and nothing to hold them to: the owner forgot their targets.

    Where the target is on a run that branches further on, or nothing is asked of a part of the plumbing while it is of
    others, the valves are there for that. Several modes may ask in one what they do not in another.
    """
    network, found = system.network, list[str]()
    given = {run for target in system.targets for run in target.summed}
    for part in () if system.settings else _planned(system):
        ends = {name for name in part if network.points[network.runs[name].end.point].is_fixed}
        if given & (set(part) - ends) or (system.targets and not given & set(part)):
            continue
        found += [name for name in part if name in ends - given and may_be_throttled(network.runs[name])]
    return tuple(found)


def _refuse_mixed(system: System) -> None:
    mixed = [target.run for target in system.targets if target.share is not None or len(target.summed) > 1]
    if mixed:
        raise FlowsUnknownError(f"the target {mixed[0]!r} is on a sum or a split: the flows of its runs stay open")
    if len({target.summed[0] for target in system.targets}) < len(system.targets):
        raise FlowsUnknownError("two targets are on one run, one of them by its device; write one window for both")
    asked = {target.summed[0] for target in system.targets if target.low_m3_s > 0.0 or target.high_m3_s is not None}
    for run in sorted(asked & short_lines(system.network).keys()):
        raise FlowsUnknownError(f"run {run!r} carries what its tank gets, which is a matter of other runs")


def _targets(system: System, paths: list[DemandPath]) -> dict[str, Target]:
    """Return the target of every demand of a tree; none where nothing is asked of it and only work is to be done."""
    network = system.network
    given = {target.summed[0]: replace(target, run=target.summed[0], runs=()) for target in system.targets}
    demands = {path.demand for path in paths}
    inside = {run for path in paths for run in path.runs} - demands
    if not given.keys() & (demands | inside) and system.targets:
        return {}
    faults = [
        f"the target on {name!r} is on a run that branches further on; put targets on the runs that end at the water: "
        f"{', '.join(path.demand for path in paths if name in path.runs)}"
        for name in given
        if name in inside
    ]
    for path in paths:
        if path.demand not in given:
            faults.append(f"run {path.demand!r} has no target; write `{path.demand}: at least ...` or `any`")
        elif (len(paths) > 1 or given[path.demand].high_m3_s is not None) and not _has_valve(network, path.demand):
            faults.append(f"run {path.demand!r} has no valve that could hold it to its flow; put one into it")
    if faults:
        raise FlowsUnknownError("; ".join(faults))
    return {path.demand: given[path.demand] for path in paths}


def _has_valve(network: Network, run: str) -> bool:
    return may_be_throttled(network.runs[run])
