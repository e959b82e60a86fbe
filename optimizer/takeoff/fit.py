"""A run as it stands and as planned → how long its new pipe is, what is sawn off the pipe that stays, what stubs stay.

One place for all of it: the cut list, the steps of the work and the drawings read the same lengths. A straight that
grows is made up for in its new pipe first, then pipe that is sawn off anyway is cut back, then the stubs in fittings
that stay are left longer or shorter. What is left over then is told: what stands at the two ends of it has to move.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from optimizer.joints.chains import STUB_CLEARANCE_M
from optimizer.joints.mating import mating
from optimizer.joints.standing import cut_from, old_places
from optimizer.model.catalog import PIPES, Kind
from optimizer.model.ends import End, Form
from optimizer.model.network import Part, Run
from optimizer.model.note import Note, note
from optimizer.takeoff.fitted import CORNERS, WHOLE_MM_M, Measure, RunEnds, Straight, end_at_tee, is_pair

_TOLD_M = 0.002  # what is left over below this is within a saw cut: common practice, no source
_LEAST_M = 0.025  # what stays of a pipe that is cut back, at the least: common practice, no source


@dataclass(frozen=True, slots=True)
class Sawn:
    """A pipe that stays and is sawn off, by its place in the new run.

    `whole_m` is what showed of it, face to face; `stays_m` what is left of that, from the face of the fitting that it
    stays in to the saw cut, and `shows_m` what shows of that when it is in place. `at_start` and `at_end` say which of
    its ends, in the direction of the run, is sawn off. `piece`: it is one of two pieces of a pipe that is sawn through.
    """

    place: int
    stood: int
    whole_m: float
    stays_m: float
    shows_m: float
    at_start: bool
    at_end: bool
    piece: bool

    @property
    def off_m(self) -> float:
        """Return what is sawn off [m]; of a pipe that is sawn through, what does not belong to this piece."""
        return self.whole_m - self.stays_m


@dataclass(frozen=True, slots=True)
class Stub:
    """What is left of an old pipe in the socket of a fitting that stays, with a new fitting on it.

    `joint` counts the joints of the new run: joint i is before its part i. `leave_m` is what shows of it before the new
    fitting is put on.
    """

    joint: int
    leave_m: float


@dataclass(frozen=True, slots=True)
class Fit:
    """What must be added to the new pipes of a run [m], by their place in it, and what becomes of the old pipe.

    `notes` are what a person must see to; `left_over_m` is how much longer (shorter: below 0) than what stood there the
    new parts of each straight are, by its number, where nothing takes it up.
    """

    added_m: Mapping[int, float] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()
    sawn: tuple[Sawn, ...] = ()
    stubs: tuple[Stub, ...] = ()
    left_over_m: Mapping[int, float] = field(default_factory=dict)

    def shows_m(self, place: int) -> float | None:
        """Return what shows of a kept pipe that is sawn off [m], None where it stays as it is."""
        return next((one.shows_m for one in self.sawn if one.place == place), None)


def fit_run(old: Run, new: Sequence[Part], old_ends: RunEnds, new_ends: RunEnds, depths_m: Mapping[End, float]) -> Fit:
    """Return what the new pipes of a run must be longer than stated (shorter: below 0), and what is sawn off old ones.

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
        return Fit(notes=(note("new run", run=old.name),))
    work = _Fitting(old, new, old_ends, new_ends, depths_m)
    before = Measure(old, old_ends, depths_m).stood()
    after = Measure(old, new_ends, depths_m).straights(new, work.places)
    if len(before) != len(after):
        pump = any(part.kind is Kind.PUMP and not part.existing for part in new)
        return work.fit((note("pump put in" if pump else "bends differ", run=old.name),), even=False)
    for number, (stood, planned) in enumerate(zip(before, after, strict=True)):
        work.make_up(number, stood, planned)
    return work.fit()


class _Fitting:
    """Makes up for what differs, straight by straight."""

    def __init__(
        self, old: Run, new: Sequence[Part], old_ends: RunEnds, ends: RunEnds, depths_m: Mapping[End, float]
    ) -> None:
        self.old, self.new, self.old_ends, self.ends, self.depths_m = old, new, old_ends, ends, depths_m
        self.places = old_places(new, old.parts)
        self.numbers, self.corners = straight_numbers(new)
        self.added: dict[int, float] = {}
        self.notes: list[Note] = []
        self.left_over: dict[int, float] = {}
        self.back = dict.fromkeys(self._sawn_places(), 0.0)  # what kept pipe is cut back by [m]
        self.longer = dict.fromkeys(self._stub_joints(), 0.0)  # what stubs are left longer by [m]

    def fit(self, notes: tuple[Note, ...] = (), *, even: bool = True) -> Fit:
        """Return what was found; `even`: there are as many straights as before, so that each was made up for."""
        sawn = tuple(self._sawn(place, even) for place in self.back)
        stubs = tuple(Stub(joint, self._leave_m(joint)) for joint in self.longer)
        return Fit(self.added, (*notes, *self.notes), sawn, stubs, self.left_over)

    def make_up(self, number: int, stood: Straight, planned: Straight) -> None:
        """Make up for the difference of one straight, or say what cannot be made up for."""
        if stood.open or planned.open:
            if planned.pipes:
                self.notes.append(note("not connected before", run=self.old.name, **self._between(number)))
            return
        short_m = stood.length_m - planned.length_m
        if abs(short_m) < WHOLE_MM_M:
            return
        for at, more_m in planned.made_up_m(stood).items():
            self.added[planned.pipes[at].place] = more_m
            short_m -= more_m
        if planned.free or abs(short_m) < WHOLE_MM_M:
            return
        short_m = self._with_old_pipe(number, short_m)
        if abs(short_m) >= _TOLD_M:
            self.left_over[number] = -short_m
            self.notes.append(note("left over", run=self.old.name, **self._between(number), length_m=-short_m))

    def _with_old_pipe(self, number: int, short_m: float) -> float:
        """Cut pipe that is sawn off anyway back, and leave stubs longer or shorter; return what is left over [m]."""
        places = [place for place in self.back if self.numbers[place] == number]
        for place in sorted(places, key=lambda i: -self.new[i].length_m):
            if short_m < 0.0:
                least_m = min(_LEAST_M, self.new[place].length_m)
                self.back[place] = min(-short_m, self.new[place].length_m - least_m)
                short_m += self.back[place]
        for joint in self.longer:
            if self._number_of_joint(joint) == number and abs(short_m) > 1e-9:
                most_m = self._most_stub_m(joint)
                self.longer[joint] = max(-STUB_CLEARANCE_M, min(short_m, most_m))
                short_m -= self.longer[joint]
        return short_m

    # what stays of the old pipe

    def _sawn_places(self) -> Iterator[int]:
        for index, part in enumerate(self.new):
            if part.kind in PIPES and part.existing and any(self._is_sawn(index)):
                yield index

    def _is_sawn(self, index: int) -> tuple[bool, bool]:
        """Return whether a kept pipe is sawn off at its start and at its end."""
        place = self.places[index]
        if place is None:
            return self._piece_ends(index)
        return (
            not self._joint_stands(index) and self._was_cemented(place, -1),
            not self._joint_stands(index + 1) and self._was_cemented(place, +1),
        )

    def _was_cemented(self, place: int, step: int) -> bool:
        """Return whether the joint on one side of an old pipe opens by a saw only."""
        at, mine = place + step, self.old.parts[place].ends[0 if step < 0 else -1]
        if 0 <= at < len(self.old.parts):
            other = self.old.parts[at]
            if other.kind in PIPES or other.kind is Kind.OPEN_JOINT:
                return other.kind in PIPES
            end: End | None = other.ends[-1 if step < 0 else 0]
        else:
            end = end_at_tee(self.old, self.old_ends, 0 if step < 0 else 1)
        joint = mating(mine, end) if end is not None else None
        return joint is not None and not joint.separable

    def _piece_ends(self, index: int) -> tuple[bool, bool]:
        """Return which end of a piece of a pipe that is sawn through was sawn: the one whose neighbour is new."""
        before = index > 0 and self.new[index - 1].existing
        after = index + 1 < len(self.new) and self.new[index + 1].existing
        return not before and index > 0, not after and index + 1 < len(self.new)

    def _joint_stands(self, joint: int) -> bool:
        """Return whether the joint before a part of the new run (after the last: its end) is as it was."""
        before = -1 if joint == 0 else self.places[joint - 1]
        after = len(self.old.parts) if joint == len(self.new) else self.places[joint]
        if before is None or after is None or after != before + 1:
            return False
        return (joint > 0 or self.ends.kept[0]) and (joint < len(self.new) or self.ends.kept[1])

    def _sawn(self, place: int, even: bool) -> Sawn:
        part, stood = self.new[place], self.places[place]
        at_start, at_end = self._is_sawn(place)
        into_m = self._depth_m(place, 0) * at_start + self._depth_m(place + 1, 1) * at_end
        if stood is not None:
            stays_m, whole_m = part.length_m - self.back[place], self._with_other_piece_m(stood)
            stays_m += self._within_m(place, stood) if even else 0.0
            piece = whole_m > part.length_m
            return Sawn(place, stood, whole_m, stays_m, stays_m - into_m, at_start, at_end, piece)
        origin = cut_from(part, self.old.parts, place, self.places)
        whole_m = self.old.parts[origin].length_m
        shows_m = part.length_m - self.back[place]
        return Sawn(place, origin, whole_m, shows_m + into_m, shows_m, at_start, at_end, True)

    def _within_m(self, place: int, stood: int) -> float:
        """Return how deep a pipe goes in where it is sawn through [m]: it is left so much longer than it shows."""
        at_start, at_end = self._is_sawn(place)
        into_m = self._depth_m(place, 0) if at_start and self._was_beside_pipe(stood, -1) else 0.0
        return into_m + (self._depth_m(place + 1, 1) if at_end and self._was_beside_pipe(stood, +1) else 0.0)

    def _was_beside_pipe(self, stood: int, step: int) -> bool:
        return 0 <= stood + step < len(self.old.parts) and self.old.parts[stood + step].kind in PIPES

    def _with_other_piece_m(self, stood: int) -> float:
        """Return how long a pipe was of which the plumbing as it stands is told as two pieces [m]."""
        around = (stood - 1, stood, stood + 1)
        item, old = self.old.parts[stood].item, self.old.parts
        return sum(
            old[i].length_m for i in around if 0 <= i < len(old) and old[i].kind in PIPES and old[i].item is item
        )

    def _depth_m(self, joint: int, side: int) -> float:
        """Return how deep a pipe goes into what is on the one side of a joint (0: before it, 1: behind it) [m]."""
        at = joint - 1 if side == 0 else joint
        if 0 <= at < len(self.new):
            return self.depths_m.get(self.new[at].ends[-1 if side == 0 else 0], 0.0)
        end = end_at_tee(self.old, self.ends, 0 if side == 0 else 1)
        return self.depths_m.get(end, 0.0) if end is not None else 0.0

    # stubs

    def _stub_joints(self) -> Iterator[int]:
        for joint in range(len(self.new) + 1):
            before, after = self._element(joint, 0), self._element(joint, 1)
            if before is None or after is None or self._joint_stands(joint):
                continue
            (end, stays), (other, also) = before, after
            if stays != also and end.form is Form.SOCKET and other.form is Form.SOCKET:
                yield joint

    def _element(self, joint: int, side: int) -> tuple[End, bool] | None:
        """Return the end on one side of a joint and whether what offers it stays; None in open water."""
        at = joint - 1 if side == 0 else joint
        if 0 <= at < len(self.new):
            part = self.new[at]
            return (part.ends[-1 if side == 0 else 0], part.existing) if part.ends else None
        end = end_at_tee(self.old, self.ends, side)
        return None if end is None else (end, self.ends.kept[side])

    def _leave_m(self, joint: int) -> float:
        before, after = self._element(joint, 0), self._element(joint, 1)
        assert before is not None
        assert after is not None
        new_end = after[0] if before[1] else before[0]
        return self.depths_m.get(new_end, 0.0) + STUB_CLEARANCE_M + self.longer[joint]

    def _most_stub_m(self, joint: int) -> float:
        """Return how much longer than usual a stub may be left [m]: the old pipe is as long as it is."""
        before = self._element(joint, 0)
        at = joint - 1 if before is not None and before[1] else joint
        step = 1 if at == joint - 1 else -1
        stood = (-1 if at < 0 else len(self.old.parts)) if not 0 <= at < len(self.new) else self.places[at]
        beside = -2 if stood is None else stood + step
        if not 0 <= beside < len(self.old.parts) or self.old.parts[beside].kind not in PIPES:
            return 0.0
        return max(0.0, self.old.parts[beside].length_m - self._leave_m(joint))

    # words

    def _number_of_joint(self, joint: int) -> int:
        if joint == 0:
            return 0
        return self.numbers[joint - 1] + (self.new[joint - 1].kind in CORNERS or joint - 1 in self.corners)

    def _between(self, number: int) -> dict[str, str]:
        """Return what a straight lies between, in words."""
        first = next((i for i in self.corners if self.numbers[i] == number - 1), None)
        last = next((i for i in self.corners if self.numbers[i] == number), None)
        start = self.old.start.point if first is None else self.new[first].words
        end = self.old.end.point if last is None else self.new[last].words
        return {"first": start, "last": end}


def straight_numbers(parts: Sequence[Part]) -> tuple[list[int], list[int]]:
    """Return for each part of a run in which straight it begins, counted from 0, and the places of the corners.

    Two new 45s on a stub that shows nothing are one corner, at the second of them.
    """
    numbers: list[int] = []
    corners: list[int] = []
    number, index = 0, 0
    while index < len(parts):
        width = 3 if is_pair(parts, index) else 1
        numbers += [number] * width
        if width == 3 or parts[index].kind in CORNERS:
            corners.append(index + width - 1)
            number += 1
        index += width
    return numbers, corners


def fitted(parts: Sequence[Part], fit: Fit) -> tuple[Part, ...]:
    """Return a run's parts with all pipe as long as it shows when the work is done; never below nothing."""
    shows = {one.place: one.shows_m for one in fit.sawn}
    return tuple(
        replace(part, length_m=max(0.0, part.length_m + fit.added_m[index]))
        if index in fit.added_m
        else replace(part, length_m=max(0.0, shows[index]))
        if index in shows
        else part
        for index, part in enumerate(parts)
    )
