"""A run → the valve in it that may be set to hold its flow. The one place that says which valves are never throttled.

Never throttled is what stands on the suction side of a pump (common practice, no source: a pump that is starved of
water cavitates), and what the owner says stays open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from optimizer.model.kinds import THROTTLES, Kind
from optimizer.model.network import Part, Point, Run


def valve_to_set(run: Run) -> int | None:
    """Return which part of a run is the valve that is set; None where none may be.

    It is the first one behind the run's last pump that does not stay open. All others stand open.
    """
    if run.feeds_pump:
        return None
    return next((i for i in range(behind_pumps(run.parts), len(run.parts)) if _may_be_set(run.parts[i])), None)


def may_be_throttled(run: Run) -> bool:
    """Return whether a valve of a run may be set to hold its flow."""
    return valve_to_set(run) is not None


def behind_pumps(parts: Sequence[Part]) -> int:
    """Return the first place in a row of parts that is on the suction side of no pump in it."""
    return max((i + 1 for i, part in enumerate(parts) if part.kind is Kind.PUMP), default=0)


def with_suctions(runs: Mapping[str, Run], points: Mapping[str, Point]) -> dict[str, Run]:
    """Return the runs, those marked that lead to a pump of another run through tees alone."""
    drawn = {run.start.point for run in runs.values() if behind_pumps(run.parts)}
    feeding: set[str] = set()
    while True:
        more = {
            run.name
            for run in runs.values()
            if run.name not in feeding and run.end.point in drawn and not points[run.end.point].is_fixed
        }
        if not more:
            return {name: replace(run, feeds_pump=name in feeding) for name, run in runs.items()}
        feeding |= more
        drawn |= {runs[name].start.point for name in more}


def _may_be_set(part: Part) -> bool:
    return part.kind in THROTTLES and not part.stays_open
