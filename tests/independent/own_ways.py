"""Every way to plumb one run, by rules of joining written anew here; nothing is dropped for being worse than another.

The rules (README, `DEVELOPERS.md`, and the trade; common practice, no source, where nothing else is said):

- Socket takes spigot, with cement. Two sockets join on a stub of pipe. NPT takes NPT and BSP takes BSP (ASME B1.20.1,
  ISO 7-1, ISO 228-1); R goes into Rc, Rp or G, a G male only into a G female.
- What is cemented is for ever: a pipe is cut off at the face of the fitting it was in, and is then too short to reach
  the bottom of another socket; a fitting that stays keeps a stub in its socket. Two fittings on one stub stay together.
- Two cut ends are joined by two couplings and a piece of pipe. A cut end and a new socket meet where the new fitting
  is longer than the old one by the depth of the socket and the saw cut; else a coupling and a stub stand between.
- Between two ends that do not mate stand at most three pieces, two in plain pipe: couplings, reducing couplings,
  bushings, and beside threads adapters and unions.
- No piece between two ends is of a smaller size than both of them, where there is another way: nobody necks a line down
  to join it.
- No piece stands between two ends that could be left out, and no row of pieces comes back to a size that it left where
  another does not: nothing is put in to take up length and save pipe.
- A new fitting changes the size on one of its sides at most. A bend of another kind needs its additional length from
  the pipes beside it. What could be unbolted beside a pump can still be.
- A union, a coupling, a bushing or an adapter may be left out; a union and a valve give way to a true-union valve, two
  45s to a sweep, an elbow to two 45s on a stub.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

from own_bores import Water, leaving, passing
from own_joints import Front, Joint, is_step, joints_between
from own_pieces import INSTEAD, JOINING, OPEN, PAIR_M, SAW_M, UNBOLTS, VALVES, Piece, Shop, bored, depth, mate
from own_shelf import End, Row


class State(NamedTuple):
    """What stands at a place along the run: a kept part whose far joint is as it was, or an open front."""

    kept: int | None = None
    front: Front | None = None
    unbolts: bool = False
    gap_m: float = 0.0
    water: Water = Water()


class Step(NamedTuple):
    """What one step adds to the line, in order; pipe hidden in sockets, joints made, saw cuts."""

    place: int
    state: State | None  # None: the end
    pieces: tuple[Piece, ...] = ()
    hidden: tuple[tuple[Row, float], ...] = ()
    joints: tuple[tuple[str, str], ...] = ()
    cuts: int = 0
    end: object = None
    joints_lose: float = 0.0  # where bores do not meet, at 1 m³/s [m]


@dataclass
class Ways:
    """All ways to plumb one run. `start` and `end`: the tee's opening there as it stands, None at open water.

    `starts` and `ends` hold what a tee may become: "kept", or the opening of a new one.
    """

    shop: Shop
    parts: tuple[Piece, ...]
    start: End | None = None
    end: End | None = None
    ends: tuple[object, ...] = ("open",)
    turns: bool = False  # into the branch of the tee at the end
    _memo: dict[tuple[int, State], list[Step]] = field(default_factory=dict)

    def first(self, state: object) -> State:
        if state == "open":
            return State()
        if state == "kept":
            assert self.start is not None
            return State(kept=-1, water=Water(self._bore(self.start)))
        assert isinstance(state, End)
        return State(front=Front(state), water=Water(self._bore(state)))

    def _bore(self, opening: End) -> float:
        """Return the bore of a tee's opening: that of its pipe."""
        pipe = self.shop.pipe(opening.size)
        assert pipe is not None
        return pipe.bores_m[0]

    def steps(self, place: int, state: State) -> list[Step]:
        key = (place, state)
        if key not in self._memo:
            self._memo[key] = list(self._steps(place, state))
        return self._memo[key]

    def _steps(self, place: int, state: State) -> Iterator[Step]:
        if place == len(self.parts):
            yield from self._close(state)
            return
        part = self.parts[place]
        if not part.must_go:
            yield from self._keep(place, state, part)
        if not part.keep:
            yield from self._replace(place, state)
            if part.kind in JOINING or part.kind == OPEN:
                yield from self._leave_out(place, state, part)

    # what a joint that is opened leaves

    def _opened(self, mine: End, owner: Piece | None, theirs: End, neighbour: Piece | None) -> Front | None:
        how = mate(mine, theirs)
        if how != "cement":
            return None if how == "stub" else Front(mine)
        if mine.form == "spigot":
            return Front(mine, cut=True) if owner is not None and owner.kind == "pipe" else None
        if neighbour is not None and neighbour.kind == "pipe":
            return Front(End(mine.size, "spigot"), cut=True)
        return None

    def _exit(self, i: int) -> Front | None:
        if i == -1:
            assert self.start is not None
            return self._opened(self.start, None, self.parts[0].ends[0], self.parts[0])
        mine = self.parts[i].ends[1]
        if i + 1 < len(self.parts) and self.parts[i + 1].kind == OPEN:
            return Front(mine)
        if i + 1 < len(self.parts):
            return self._opened(mine, self.parts[i], self.parts[i + 1].ends[0], self.parts[i + 1])
        return Front(mine) if self.end is None else self._opened(mine, self.parts[i], self.end, None)

    def _entry(self, i: int) -> Front | None:
        mine = self.parts[i].ends[0]
        if i > 0 and self.parts[i - 1].kind == OPEN:
            return Front(mine)
        if i > 0:
            return self._opened(mine, self.parts[i], self.parts[i - 1].ends[1], self.parts[i - 1])
        return Front(mine) if self.start is None else self._opened(mine, self.parts[i], self.start, None)

    def _left(self, state: State) -> Front | None:
        if state.front is not None:
            return state.front
        return self._exit(state.kept) if state.kept is not None else None

    # steps

    def _keep(self, place: int, state: State, part: Piece) -> Iterator[Step]:
        whole = state.front is None and (state.kept is None or state.kept == place - 1)
        if whole:
            yield from self._added(place, state, None, (part,), 1, kept=place)
            return
        left, right = self._left(state), self._entry(place)
        if left is None or right is None:
            return
        for joint in joints_between(self.shop, left, right, state.gap_m):
            yield from self._added(place, state, joint, (part,), 1, kept=place)

    def _replace(self, place: int, state: State) -> Iterator[Step]:
        first = state.front is None and state.kept is None
        left = self._left(state)
        if left is None and not first:
            return
        for pieces, span in self._offers(place):
            entry, leaves = self._fronts(place, span, pieces)
            if first:
                yield from self._added(place, state, None, pieces, span, front=leaves)
                continue
            assert left is not None
            stepped = entry.pipe is None and is_step(left, entry)
            for joint in joints_between(self.shop, left, entry, state.gap_m):
                yield from self._added(place, state, joint, pieces, span, front=leaves._replace(stepped=stepped))

    def _fronts(self, place: int, span: int, pieces: tuple[Piece, ...]) -> tuple[Front, Front]:
        if len(pieces) == 1 and pieces[0].kind == "pipe":
            (pipe,) = pieces
            return Front(pipe.ends[0], pipe=pipe.row), Front(pipe.ends[1], pipe=pipe.row)
        near = 2 * pieces[0].laying_m[0] if len(pieces) > 1 else pieces[0].laying_m[0]
        far = 2 * pieces[0].laying_m[0] if len(pieces) > 1 else pieces[0].laying_m[1]
        old_near, old_far = self.parts[place].laying_m[0], self.parts[place + span - 1].laying_m[1]
        entry, leaves = pieces[0].ends[0], pieces[-1].ends[1]
        return (
            Front(entry, long=near - old_near >= depth(entry) + SAW_M),
            Front(leaves, long=far - old_far >= depth(leaves) + SAW_M),
        )

    def _offers(self, place: int) -> Iterator[tuple[tuple[Piece, ...], int]]:
        part = self.parts[place]
        for size in self.shop.sizes:
            if part.kind == "pipe":
                pipe = self.shop.pipe(size)
                if pipe is not None:
                    yield (Piece(pipe, "pipe", length_m=part.length_m, new=True),), 1
            for kind in INSTEAD.get(part.kind, ()):
                for row in self.shop.plain(kind, size):
                    if self._room(place, row.kind, row.take_outs_m[0]):
                        yield (Piece(row, kind, new=True),), 1
            if part.kind in ("elbow", "sweep elbow"):
                stub = self.shop.pipe(size)
                for row in self.shop.plain("45 elbow", size) if stub is not None else ():
                    if self._room(place, "pair", 2 * row.take_outs_m[0]):
                        half = Piece(row, row.kind, new=True)
                        yield (half, Piece(stub, "pipe", length_m=PAIR_M, new=True), half), 1
            if place + 1 < len(self.parts) and not self.parts[place + 1].keep:
                yield from self._both(place, {part.kind, self.parts[place + 1].kind}, size)

    def _both(self, place: int, kinds: set[str], size: str) -> Iterator[tuple[tuple[Piece, ...], int]]:
        one = ""
        if "union" in kinds and kinds & VALVES:
            one = "true-union ball valve"
        elif kinds == {"45 elbow"}:
            one = "sweep elbow"
        for row in self.shop.plain(one, size) if one else ():
            yield (Piece(row, one, new=True),), 2

    def _room(self, place: int, kind: str, take_out_m: float) -> bool:
        part = self.parts[place]
        if part.kind not in ("elbow", "sweep elbow") or kind == part.kind:
            return True
        beside = [self.parts[i] for i in (place - 1, place + 1) if 0 <= i < len(self.parts)]
        return all(take_out_m - part.laying_m[0] <= other.length_m for other in beside)

    def _leave_out(self, place: int, state: State, part: Piece) -> Iterator[Step]:
        left = self._left(state)
        if left is None or (self.end is None and place == len(self.parts) - 1):
            return
        gap = state.gap_m + round(sum(part.laying_m), 3)
        yield Step(place + 1, State(front=left, unbolts=state.unbolts, gap_m=gap, water=state.water))

    def _added(
        self,
        place: int,
        state: State,
        joint: Joint | None,
        pieces: tuple[Piece, ...],
        span: int,
        *,
        kept: int | None = None,
        front: Front | None = None,
    ) -> Iterator[Step]:
        unbolts = state.unbolts or (joint is not None and joint.unbolts)
        if pieces[0].kind == "pump":
            if self._needed[self._stretch(place)] and not unbolts:
                return
            unbolts = False
        unbolts = unbolts or any(piece.kind in UNBOLTS for piece in pieces)
        inside: list[tuple[Row, float]] = []
        made = list(joint.joints if joint else ())
        if len(pieces) > 1:
            stub = pieces[1].row
            assert stub is not None
            inside.append((stub, 2 * depth(stub.ends[0])))
            made += [("cement", stub.ends[0].size)] * 2
        every = (joint.pieces if joint else ()) + pieces
        lost, water = passing(map(bored, every), state.water)
        yield Step(
            place + span,
            State(kept, front, unbolts, water=water),
            every,
            (joint.hidden if joint else ()) + tuple(inside),
            tuple(made),
            joint.cuts if joint else 0,
            joints_lose=lost,
        )

    def _close(self, state: State) -> Iterator[Step]:
        free = state.unbolts or not self._needed[self._stretch(len(self.parts))]
        for goal in self.ends:
            if goal == "open" or (goal == "kept" and state.kept == len(self.parts) - 1):
                into = 0.0 if self.end is None else self._bore(self.end)
                if free:
                    lost = leaving(state.water, into, self.turns)
                    yield Step(len(self.parts) + 1, None, end=goal, joints_lose=lost)
                continue
            if goal == "kept":
                assert self.end is not None
                right = self._opened(self.end, None, self.parts[-1].ends[1], self.parts[-1])
            else:
                right = Front(goal)  # type: ignore[arg-type]
            left, end = self._left(state), len(self.parts) + 1
            into = self._bore(right.end if goal != "kept" and right else self.end)  # type: ignore[arg-type]
            for joint in joints_between(self.shop, left, right, state.gap_m) if left and right else ():
                if free or joint.unbolts:
                    lost, water = passing(map(bored, joint.pieces), state.water)
                    lost += leaving(water, into, self.turns)
                    yield Step(end, None, joint.pieces, joint.hidden, joint.joints, joint.cuts, goal, lost)

    def _stretch(self, place: int) -> int:
        return sum(part.kind == "pump" for part in self.parts[:place])

    def _unscrews(self, stretch: int) -> bool:
        """Return whether a pump's port that looks into a stretch is a thread, a barb or the like."""
        pumps = [part for part in self.parts if part.kind == "pump"]
        ports = [pump.ends[-1] for pump in pumps[stretch - 1 : stretch] if stretch > 0]
        ports += [pump.ends[0] for pump in pumps[stretch : stretch + 1]]
        return any(port.form not in ("socket", "spigot") for port in ports)

    @cached_property
    def _needed(self) -> list[bool]:
        """Return for each stretch beside a pump whether something there could be unbolted."""
        needed = [False] * (self._stretch(len(self.parts)) + 1)
        if len(needed) > 1:
            for place, part in enumerate(self.parts):
                if part.kind in UNBOLTS:
                    needed[self._stretch(place)] = True
                if part.kind == OPEN and not self._unscrews(self._stretch(place)):
                    needed[self._stretch(place)] = True
        return needed
