"""Several pumps that feed one tree: in a row in one run, or side by side in two lines that join at a tee.

What the demands take together is known, so it is known what the pumps have to give; how two lines side by side share
it depends on how they are plumbed.
"""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.choices.demands import KnownFlows, flows_behind
from optimizer.errors import FlowsUnknownError
from optimizer.model.catalog import Kind
from optimizer.model.network import Leg, Network, PointKind, Run
from optimizer.model.system import System


@dataclass(frozen=True, slots=True)
class Station:
    """The pumps of a tree. `lines` are two runs that join at the tee `join`; none: all pumps stand in the source run.

    `flows` are those behind the pumps; heads count from the water that a row of pumps draws from, and from the level
    0 of the file where there are lines.
    """

    flows: KnownFlows
    lines: tuple[str, ...] = ()
    join: str = ""

    @property
    def runs(self) -> tuple[str, ...]:
        """Return the runs that pumps stand in."""
        return self.lines or (self.flows.source,)

    def legs(self, network: Network) -> dict[str, Leg]:
        """Return the leg of the joining tee that each line, and the run behind it, sits in."""
        return {run.name: leg for run, leg, _ in network.runs_at(self.join)}


def pumps_in(run: Run) -> tuple[str, ...]:
    """Return the names of a run's pumps in the order of the water."""
    return tuple(part.name for part in run.parts if part.kind is Kind.PUMP)


def station_of(system: System) -> Station:
    """Return the pumps of a system and the known flows behind them, each demand at its least flow.

    Of parts that get their water apart from each other the one with the most pumps is meant; the flows of the others
    are with those behind it.

    Raises
    ------
    FlowsUnknownError
        When the pumps stand otherwise than in one run, or in two runs from open water that join at one tee, or when
        what they feed has no known flows (see `known_flows`).
    """
    network = system.network
    if system.settings:
        raise FlowsUnknownError("several modes share one plumbing, so no single flow of a run is known")
    parts = [[network.runs[name] for name in part if pumps_in(network.runs[name])] for part in system.planned_parts]
    pumped = max(parts, key=lambda runs: sum(len(pumps_in(run)) for run in runs), default=[])
    away = [run.name for run in pumped if not network.points[run.start.point].is_fixed]
    if away:
        raise FlowsUnknownError(f"run {away[0]!r} has a pump, so it must start at the water it draws from")
    if len(pumped) == 1:
        return Station(flows_behind(system, pumped[0], pumps_in(pumped[0])[0]))
    return _side_by_side(system, pumped)


def station_if_known(system: System) -> Station | None:
    """Return the pumps of a system and the known flows behind them; None where they are not known beforehand.

    Nor are they where the rules limit what the plan uses: the pairing of two lines does not weigh what both use.
    """
    try:
        found = station_of(system)
    except FlowsUnknownError:
        return None
    limited = system.rules.most_cuts is not None or system.rules.budget_cents is not None
    return None if found.lines and limited else found


def _side_by_side(system: System, pumped: list[Run]) -> Station:
    network = system.network
    joins = {run.end.point for run in pumped}
    if len(pumped) != 2 or len(joins) != 1:
        names = ", ".join(run.name for run in pumped) or "none"
        raise FlowsUnknownError(f"pumps in one run, or in two that join at a tee, can be planned for; found {names}")
    (join,) = joins
    behind = [run for run, _, at_start in network.runs_at(join) if at_start]
    if network.points[join].kind is not PointKind.TEE or len(behind) != 1:
        raise FlowsUnknownError(f"the pumps' runs {pumped[0].name!r} and {pumped[1].name!r} do not join in one run")
    lines = tuple(run.name for run in pumped)
    aimed = [target.run for target in system.targets if any(run in lines for run in target.summed)]
    if aimed:
        raise FlowsUnknownError(f"the target {aimed[0]!r} is on what one of two pumps gives: that is not known yet")
    return Station(flows_behind(system, behind[0], pumps_in(pumped[0])[0]), lines, join)


__all__ = ["Station", "pumps_in", "station_if_known", "station_of"]
