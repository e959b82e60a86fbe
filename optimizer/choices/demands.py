"""The flow of every run when each demand is held to its least flow by its own valve: the case of known flows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from optimizer.errors import FlowsUnknownError, PlanError
from optimizer.model.catalog import Kind
from optimizer.model.network import Condition, Leg, Network, Run
from optimizer.model.system import System, Target
from optimizer.model.throttling import may_be_throttled


@dataclass(frozen=True, slots=True)
class DemandPath:
    """The way from the source to one demand: its runs in order, the tees between them, the static lift [m]."""

    demand: str
    runs: tuple[str, ...]
    tees: tuple[str, ...]  # one between each two runs
    lift_m: float


@dataclass(frozen=True, slots=True)
class KnownFlows:
    """A pumped tree with every demand at a stated flow.

    `flows_m3_s` has every run of the tree; `targets` every demand, by run name; `source` is the run with the pump, or
    the one that the water of several pumps comes through: then `head_m` is what they give its start (see
    `choices.stations`).
    """

    source: str
    pump: str
    flows_m3_s: Mapping[str, float]
    targets: Mapping[str, Target]
    paths: tuple[DemandPath, ...]
    head_m: float | None = None

    @property
    def total_m3_s(self) -> float:
        return self.flows_m3_s[self.source]

    def legs_in(self, network: Network, point: str) -> dict[Leg, float]:
        """Return the flow [m³/s] into a tee through each of its legs."""
        return {
            leg: (-1 if at_start else 1) * self.flows_m3_s[run.name] for run, leg, at_start in network.runs_at(point)
        }


def known_flows(system: System, scale: float = 1.0) -> KnownFlows:
    """Return the flow of every run with each demand at `scale` times its least flow.

    Raises
    ------
    FlowsUnknownError
        When the flows are not known beforehand: no pump or several, a loop, runs against the flow, a demand without
        a target, a target inside the tree, on a sum or a split, several settings, a branch that nothing can throttle.
        Every such fault is in the message.
    """
    if system.settings:
        raise FlowsUnknownError("several settings share one plumbing, so no single flow of a run is known")
    source = _source(system.network)
    pump = next(part.name for part in source.parts if part.kind is Kind.PUMP)
    return flows_behind(system, source, pump, scale)


def flows_if_known(system: System) -> KnownFlows | None:
    """Return the flow of every run with each demand at its least flow; None where they are not known beforehand."""
    try:
        return known_flows(system)
    except FlowsUnknownError:
        return None


def flows_behind(system: System, source: Run, pump: str, scale: float = 1.0) -> KnownFlows:
    """Return the flows of the tree that a run feeds, each demand at `scale` times its least flow.

    Raises
    ------
    FlowsUnknownError
        When what lies behind the run is no tree, or its demands leave a flow open.
    """
    paths = _paths(system.network, source)
    targets = _targets(system, paths)
    flows = dict.fromkeys((run for path in paths for run in path.runs), 0.0)
    for path in paths:
        for run in path.runs:
            flows[run] += scale * targets[path.demand].low_m3_s
    _refuse_elsewhere(system, set(flows))
    return KnownFlows(source.name, pump, flows, targets, tuple(paths))


def _refuse_elsewhere(system: System, tree: set[str]) -> None:
    """Raise where something is asked of a run that the tree does not reach, or is still to be plumbed there."""
    aimed = [target.run for target in system.targets if not set(target.summed) <= tree]
    if aimed:
        raise FlowsUnknownError(f"the target {aimed[0]!r} is on a run that gets its water from elsewhere")
    waiting = [name for name, run in system.network.runs.items() if name not in tree and has_work(run)]
    if waiting:
        raise FlowsUnknownError(f"run {waiting[0]!r}, which gets its water from elsewhere, is still to be plumbed")


def has_work(run: Run) -> bool:
    """Return whether something has to be done in a run whatever flows there: an open joint, a part that must go."""
    return any(part.kind is Kind.OPEN_JOINT or part.condition is Condition.MUST_GO for part in run.parts)


def _source(network: Network) -> Run:
    pumped = [run for run in network.runs.values() if any(part.kind is Kind.PUMP for part in run.parts)]
    if len(pumped) != 1:
        names = ", ".join(run.name for run in pumped) or "none"
        raise FlowsUnknownError(f"a plan needs exactly one run with a pump; found {names}")
    if not network.points[pumped[0].start.point].is_fixed:
        raise FlowsUnknownError(f"run {pumped[0].name!r} has the pump, so it must start at the water it draws from")
    if sum(part.kind is Kind.PUMP for part in pumped[0].parts) != 1:
        raise FlowsUnknownError(f"run {pumped[0].name!r} has more than one pump; a plan can size one")
    return pumped[0]


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


def _refuse_forgotten(system: System, demands: list[str]) -> None:
    """Raise where a demand has a valve to hold it and nothing to hold it to: the owner forgot it."""
    runs = system.network.runs
    forgotten = [run for run in demands if may_be_throttled(runs[run])]
    if forgotten:
        raise PlanError(
            "; ".join(f"run {run!r} has no target; write `{run}: at least ...` or `{run}: any`" for run in forgotten)
        )


def _targets(system: System, paths: list[DemandPath]) -> dict[str, Target]:
    network = system.network
    mixed = [target.run for target in system.targets if target.share is not None or len(target.summed) > 1]
    if mixed:
        raise FlowsUnknownError(f"the target {mixed[0]!r} is on a sum or a split: the flows of its runs stay open")
    given = {target.summed[0]: replace(target, run=target.summed[0], runs=()) for target in system.targets}
    if len(given) < len(system.targets):
        raise FlowsUnknownError("two targets are on one run, one of them by its device; write one window for both")
    demands = {path.demand for path in paths}
    inside = {run for path in paths for run in path.runs} - demands
    if not inside & set(given):
        _refuse_forgotten(system, [path.demand for path in paths if path.demand not in given])
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
    if not any(given[path.demand].low_m3_s > 0 for path in paths if path.demand in given):
        faults.append("no demand has a least flow above nothing, so there is nothing to plan for")
    if faults:
        raise FlowsUnknownError("; ".join(faults))
    return {path.demand: given[path.demand] for path in paths}


def _has_valve(network: Network, run: str) -> bool:
    return may_be_throttled(network.runs[run])
