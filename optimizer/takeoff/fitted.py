"""How much longer or shorter the new pipe of a run must be, so that bends, tees, pumps and devices stay where they are.

A run is straight between two corners. What the old fittings and pipes took up between them, the new ones must take up
too: a sweep elbow, a coupling or a valve of another make is made up for in the new pipe beside it. A run is measured
part by part (`Tape`), so that the search tells lengths while it walks, and the cut list has the same ones.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from optimizer.joints.chains import STUB_CLEARANCE_M
from optimizer.model.catalog import PIPES, CatalogItem, Kind
from optimizer.model.ends import End, Form
from optimizer.model.network import Leg, Part, Run
from optimizer.units import US, show_length

LEGS = (Leg.RUN_1, Leg.RUN_2, Leg.BRANCH, Leg.BRANCH_2)
_CORNERS = frozenset({Kind.ELBOW, Kind.SWEEP_ELBOW, Kind.ELBOW_45, Kind.PUMP, Kind.DEVICE, Kind.BULKHEAD})
_WHOLE_MM_M = 0.001
_NOTHING_M = 1e-9


@dataclass(frozen=True, slots=True)
class RunEnds:
    """The tee fittings at a run's two ends: None where there is none, or none yet. `kept` says which stay."""

    items: tuple[CatalogItem | None, CatalogItem | None]
    open_water: tuple[bool, bool]
    kept: tuple[bool, bool] = (True, True)


@dataclass(frozen=True, slots=True)
class Fit:
    """What must be added to the new pipes of a run [m], by their place in it, and what a person must see to."""

    added_m: Mapping[int, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


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

    def made_up_m(self, stood: Straight) -> float:
        """Return what is added to the longest new pipe [m] where `stood` is to be taken up; a stub is left of it."""
        short_m = stood.length_m - self.length_m
        if not self.pipes or self.open or stood.open or abs(short_m) < _WHOLE_MM_M:
            return 0.0
        shows_m = self.pipes[self.longest()].shows_m
        return max(short_m, min(shows_m, STUB_CLEARANCE_M) - shows_m)

    def cut(self, stood: Straight | None) -> list[tuple[CatalogItem, float]]:
        """Return the pieces of new pipe with their lengths at the saw [m]; as stated where nothing is to be met."""
        found = [(pipe.item, pipe.length_m) for pipe in (*self.pipes, *self.stubs)]
        if stood is not None and self.pipes:
            at = self.longest()
            found[at] = (found[at][0], found[at][1] + self.made_up_m(stood))
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
            if _is_pair(parts, index):
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
        if last is not None and last.kind in PIPES:
            if part.kind in PIPES and not part.existing and not last.existing and part.item is last.item:
                return None, Tape(_longer(straight, part.length_m), part, None)
            goes_in = bool(part.ends) and (not last.existing or intact)
            straight = _into(straight, self.depths_m.get(part.ends[0], 0.0) if goes_in else 0.0, not last.existing)
        if part.kind in PIPES:
            inside_m = self.depths_m.get(end, 0.0) if end is not None and (not part.existing or intact) else 0.0
            return None, Tape(_with_pipe(straight, part, part.length_m + inside_m, at), part, place)
        length_m = straight.length_m + self._hub_gap(end, part.ends)
        if part.kind is Kind.OPEN_JOINT:
            return None, Tape(straight.as_long(length_m)._replace(open=True), part, place)
        near_m, far_m = _take_outs(part)
        if part.kind in _CORNERS:
            return straight.as_long(length_m + near_m), Tape(Straight(far_m), part, place)
        return None, Tape(straight.as_long(length_m + near_m + far_m), part, place)

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
        item, leg = self.ends.items[side], (self.old.start, self.old.end)[side].leg
        return item.ends[LEGS.index(leg)] if item is not None and leg in LEGS else None

    def _at_tee(self, straight: Straight, side: int) -> Straight:
        """Add what a tee takes up at a run's end: nothing in open water, not known where it is not plumbed yet."""
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
    """Return a straight whose last new pipe shows so much more: two of the same pipe are one piece."""
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


def _is_pair(parts: Sequence[Part], index: int) -> bool:
    """Return whether two new 45s on a stub that shows nothing begin here: together they stand for one bend."""
    if index + 2 >= len(parts) or parts[index].kind is not Kind.ELBOW_45 or parts[index + 1].kind not in PIPES:
        return False
    trio = parts[index : index + 3]
    return trio[2].kind is Kind.ELBOW_45 and not any(p.existing for p in trio) and trio[1].length_m < _NOTHING_M


def fit_run(old: Run, new: Sequence[Part], old_ends: RunEnds, new_ends: RunEnds, depths_m: Mapping[End, float]) -> Fit:
    """Return what the new pipes of a run must be longer than stated (shorter: below 0).

    Parameters
    ----------
    old, old_ends
        The run as it stands, its lengths face to face, and the fittings at its ends.
    new, new_ends
        Its parts as planned, and the fittings at its ends as planned.
    depths_m
        How deep a pipe goes into each kind of end [m].
    """
    if not old.is_plumbed:
        return Fit(notes=(f"run {old.name}: it is new; measure its pieces in place before you cut them",))
    before = Measure(old, old_ends, depths_m).stood()
    after = Measure(old, new_ends, depths_m).straights(new, _old_places(new, old.parts))
    if len(before) != len(after):
        if any(part.kind is Kind.PUMP and not part.existing for part in new):
            words = "a pump was put in; shorten the sawn pipe by what it and its joints take, measured in place"
            return Fit(notes=(f"run {old.name}: {words}",))
        return Fit(notes=(f"run {old.name}: bends were added or left out; measure its new pieces in place",))
    added: dict[int, float] = {}
    notes: list[str] = []
    for stood, planned in zip(before, after, strict=True):
        _fit_straight(old.name, stood, planned, added, notes)
    return Fit(added, tuple(dict.fromkeys(notes)))


def _fit_straight(run: str, stood: Straight, planned: Straight, added: dict[int, float], notes: list[str]) -> None:
    """Make up for the difference of one straight in its longest new pipe, or say what can not be made up for."""
    if stood.open or planned.open:
        if planned.pipes:
            notes.append(f"run {run}: part of it was not plumbed before; measure the new pieces there in place")
        return
    short_m = stood.length_m - planned.length_m
    if abs(short_m) < _WHOLE_MM_M:
        return
    if planned.pipes:
        more_m = planned.made_up_m(stood)
        added[planned.pipes[planned.longest()].place] = more_m
        short_m -= more_m
    if abs(short_m) >= _WHOLE_MM_M and not planned.free:
        notes.append(_left_over(run, short_m, planned.kept_pipe))


def _left_over(run: str, short_m: float, kept_pipe: bool) -> str:
    """Return what a person must see to where no new pipe can make up for a difference."""
    inches = show_length(abs(short_m), US)
    size = f"{abs(1000 * short_m):.0f} mm ({inches}) {'more' if short_m < 0 else 'less'}"
    if not kept_pipe:
        return f"run {run}: the new parts take {size} of room; check that what they join can move by as much"
    if short_m < 0:
        return f"run {run}: the new parts take {size} of room; cut the kept pipe back by as much"
    return f"run {run}: the new parts take {size} of room; leave the kept pipe as much longer where it is cut"


def _old_places(parts: Sequence[Part], old: Sequence[Part]) -> list[int | None]:
    """Return where each kept part stood in the old run; None for a new one."""
    found: list[int | None] = []
    at = 0
    for part in parts:
        same = (i for i in range(at, len(old)) if part.existing and old[i] is part)
        alike = (i for i in range(at, len(old)) if part.existing and old[i] == part)
        place = next(same, next(alike, None))
        found.append(place)
        at = at if place is None else place + 1
    return found


def fitted(parts: Sequence[Part], fit: Fit) -> tuple[Part, ...]:
    """Return a run's parts with the new pipes as long as they must be; never below nothing."""
    return tuple(
        replace(part, length_m=max(0.0, part.length_m + fit.added_m[index])) if index in fit.added_m else part
        for index, part in enumerate(parts)
    )
