"""How much longer or shorter the new pipe of a run must be, so that bends, tees, pumps and devices stay where they are.

A run is straight between two corners. What the old fittings and pipes took up between them, the new ones must take up
too: a sweep elbow, a coupling or a valve of another make is made up for in the new pipe beside it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from optimizer.joints.chains import STUB_CLEARANCE_M
from optimizer.model.catalog import PIPES, CatalogItem, Kind
from optimizer.model.ends import End, Form
from optimizer.model.network import Leg, Part, Run
from optimizer.units import US, show_length

LEGS = (Leg.RUN_1, Leg.RUN_2, Leg.BRANCH, Leg.BRANCH_2)
_CORNERS = frozenset({Kind.ELBOW, Kind.SWEEP_ELBOW, Kind.ELBOW_45, Kind.PUMP, Kind.DEVICE, Kind.BULKHEAD})
_WHOLE_MM_M = 0.001


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


@dataclass(frozen=True, slots=True)
class _Piece:
    """Something that takes up length along a straight line; a corner also ends it."""

    length_m: float  # between the bottoms of its two joints, or of its joint and the corner's centre
    corner: bool
    far_m: float = 0.0  # of a corner: from its centre to the bottom of its second joint
    place: int = -1  # of new pipe that can be made longer or shorter: its place in the run
    shows_m: float = 0.0  # ... and how much of it shows, face to face
    kept_pipe: bool = False
    free: bool = False  # ends in open water, where a little more or less does no harm
    open: bool = False  # nothing stands here yet


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
    before = _straights(_line(old.parts, old, old_ends, depths_m, None))
    after = _straights(_line(new, old, new_ends, depths_m, old.parts))
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


def _fit_straight(
    run: str, stood: Sequence[_Piece], planned: Sequence[_Piece], added: dict[int, float], notes: list[str]
) -> None:
    """Make up for the difference of one straight in its longest new pipe, or say what can not be made up for."""
    pipes = [piece for piece in planned if piece.place >= 0]
    if any(piece.open for piece in (*stood, *planned)):
        if pipes:
            notes.append(f"run {run}: part of it was not plumbed before; measure the new pieces there in place")
        return
    short_m = sum(piece.length_m for piece in stood) - sum(piece.length_m for piece in planned)
    if abs(short_m) < _WHOLE_MM_M:
        return
    if pipes:
        longest = max(pipes, key=lambda piece: piece.shows_m)
        least_m = min(longest.shows_m, STUB_CLEARANCE_M)  # a stub is as short as it gets
        added[longest.place] = max(short_m, least_m - longest.shows_m)
        short_m -= added[longest.place]
    if abs(short_m) >= _WHOLE_MM_M and not any(piece.free for piece in planned):
        notes.append(_left_over(run, short_m, any(piece.kept_pipe for piece in planned)))


def _left_over(run: str, short_m: float, kept_pipe: bool) -> str:
    """Return what a person must see to where no new pipe can make up for a difference."""
    inches = show_length(abs(short_m), US)
    size = f"{abs(1000 * short_m):.0f} mm ({inches}) {'more' if short_m < 0 else 'less'}"
    if not kept_pipe:
        return f"run {run}: the new parts take {size} of room; check that what they join can move by as much"
    if short_m < 0:
        return f"run {run}: the new parts take {size} of room; cut the kept pipe back by as much"
    return f"run {run}: the new parts take {size} of room; leave the kept pipe as much longer where it is cut"


def _straights(line: Sequence[_Piece]) -> list[list[_Piece]]:
    """Return the pieces of each straight; a corner's two sides go to the straights beside it."""
    found: list[list[_Piece]] = [[]]
    for piece in line:
        found[-1].append(piece)
        if piece.corner:
            found.append([_Piece(piece.far_m, corner=False)])
    return found


def _line(
    parts: Sequence[Part], run: Run, ends: RunEnds, depths_m: Mapping[End, float], old: Sequence[Part] | None
) -> list[_Piece]:
    """Return everything along a run with what it takes up. With `old` existing pipe that was cut is as long as left."""
    places = _old_places(parts, old)
    first, last = _tee_end(run, ends, 0), _tee_end(run, ends, 1)
    line = [_tee_piece(run, ends, 0)]
    for index, part in enumerate(parts):
        before = parts[index - 1].ends[-1] if index and parts[index - 1].ends else (first if not index else None)
        final = index + 1 == len(parts)
        after = parts[index + 1].ends[0] if not final and parts[index + 1].ends else (last if final else None)
        if part.kind in PIPES:
            kept = (True, True) if old is None else _kept_joints(places, index, len(run.parts), ends)
            line.append(_pipe_piece(part, index, before, after, kept, depths_m))
            continue
        line += _hub_gap(before, part.ends, depths_m)
        line.append(_fitting_piece(part))
        if final:
            line += _hub_gap(last, part.ends[::-1], depths_m)
    return _pairs_as_corners([*line, _tee_piece(run, ends, 1)], parts)


def _old_places(parts: Sequence[Part], old: Sequence[Part] | None) -> list[int | None]:
    """Return where each kept part stood in the old run; None for a new one."""
    found: list[int | None] = []
    at = 0
    for part in parts:
        place = next((i for i in range(at, len(old or ())) if part.existing and (old or ())[i] == part), None)
        found.append(place)
        at = at if place is None else place + 1
    return found


def _kept_joints(places: Sequence[int | None], index: int, count: int, ends: RunEnds) -> tuple[bool, bool]:
    """Return whether the joints of a part are as they were; those of a new part are made afresh, which is as good."""
    mine = places[index]
    if mine is None:
        return True, True
    before = places[index - 1] == mine - 1 if index else (mine == 0 and ends.kept[0])
    after = places[index + 1] == mine + 1 if index + 1 < len(places) else (mine == count - 1 and ends.kept[1])
    return before, after


def _pipe_piece(
    part: Part,
    index: int,
    before: End | None,
    after: End | None,
    kept: tuple[bool, bool],
    depths_m: Mapping[End, float],
) -> _Piece:
    """Return what a pipe takes up from stop to stop. A kept pipe that was sawn off ends where it came out."""
    inside = [depths_m.get(end, 0.0) for end, whole in ((before, kept[0]), (after, kept[1])) if whole and end]
    length_m = part.length_m + sum(inside)
    if part.existing:
        return _Piece(length_m, corner=False, kept_pipe=True)
    return _Piece(length_m, corner=False, place=index, shows_m=part.length_m)


def _fitting_piece(part: Part) -> _Piece:
    if part.kind is Kind.OPEN_JOINT:
        return _Piece(0.0, corner=False, open=True)
    take_outs = part.item.take_outs_m if part.item is not None else (0.0, 0.0)
    near, far = (take_outs[-1], take_outs[0]) if part.reverse else (take_outs[0], take_outs[-1])
    if part.kind in _CORNERS:
        return _Piece(near, corner=True, far_m=far)
    return _Piece(near + far, corner=False)


def _hub_gap(before: End | None, ends: Sequence[End], depths_m: Mapping[End, float]) -> list[_Piece]:
    """Return what lies between the stops of two sockets that share a stub of pipe; other joints close up."""
    if before is None or not ends or {before.form, ends[0].form} != {Form.SOCKET}:
        return []
    return [_Piece(depths_m.get(before, 0.0) + depths_m.get(ends[0], 0.0) + STUB_CLEARANCE_M, corner=False)]


def _tee_end(run: Run, ends: RunEnds, side: int) -> End | None:
    item, leg = ends.items[side], (run.start, run.end)[side].leg
    return item.ends[LEGS.index(leg)] if item is not None and leg in LEGS else None


def _tee_piece(run: Run, ends: RunEnds, side: int) -> _Piece:
    """Return what a tee takes up at a run's end: nothing in open water, not known where it is not plumbed yet."""
    item, leg = ends.items[side], (run.start, run.end)[side].leg
    if item is None or leg not in LEGS:
        return _Piece(0.0, corner=False, open=not ends.open_water[side], free=ends.open_water[side])
    return _Piece(item.take_outs_m[LEGS.index(leg)], corner=False)


def _pairs_as_corners(line: list[_Piece], parts: Sequence[Part]) -> list[_Piece]:
    """Return the line with each new pair of 45s on a stub as the one corner that it stands for.

    With L between the centres of the two, the corner of the two straights lies L / sqrt 2 beyond each.
    """
    stubs = {index for index in range(len(parts)) if _is_pair(parts, index)}
    found: list[_Piece] = []
    skip = False
    for place, piece in enumerate(line):
        if skip:
            skip = False
            continue
        if piece.place in stubs:
            left, right = found.pop(), line[place + 1]
            reach_m = (left.far_m + piece.length_m + right.length_m) / math.sqrt(2)
            found.append(_Piece(left.length_m + reach_m, corner=True, far_m=right.far_m + reach_m))
            skip = True
        else:
            found.append(piece)
    return found


def _is_pair(parts: Sequence[Part], index: int) -> bool:
    """Return whether the pipe at a place is the stub between two new 45s."""
    if not 0 < index < len(parts) - 1 or parts[index].kind not in PIPES:
        return False
    trio = parts[index - 1 : index + 2]
    return not any(part.existing for part in trio) and trio[0].kind is trio[2].kind is Kind.ELBOW_45


def fitted(parts: Sequence[Part], fit: Fit) -> tuple[Part, ...]:
    """Return a run's parts with the new pipes as long as they must be; never below nothing."""
    return tuple(
        replace(part, length_m=max(0.0, part.length_m + fit.added_m[index])) if index in fit.added_m else part
        for index, part in enumerate(parts)
    )
