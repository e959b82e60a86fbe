"""Runs that meet end to end without a tee → one run, under the name of the first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from optimizer.model.network import Leg, Point
from optimizer.read.nodes import Node, Place, Reading
from optimizer.read.part_text import PartText
from optimizer.read.run_text import RunText
from optimizer.read.topology import EndText, point_and_leg


@dataclass(frozen=True, slots=True)
class RawRun:
    """A run as far as it could be read; `size` None: not readable, so its parts cannot be looked up.

    `then` says from which part on another size and family hold: where a run begins that was written apart.
    """

    name: str
    place: Place
    ends: tuple[EndText, ...]
    size: tuple[str, str] | None  # nominal size, family
    parts: tuple[PartText | None, ...]
    then: tuple[tuple[int, tuple[str, str]], ...] = ()
    node: Node | None = None  # the cap or plug at its end: a closed stub

    @property
    def whole(self) -> bool:
        return len(self.ends) == 2 and self.size is not None

    @property
    def text(self) -> RunText | None:
        """The run as its parts are looked up in; None where its size is not readable."""
        return None if self.size is None else RunText(self.name, self.place, *self.size, self.parts, self.then)


def joined_runs(
    reading: Reading, runs: Sequence[RawRun], fixed: Mapping[str, Point]
) -> tuple[list[RawRun], Mapping[str, str]]:
    """Return the runs with those that meet end to end as one, and under which name each other one is told.

    The one that ends where the other begins comes first. Two that both end, or both begin, where nothing else does have
    no direction together: the layout refuses them.
    """
    found = {run.name: run for run in runs}
    told: dict[str, str] = {}
    for point in _where_two_meet(runs, fixed):
        first, second = (_with_end(found.values(), point, at_start) for at_start in (False, True))
        if first is None or second is None:
            continue  # the layout says so
        if first.name != second.name and first.size is not None and second.size is not None:
            found[first.name] = _one(first, second)
            del found[second.name]
            told = {name: first.name if name_of == second.name else name_of for name, name_of in told.items()}
            told[second.name] = first.name
            reading.remark(
                second.place,
                [f"run '{second.name}' goes on where '{first.name}' ends: the two are one, '{first.name}'"],
            )
    return list(found.values()), told


def _with_end(runs: Iterable[RawRun], point: str, at_start: bool) -> RawRun | None:
    """Return the run that begins, or ends, at a point."""
    return next((run for run in runs for end in run.ends if end.text == point and end.at_start is at_start), None)


def _where_two_meet(runs: Sequence[RawRun], fixed: Mapping[str, Point]) -> list[str]:
    """Return the points that are the end of just two runs, all ends known, in file order."""
    if any(not run.whole for run in runs):
        return []
    met: dict[str, list[Leg | None]] = {}
    for run in runs:
        for end in run.ends:
            point, leg = point_and_leg(end.text, fixed)
            met.setdefault(point, []).append(leg)
    return [point for point, legs in met.items() if legs == [None, None] and point not in fixed]


def _one(first: RawRun, second: RawRun) -> RawRun:
    assert first.size is not None
    assert second.size is not None
    count = len(first.parts)
    start = next(end for end in first.ends if end.at_start)
    end = replace(next(end for end in second.ends if not end.at_start), run=first.name)
    then = (*first.then, (count, second.size), *((count + at, size) for at, size in second.then))
    return RawRun(first.name, first.place, (start, end), first.size, (*first.parts, *second.parts), then)
