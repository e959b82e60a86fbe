"""A run's parts and its shelf → what may be bought in place of the part at each position, and the ends of that."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from optimizer.choices.candidates import Candidate
from optimizer.choices.fronts import Front
from optimizer.choices.joining import Joiner, Joint
from optimizer.choices.long_pipe import LEAST_PIECE_M
from optimizer.model.catalog import PIPES, CatalogItem, Kind
from optimizer.model.network import Condition, Part

SHARES = tuple(eighths / 8 for eighths in range(1, 8))  # of a pipe's length, where it may be cut and an end of it kept
ALIKE_M = 1e-6  # places nearer than that are one


@dataclass(frozen=True, slots=True)
class Offer:
    """New parts that may stand at a position: the end that they turn to the left, and what they leave open."""

    candidate: Candidate
    entry: Front
    exit: Front
    exit_stepped: Front  # where the joint on the left changed the size
    inner_pipe: tuple[tuple[CatalogItem, float], ...]


@dataclass(frozen=True, slots=True)
class PartlyKept:
    """A pipe of which one end stays and new pipe goes in for the rest, with the joint between the two.

    `ahead` and `behind` are the two in the order of the water, `outer` is the far end of the new pipe, away from the
    cut, and `off` is what is taken out.
    """

    ahead: Part
    joint: Joint
    behind: Part
    outer: Front
    off: Part

    @property
    def keeps_start(self) -> bool:
        return self.ahead.existing


@dataclass
class Offers:
    """Finds and remembers what may be bought at each position of a run; the rules of room and suction are kept here."""

    parts: tuple[Part, ...]
    joiner: Joiner
    allows: Callable[[Part], bool]  # of parts that must not stand in the run none is offered
    least_suction_m: float = field(init=False)
    _memo: dict[int, list[Offer]] = field(default_factory=dict)
    _partly: dict[int, list[PartlyKept]] = field(default_factory=dict)
    _before: dict[int, list[tuple[Front, float]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.least_suction_m = _least_suction_m(self.parts)

    def at(self, position: int) -> list[Offer]:
        """Return what may be bought in place of the part at a position (and, where it spans two, of the next one)."""
        if position not in self._memo:
            found = self.joiner.shelf.candidates(self.parts, position)
            self._memo[position] = [self._offer(position, new) for new in found if self._allowed(position, new)]
        return self._memo[position]

    def partly_kept(self, position: int) -> list[PartlyKept]:
        """Return the ways to keep a pipe in part: the cut at the `SHARES` of its length, new pipe of another size.

        New pipe of the same row would lose as much as what it replaces. Pieces shorter than `LEAST_PIECE_M` are not
        weighed: they would spare next to nothing.
        """
        if position not in self._partly:
            self._partly[position] = list(self._cut_somewhere(position))
        return self._partly[position]

    def new_before_kept(self, position: int) -> list[tuple[Front, float]]:
        """Return the ends of new pipe before what may be kept of a pipe, and how long it is at least [m]."""
        if position not in self._before:
            shortest: dict[tuple[object, ...], tuple[Front, float]] = {}
            for one in self.partly_kept(position):
                if not one.keeps_start:
                    front, length_m = shortest.get(one.outer.key, (one.outer, math.inf))
                    shortest[one.outer.key] = front, min(length_m, one.ahead.length_m)
            self._before[position] = list(shortest.values())
        return self._before[position]

    def _cut_somewhere(self, position: int) -> Iterator[PartlyKept]:
        pipe = self.parts[position]
        places_m = self._cut_places_m(position) if self.allows(pipe) else []
        stays = Front(pipe.ends[0], sawn=True)
        for offer in self.at(position) if places_m else []:
            if offer.candidate.pipe is None or offer.candidate.pipe is pipe.item:
                continue
            for place_m in places_m:
                first, last = replace(pipe, length_m=place_m), replace(pipe, length_m=pipe.length_m - place_m)
                new = offer.candidate.parts[0]
                bores = pipe.end_bores_m[0], new.end_bores_m[0]
                for joint in self._joints(stays, offer.entry, bores):
                    yield PartlyKept(first, joint, replace(new, length_m=last.length_m), offer.exit, last)
                for joint in self._joints(offer.exit, stays, bores[::-1]):
                    yield PartlyKept(replace(new, length_m=first.length_m), joint, last, offer.entry, first)

    def _joints(self, left: Front, right: Front, bores_m: tuple[float, float]) -> list[Joint]:
        found = self.joiner.between(left, right, 0, bores_m)
        return [joint for joint in found if all(map(self.allows, joint.parts))]

    def _cut_places_m(self, position: int) -> list[float]:
        """Return where a pipe may be cut, from its start [m]: at the shares of it and of all that is one pipe with it.

        A pipe that is told as pieces end to end may so be cut wherever the whole may, and at more places.
        """
        parts, at = self.parts, position
        while at > 0 and is_one_pipe(parts[at - 1], parts[at]):
            at -= 1
        pieces = [parts[at]]
        while at + len(pieces) < len(parts) and is_one_pipe(pieces[-1], parts[at + len(pieces)]):
            pieces.append(parts[at + len(pieces)])
        whole_m = sum(piece.length_m for piece in pieces)
        start_m, own_m = sum(piece.length_m for piece in pieces[: position - at]), parts[position].length_m
        places_m = [share * own_m for share in SHARES] + [share * whole_m - start_m for share in SHARES]
        once = {round(place_m / ALIKE_M): place_m for place_m in reversed(places_m) if 0.0 < place_m < own_m}
        ends_m = LEAST_PIECE_M - start_m, whole_m - start_m - LEAST_PIECE_M
        return sorted(place_m for place_m in once.values() if ends_m[0] <= place_m <= ends_m[1])

    def _allowed(self, position: int, candidate: Candidate) -> bool:
        replaced = self.parts[position : position + candidate.span]
        kept = any(part.condition is Condition.KEEP for part in replaced)
        if kept or self._too_narrow(position, candidate) or not self._has_room(position, candidate):
            return False
        return all(map(self.allows, candidate.parts))

    def _offer(self, position: int, candidate: Candidate) -> Offer:
        last = self.parts[position + candidate.span - 1]
        reach, pipe = self.joiner.reach_m(candidate.entry), candidate.pipe
        long_entry = candidate.entry_take_out_m - take_out_m(self.parts[position], 0) >= reach and pipe is None
        long_exit = candidate.exit_take_out_m - take_out_m(last, -1) >= reach and pipe is None
        after = Front(candidate.exit, pipe=pipe, long=long_exit)
        entry = Front(candidate.entry, pipe=pipe, long=long_entry)
        return Offer(candidate, entry, after, replace(after, stepped=True), self.joiner.inner_pipe(candidate))

    def _too_narrow(self, position: int, candidate: Candidate) -> bool:
        """Return whether new parts ahead of a pump would be smaller than the pump's port."""
        before_pump = any(part.kind is Kind.PUMP for part in self.parts[position:])
        return before_pump and min(candidate.parts[0].end_bores_m) < self.least_suction_m

    def _has_room(self, position: int, candidate: Candidate) -> bool:
        """Return whether a bend of another kind finds the length that it needs in the pipes beside it."""
        part = self.parts[position]
        kinds = {new.kind for new in candidate.parts}
        if part.kind not in (Kind.ELBOW, Kind.SWEEP_ELBOW) or kinds == {part.kind}:
            return True
        take_out = max(candidate.entry_take_out_m, candidate.exit_take_out_m)
        if part.room_m is not None:
            return take_out <= part.room_m
        longer = take_out - take_out_m(part, 0)
        beside = [self.parts[i] for i in (position - 1, position + 1) if 0 <= i < len(self.parts)]
        return all(longer <= other.length_m for other in beside if other.kind is not Kind.OPEN_JOINT)


def is_one_pipe(first: Part, second: Part) -> bool:
    """Return whether two parts in a row are pieces of one pipe that is told as two."""
    alike = first.kind in PIPES and first.item is second.item and first.existing and second.existing
    return alike and first.condition is second.condition


def take_out_m(part: Part, side: int) -> float:
    """Return a fitting's take-out at its first (side 0) or last (-1) end [m]; 0 for pipe and what states none."""
    if part.item is None or not part.item.take_outs_m or part.kind in PIPES:
        return 0.0
    return part.item.take_outs_m[side if not part.reverse else -1 - side]


def _least_suction_m(parts: tuple[Part, ...]) -> float:
    """Return the bore below which new suction parts may not go: the pump's inlet, or what stands there if smaller."""
    for index, part in enumerate(parts):
        if part.kind is Kind.PUMP:
            before = [min(other.end_bores_m) for other in parts[:index] if other.end_bores_m]
            return min([part.end_bores_m[0], *before])
    return 0.0
