"""A plumbing and its flows → which of them are not known, because a pump runs to the end of its curve or past it.

Beyond the last point that the maker states nothing is known of a pump. Where it is the only one that runs between
fixed heads, and no loop stands in between, what it pushes along carries at least what it carries at that last point.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from optimizer.model.circuits import circuits, gravity_lines, inflow_coefficients
from optimizer.model.kinds import Kind
from optimizer.model.network import Network, Pump, Run

CURVE_END = 1e-4  # relative: a flow as near as this to the last point of the curve counts as there
_LEAST = "at least "


@dataclass(frozen=True)
class Doubt:
    """The pumps at or past the end of their curves; the runs with a lower bound of flow alone, and with none."""

    pumps: tuple[str, ...] = ()
    at_least: frozenset[str] = frozenset()
    unknown: frozenset[str] = frozenset()

    def known(self, run: str) -> bool:
        """Return whether what a run carries is known, as far as its pumps are."""
        return run not in self.at_least and run not in self.unknown

    def words(self, run: str, shown: str) -> str:
        """Return a flow in words as what it is known to be: `at least 1,000 L/h`, or `not known`."""
        if run in self.unknown:
            return "not known"
        return _LEAST + shown if run in self.at_least else shown

    def sums(self, coefficients: Mapping[str, float]) -> Doubt:
        """Return this doubt of a sum of flows under one name, "": known, at least, or not known."""
        touched = [run for run, count in coefficients.items() if count and not self.known(run)]
        if not touched:
            return Doubt(self.pumps)
        name = frozenset({""})
        certain = all(run in self.at_least and coefficients[run] > 0.0 for run in touched)
        return Doubt(self.pumps, at_least=name) if certain else Doubt(self.pumps, unknown=name)


NO_DOUBT = Doubt()


def doubt_of(network: Network, flows_m3_s: Mapping[str, float]) -> Doubt:
    """Return which flows of a plumbing [m³/s by run] are not known for want of points on a pump's curve."""
    past = {
        run.name: [pump.name for pump in _running(network, run) if at_curve_end(pump, flows_m3_s.get(run.name, 0.0))]
        for run in network.runs.values()
    }
    if not any(past.values()):
        return NO_DOUBT
    least: set[str] = set()
    unknown: set[str] = set()
    for runs in (circuit.runs for circuit in circuits(network)):
        if any(past[run.name] for run in runs):
            certain = _pushed_along(network, runs)
            least |= certain
            unknown |= {run.name for run in runs} - certain
    pumps = tuple(name for names in past.values() for name in names)
    return _down_the_lines(network, Doubt(pumps, frozenset(least), frozenset(unknown)))


def _down_the_lines(network: Network, doubt: Doubt) -> Doubt:
    """Return a doubt with the gravity lines of tanks that get what is in doubt: they may carry what the tank gets."""
    if not network.tanks_balance:
        return doubt
    falls = sorted(gravity_lines(network), key=lambda fall: -(network.points[fall[0]].head_m or 0.0))
    for tank, circuit in falls:
        lines = {run.name for run in circuit.runs}
        into = inflow_coefficients(network, tank)
        comes = doubt.sums({run: count for run, count in into.items() if run not in lines})
        if comes.at_least:
            doubt = replace(doubt, at_least=doubt.at_least | lines)
        elif comes.unknown:
            doubt = replace(doubt, unknown=doubt.unknown | lines)
    return doubt


def at_curve_end(pump: Pump, flow_m3_s: float) -> bool:
    """Return whether a pump that runs moves as much as the last point of its curve gives at its speed, or more."""
    return pump.speed > 0.0 and flow_m3_s >= pump.curve[-1][0] * pump.speed * (1.0 - CURVE_END)


def _running(network: Network, run: Run) -> list[Pump]:
    pumps = [network.pumps[part.name] for part in run.parts if part.kind is Kind.PUMP and part.name in network.pumps]
    return [pump for pump in pumps if pump.speed > 0.0]


def _pushed_along(network: Network, runs: Iterable[Run]) -> set[str]:
    """Return the runs that carry more whenever the one pump of a tree does: those written the way that it pushes."""
    runs = list(runs)
    pumped = [run for run in runs if _running(network, run)]
    ends = [point for run in runs for point in (run.start.point, run.end.point)]
    free = {point for point in ends if not network.points[point].is_fixed}
    fixed_ends = sum(network.points[point].is_fixed for point in ends)
    if len(pumped) != 1 or len(runs) != len(free) + fixed_ends - 1:
        return set()
    found = {pumped[0].name}
    behind, before = [pumped[0].end.point], [pumped[0].start.point]
    for waiting, way in ((behind, "start"), (before, "end")):
        seen = {pumped[0].name}
        while waiting:
            point = waiting.pop()
            if network.points[point].is_fixed:
                continue
            for run in runs:
                if run.name in seen or point not in (run.start.point, run.end.point):
                    continue
                seen.add(run.name)
                here, there = (run.start.point, run.end.point) if way == "start" else (run.end.point, run.start.point)
                if here == point:
                    found.add(run.name)
                waiting.append(there if here == point else here)
    return found
