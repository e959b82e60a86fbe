"""How much longer or shorter the new pipe of a run must be, so that bends, tees, pumps and devices stay where they are.

A run is straight between two corners. What the old fittings and pipes took up between them, the new ones must take up
too: a sweep elbow, a coupling or a valve of another make is made up for in the new pipe beside it. A run is measured
part by part (`Tape`), so that the search tells lengths while it walks, and the cut list has the same ones.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from optimizer.choices.kept_ends import is_cut_in
from optimizer.joints.chains import STUB_CLEARANCE_M
from optimizer.model.catalog import PIPES, CatalogItem, Kind
from optimizer.model.ends import End, Form
from optimizer.model.network import LEGS, Part, Run

CORNERS = frozenset({Kind.ELBOW, Kind.SWEEP_ELBOW, Kind.ELBOW_45, Kind.PUMP, Kind.DEVICE, Kind.BULKHEAD})
WHOLE_MM_M = 0.001
_NOTHING_M = 1e-9


@dataclass(frozen=True, slots=True)
class RunEnds:
    """The tee fittings at a run's two ends: None where there is none, or none yet. `kept` says which stay."""

    items: tuple[CatalogItem | None, CatalogItem | None]
    open_water: tuple[bool, bool]
    kept: tuple[bool, bool] = (True, True)


class NewPipe(NamedTuple):
    """A new piece of pipe: how much of it shows, and its length from stop to stop as stated [m]."""

    place: int  # in the run's new parts
    item: CatalogItem
    shows_m: float
    length_m: float


class Straight(NamedTuple):
    """What stands between two corners, stop to stop, or to the centre of a corner [m].

    `stubs` lie inside a corner made of two 45s: they are as long as they are.
    """

    length_m: float = 0.0
    pipes: tuple[NewPipe, ...] = ()
    stubs: tuple[NewPipe, ...] = ()
    kept_pipe: bool = False
    free: bool = False  # ends in open water, where a little more or less does no harm
    open: bool = False  # nothing stands here yet

    def as_long(self, length_m: float, pipes: tuple[NewPipe, ...] | None = None) -> Straight:
        """Return the same straight with another length and, where they are given, other pipes."""
        own = self.pipes if pipes is None else pipes
        return Straight(length_m, own, self.stubs, self.kept_pipe, self.free, self.open)

    def longest(self) -> int:
        """Return which of the new pipes makes up for what differs: the one that shows most, of equal ones the first."""
        return max(range(len(self.pipes)), key=lambda i: (self.pipes[i].shows_m, -i))

    def made_up_m(self, stood: Straight) -> dict[int, float]:
        """Return what is added to each new pipe [m] where `stood` is to be taken up, by its place in `pipes`.

        The one that shows most makes up for it. Where that gets too short, a stub is left of it and the next one goes
        on, so that nothing is left over as long as there is pipe to take it from.
        """
        short_m = stood.length_m - self.length_m
        if self.free and not stood.kept_pipe:
            return {}  # a tail of pipe where there was none is as long as it is meant to be
        if not self.pipes or self.open or stood.open or abs(short_m) < WHOLE_MM_M:
            return {}
        if short_m > 0.0 or len(self.pipes) == 1:
            at = self.longest()
            return {at: max(short_m, _spare_m(self.pipes[at].shows_m))}
        found: dict[int, float] = {}
        for at in sorted(range(len(self.pipes)), key=lambda i: (-self.pipes[i].shows_m, i)):
            found[at] = max(short_m, _spare_m(self.pipes[at].shows_m))
            short_m -= found[at]
            if short_m > -_NOTHING_M:
                break
        return found

    def cut(self, stood: Straight | None) -> list[tuple[CatalogItem, float]]:
        """Return the pieces of new pipe with their lengths at the saw [m]; as stated where nothing is to be met."""
        found = [(pipe.item, pipe.length_m) for pipe in (*self.pipes, *self.stubs)]
        if stood is not None and self.pipes:
            for at, more_m in self.made_up_m(stood).items():
                found[at] = (found[at][0], found[at][1] + more_m)
        return found


class Tape(NamedTuple):
    """How far a run is measured: the straight that is open, and the part laid last with its place in the old run.

    `place` is None for a new part; `last` is None while only the tee at the run's start is laid.
    """

    straight: Straight
    last: Part | None = None
    place: int | None = -1


@dataclass(frozen=True)
class Measure:
    """Measures a run along the pipe: the run as it stands, the fittings at its ends, how deep pipe goes in [m]."""

    old: Run
    ends: RunEnds
    depths_m: Mapping[End, float]

    def start(self) -> Tape:
        """Return the tape with what stands at the run's start."""
        return Tape(self._at_tee(Straight(), 0))

    def lay(
        self, tape: Tape, parts: Sequence[Part], places: Sequence[int | None], at: int
    ) -> Iterator[Straight | Tape]:
        """Yield every straight that these parts close, and last the tape behind them.

        `places` says where each stood in the old run, None for a new one; `at` is the place of the first in the new.
        """
        index = 0
        while index < len(parts):
            if is_pair(parts, index):
                closed, tape = self._pair(tape, parts[index : index + 3], at + index)
                yield closed
                index += 3
                continue
            closed_one, tape = self._one(tape, parts[index], places[index], at + index)
            if closed_one is not None:
                yield closed_one
            index += 1
        yield tape

    def close(self, tape: Tape) -> Straight:
        """Return the last straight, with what stands at the run's end."""
        straight, end = tape.straight, self._tee_end(1)
        last = tape.last
        if last is not None and last.kind in PIPES:
            intact = tape.place is None or (tape.place == len(self.old.parts) - 1 and self.ends.kept[1])
            straight = _into(straight, self.depths_m.get(end, 0.0) if end and intact else 0.0, not last.existing)
        elif last is not None:
            straight = straight._replace(length_m=straight.length_m + self._hub_gap(end, last.ends[-1:]))
        return self._at_tee(straight, 1)

    def straights(self, parts: Sequence[Part], places: Sequence[int | None]) -> list[Straight]:
        """Return all straights of a whole run."""
        found: list[Straight] = []
        tape = self.start()
        for one in self.lay(tape, parts, places, 0):
            if isinstance(one, Tape):
                tape = one
            else:
                found.append(one)
        return [*found, self.close(tape)]

    def stood(self) -> list[Straight]:
        """Return the straights of the run as it stands."""
        return self.straights(self.old.parts, range(len(self.old.parts)))

    def _one(self, tape: Tape, part: Part, place: int | None, at: int) -> tuple[Straight | None, Tape]:
        end, last = self._end_before(tape), tape.last
        intact = place is not None and tape.place is not None and place == tape.place + 1
        if last is None:
            intact = intact and self.ends.kept[0]
        straight = tape.straight
        if last is not None and part.couples:
            depths_m = sum(self.depths_m.get(one, 0.0) for one in part.ends)
            return None, Tape(_longer(straight, sum(_take_outs(part)) + depths_m), last, None)
        if last is not None and last.kind in PIPES:
            if part.kind in PIPES and not part.existing and not last.existing and part.item is last.item:
                return None, Tape(_longer(straight, part.length_m), part, None)
            goes_in = bool(part.ends) and (not last.existing or intact or self._within(tape.place, +1))
            straight = _into(straight, self.depths_m.get(part.ends[0], 0.0) if goes_in else 0.0, not last.existing)
        if part.kind in PIPES:
            goes_in = end is not None and (not part.existing or intact or self._within(place, -1))
            inside_m = self.depths_m.get(end, 0.0) if end is not None and goes_in else 0.0
            return None, Tape(_with_pipe(straight, part, part.length_m + inside_m, at), part, place)
        length_m = straight.length_m + self._hub_gap(end, part.ends)
        if part.kind is Kind.OPEN_JOINT:
            return None, Tape(straight.as_long(length_m)._replace(open=True), part, place)
        near_m, far_m = _take_outs(part)
        if part.kind in CORNERS:
            return straight.as_long(length_m + near_m), Tape(Straight(far_m), part, place)
        return None, Tape(straight.as_long(length_m + near_m + far_m), part, place)

    def _within(self, place: int | None, step: int) -> bool:
        """Return whether a kept pipe ends within a longer one: there it is sawn as long as it must be.

        Elsewhere it is sawn off at the face of the fitting that it was in. `place`: None for a piece of a pipe.
        """
        if place is None:
            return True
        beside = self.old.parts[place + step] if 0 <= place + step < len(self.old.parts) else None
        return beside is not None and (beside.kind in PIPES or is_cut_in(beside))

    def _pair(self, tape: Tape, trio: Sequence[Part], at: int) -> tuple[Straight, Tape]:
        """Lay two 45s on a stub as the one corner that they stand for.

        With L between the centres of the two, the corner of the two straights lies L / sqrt 2 beyond each.
        """
        first, stub, second = trio
        opened = self._one(Tape(tape.straight, tape.last, tape.place), first, None, at)[0]
        assert opened is not None
        assert stub.item is not None
        inside_m = self.depths_m.get(first.ends[-1], 0.0) + self.depths_m.get(second.ends[0], 0.0)
        own = NewPipe(at + 1, stub.item, stub.length_m, stub.length_m + inside_m)
        reach_m = (_take_outs(first)[1] + own.length_m + _take_outs(second)[0]) / math.sqrt(2)
        closed = opened._replace(length_m=opened.length_m + reach_m, stubs=(*opened.stubs, own))
        return closed, Tape(Straight(_take_outs(second)[1] + reach_m), second, None)

    def _end_before(self, tape: Tape) -> End | None:
        if tape.last is None:
            return self._tee_end(0)
        return tape.last.ends[-1] if tape.last.ends else None

    def _tee_end(self, side: int) -> End | None:
        return end_at_tee(self.old, self.ends, side)

    def _at_tee(self, straight: Straight, side: int) -> Straight:
        """Add what a tee takes up at a run's end: nothing in open water, not known where it is not connected yet."""
        item, leg = self.ends.items[side], (self.old.start, self.old.end)[side].leg
        if item is None or leg not in LEGS:
            water = self.ends.open_water[side]
            return straight._replace(open=straight.open or not water, free=straight.free or water)
        return straight._replace(length_m=straight.length_m + item.take_outs_m[LEGS.index(leg)])

    def _hub_gap(self, before: End | None, ends: Sequence[End]) -> float:
        """Return what lies between the stops of two sockets that share a stub of pipe; other joints close up."""
        if before is None or not ends or before.form is not Form.SOCKET or ends[0].form is not Form.SOCKET:
            return 0.0
        return self.depths_m.get(before, 0.0) + self.depths_m.get(ends[0], 0.0) + STUB_CLEARANCE_M


def _spare_m(shows_m: float) -> float:
    """Return how much shorter a pipe may get at the most [m, below 0]: a stub stays."""
    return min(shows_m, STUB_CLEARANCE_M) - shows_m


def _into(straight: Straight, depth_m: float, new: bool) -> Straight:
    """Return a straight whose last pipe goes this deep into what follows."""
    if not depth_m:
        return straight
    pipes = straight.pipes
    if new:
        place, item, shows_m, length_m = pipes[-1]
        pipes = (*pipes[:-1], NewPipe(place, item, shows_m, length_m + depth_m))
    return straight.as_long(straight.length_m + depth_m, pipes)


def _longer(straight: Straight, length_m: float) -> Straight:
    """Return a straight whose last new pipe shows so much more: two of the same pipe are one piece, coupled or not."""
    last = straight.pipes[-1]
    longer = last._replace(shows_m=last.shows_m + length_m, length_m=last.length_m + length_m)
    return straight._replace(length_m=straight.length_m + length_m, pipes=(*straight.pipes[:-1], longer))


def _with_pipe(straight: Straight, part: Part, length_m: float, at: int) -> Straight:
    total_m = straight.length_m + length_m
    if part.existing or part.item is None:
        return straight._replace(length_m=total_m, kept_pipe=True)
    return straight._replace(length_m=total_m, pipes=(*straight.pipes, NewPipe(at, part.item, part.length_m, length_m)))


def _take_outs(part: Part) -> tuple[float, float]:
    take_outs = part.item.take_outs_m if part.item is not None else (0.0, 0.0)
    return (take_outs[-1], take_outs[0]) if part.reverse else (take_outs[0], take_outs[-1])


def is_pair(parts: Sequence[Part], index: int) -> bool:
    """Return whether two new 45s on a stub that shows nothing begin here: together they stand for one bend."""
    if index + 2 >= len(parts) or parts[index].kind is not Kind.ELBOW_45 or parts[index + 1].kind not in PIPES:
        return False
    trio = parts[index : index + 3]
    return trio[2].kind is Kind.ELBOW_45 and not any(p.existing for p in trio) and trio[1].length_m < _NOTHING_M


def end_at_tee(run: Run, ends: RunEnds, side: int) -> End | None:
    """Return the opening of the fitting at a run's start (side 0) or end (1); None in open water."""
    item, leg = ends.items[side], (run.start, run.end)[side].leg
    return item.ends[LEGS.index(leg)] if item is not None and leg in LEGS else None
