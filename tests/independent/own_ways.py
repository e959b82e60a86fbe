"""Every way to plumb one run, by rules of joining written anew here; nothing is dropped for being worse than another.

The rules (README, `DEVELOPERS.md`, and the trade; common practice, no source, where nothing else is said):

- Socket takes spigot, with cement. Two sockets join on a stub of pipe. NPT takes NPT and BSP takes BSP (ASME B1.20.1,
  ISO 7-1, ISO 228-1); R goes into Rc, Rp or G, a G male only into a G female.
- What is cemented is for ever: a pipe is cut off at the face of the fitting it was in, and is then too short to reach
  the bottom of another socket; a fitting that stays keeps a stub in its socket. Two fittings on one stub stay together.
- Two cut ends are joined by two couplings and a piece of pipe. A cut end and a new socket meet where the new fitting
  is longer than the old one by the depth of the socket and the saw cut; else a coupling and a stub stand between.
- Between two ends that do not mate stand at most three pieces: couplings, reducing couplings, bushings, and beside
  threads adapters and unions.
- No piece stands between two ends that could be left out, and no row of pieces comes back to a size that it left where
  another does not: nothing is put in to take up length and save pipe.
- A new fitting changes the size on one of its sides at most. A bend of another kind needs its additional length from
  the pipes beside it. What could be unbolted beside a pump can still be.
- A union, a coupling, a bushing or an adapter may be left out; a union and a valve give way to a true-union valve, two
  45s to a sweep, an elbow to two 45s on a stub.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import groupby
from typing import NamedTuple

from own_bores import Bored, Water, leaving, passing
from own_shelf import End, Row, depths_m

SAW_M = 0.003175
STUB_M = 0.010  # what shows of a stub between two sockets
PAIR_M = 0.0  # two 45s in place of an elbow are pushed together face to face
MOST_BETWEEN = 3
VALVES = frozenset({"ball valve", "true-union ball valve", "gate valve", "globe valve"})
JOINING = frozenset({"coupling", "reducing coupling", "bushing", "adapter", "union"})
OPEN = "open joint"  # nothing is plumbed there yet
UNBOLTS = frozenset({"union", "true-union ball valve"})
INSTEAD: Mapping[str, tuple[str, ...]] = {
    "elbow": ("elbow", "sweep elbow"),
    "sweep elbow": ("sweep elbow", "elbow"),
    "45 elbow": ("45 elbow",),
    "union": ("union",),
    "ball valve": ("ball valve", "true-union ball valve", "gate valve"),
    "true-union ball valve": ("ball valve", "true-union ball valve", "gate valve"),
    "gate valve": ("ball valve", "true-union ball valve", "gate valve"),
    "globe valve": ("globe valve", "ball valve", "true-union ball valve", "gate valve"),
}


class Piece(NamedTuple):
    """Something in the line: `row` None is a pump or an open joint. Pipe has the length that shows [m]."""

    row: Row | None
    kind: str
    turned: bool = False
    length_m: float = 0.0
    new: bool = False
    keep: bool = False
    must_go: bool = False
    port: End | None = None  # of a pump

    @property
    def ends(self) -> tuple[End, End]:
        if self.row is None:
            assert self.port is not None
            return self.port, self.port
        ends = (self.row.ends[0], self.row.ends[-1])
        return ends[::-1] if self.turned else ends

    @property
    def laying_m(self) -> tuple[float, float]:
        """Return what the piece takes at its first and its last end; nothing for pipe and pumps."""
        if self.row is None or self.kind == "pipe":
            return 0.0, 0.0
        both = (self.row.take_outs_m[0], self.row.take_outs_m[-1])
        return both[::-1] if self.turned else both


PUMP_BORE_M = 0.02057  # a port counts as the usual pipe of its nominal size: 3/4 in. sch 40, average bore
BENDS = frozenset({"elbow", "sweep elbow", "45 elbow"})


def bored(piece: Piece) -> Bored:
    if piece.row is None:
        bore = PUMP_BORE_M if piece.kind == "pump" else 0.0
        return Bored(bore, bore, machine=True)
    bores = (piece.row.bores_m[0], piece.row.bores_m[-1])
    entry, out = bores[::-1] if piece.turned else bores
    return Bored(entry, out, piece.length_m if piece.kind == "pipe" else 0.0, piece.kind in BENDS)


class Front(NamedTuple):
    """An end that waits for its neighbour; see the rules above for `cut`, `long` and `stepped`."""

    end: End
    cut: bool = False
    pipe: Row | None = None
    long: bool = False
    stepped: bool = False


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


_TAPED = {
    frozenset({"NPT male", "NPT female"}),
    frozenset({"BSPT male", "BSPT female"}),
    frozenset({"BSPT male", "Rp female"}),
    frozenset({"BSPT male", "BSPP female"}),
}


def mate(a: End, b: End) -> str:
    """Return what joins two ends: cement, stub, tape, washer; empty where they do not mate."""
    forms = frozenset({a.form, b.form})
    if a.size != b.size:
        return ""
    if forms == {"socket", "spigot"}:
        return "cement"
    if forms == {"socket"}:
        return "stub"
    if forms in _TAPED:
        return "tape"
    return "washer" if forms == {"BSPP male", "BSPP female"} else ""


def threaded(end: End) -> bool:
    return end.form not in ("socket", "spigot")


@dataclass
class Shop:
    """What may be bought for runs of schedule 40 pipe in a few sizes."""

    rows: Mapping[str, Row]
    sizes: Sequence[str]
    family: str = "sch 40 PVC"

    def plain(self, kind: str, size: str) -> Iterator[Row]:
        ends = (End(size, "socket"),) * 2
        for row in self.rows.values():
            if row.kind == kind and row.family == self.family and row.ends == ends:
                yield row

    def pipe(self, size: str) -> Row | None:
        spigot = (End(size, "spigot"),) * 2
        rows = (row for row in self.rows.values() if row.kind == "pipe" and row.ends == spigot)
        return next((row for row in rows if row.family == self.family), None)

    @cached_property
    def joining(self) -> tuple[Piece, ...]:
        found = []
        for row in self.rows.values():
            if row.kind in JOINING and len(row.ends) == 2:
                found += [Piece(row, row.kind, turned, new=True) for turned in {False, row.ends[0] != row.ends[1]}]
        return tuple(found)

    def chains(self, start: End, goal: End) -> list[tuple[tuple[Piece, ...], tuple[str, ...]]]:
        """Return every row of at most three pieces between two ends, the direct joint first, with what joins it."""
        plain = not threaded(start) and not threaded(goal)

        def walk(
            at: End, pieces: tuple[Piece, ...], joints: tuple[str, ...], seen: frozenset[End]
        ) -> Iterator[tuple[tuple[Piece, ...], tuple[str, ...]]]:
            last = mate(at, goal)
            if last:
                yield pieces, (*joints, last)
            if len(pieces) == MOST_BETWEEN:
                return
            for piece in self.joining:
                near, far = piece.ends
                how = mate(at, near)
                if not how or (plain and (threaded(far) or piece.kind == "union")):
                    continue
                if piece.kind == "union" and any(p.kind == "union" for p in pieces):
                    continue
                if far in seen and piece.kind != "union":  # been here: the last piece, or none
                    last = mate(far, goal)
                    if last:
                        yield (*pieces, piece), (*joints, how, last)
                    continue
                yield from walk(far, (*pieces, piece), (*joints, how), seen | {far})

        key = (start, goal)
        if key not in self._chains:
            self._chains[key] = list(walk(start, (), (), frozenset({start})))
        return self._chains[key]

    _chains: dict[tuple[End, End], list[tuple[tuple[Piece, ...], tuple[str, ...]]]] = field(default_factory=dict)


class Joint(NamedTuple):
    pieces: tuple[Piece, ...]
    hidden: tuple[tuple[Row, float], ...]
    joints: tuple[tuple[str, str], ...]
    cuts: int
    unbolts: bool


def is_step(a: Front, b: Front) -> bool:
    return not threaded(a.end) and not threaded(b.end) and a.end.size != b.end.size


def depth(end: End) -> float:
    return depths_m().get(End(end.size, "socket"), 0.0)


def joints_between(shop: Shop, left: Front, right: Front, gap_m: float) -> Iterator[Joint]:
    """Yield every way to join two fronts."""
    if left.stepped and is_step(left, right):
        return
    if left.pipe is not None and right.pipe is left.pipe:
        yield Joint((), ((left.pipe, gap_m),) if gap_m else (), (), 0, False)
        return
    for pieces, methods in _rows_between(shop, left, right, gap_m):
        joint = _laid(shop, pieces, methods, left, right, gap_m)
        if joint is not None:
            yield joint


def _rows_between(
    shop: Shop, left: Front, right: Front, gap_m: float
) -> Iterator[tuple[tuple[Piece, ...], tuple[str, ...]]]:
    """Yield what stands between two fronts: new pipe and stubs reach as far as they must, other pieces their length."""
    cut = [front.end for front in (left, right) if front.cut]
    meets = len(cut) == 1 and gap_m == 0 and (left.long or right.long)
    reach = gap_m + sum(depth(end) + SAW_M for end in cut)
    able = {}
    for pieces, methods in shop.chains(left.end, right.end):
        if "stub" not in methods and not (left.pipe or right.pipe):
            if cut and not meets and sum(sum(piece.laying_m) for piece in pieces) < reach:
                continue
            if gap_m and not pieces:
                continue
        able[pieces] = methods
    for pieces, methods in able.items():
        if not any(_needless(left.end, pieces, fewer, right.end) for fewer in able):
            yield pieces, methods


def _needless(start: End, pieces: tuple[Piece, ...], other: tuple[Piece, ...], goal: End) -> bool:
    """Return whether another row is this one with some pieces left out, or keeps to its sizes where this does not."""
    if any(p.kind == "union" for p in pieces) != any(p.kind == "union" for p in other):
        return False  # what unbolts has a use of its own
    if _back_and_forth(start, pieces, goal) and not _back_and_forth(start, other, goal):
        return True
    return len(other) < len(pieces) and any(
        pieces[:i] + pieces[j:] == other for i in range(len(pieces)) for j in range(i + 1, len(pieces) + 1)
    )


def _back_and_forth(start: End, pieces: tuple[Piece, ...], goal: End) -> bool:
    """Return whether a row of pieces comes back to a size that it left."""
    sizes = [key for key, _ in groupby(end.size for end in (start, *(e for p in pieces for e in p.ends), goal))]
    return len(set(sizes)) < len(sizes)


def _laid(
    shop: Shop, pieces: tuple[Piece, ...], methods: tuple[str, ...], left: Front, right: Front, gap_m: float
) -> Joint | None:
    ends = [left.end, *(end for piece in pieces for end in piece.ends), right.end]
    laid: list[Piece] = []
    hidden: list[tuple[Row, float]] = []
    made: list[tuple[str, str]] = []
    stubs = [shop.pipe(ends[2 * i].size) if method == "stub" else None for i, method in enumerate(methods)]
    over = _over_gap([(-1, left.pipe), (len(stubs), right.pipe)], list(enumerate(stubs))) if gap_m else None
    for i, method in enumerate(methods):
        size, stub = ends[2 * i].size, stubs[i]
        if method == "stub":
            if stub is None:
                return None
            laid.append(Piece(stub, "pipe", length_m=STUB_M + (gap_m if i == over else 0.0), new=True))
            hidden.append((stub, 2 * depth(ends[2 * i])))
            made += [("cement", size)] * 2
        else:
            made.append((method, size))
        laid += pieces[i : i + 1]
    for front, facing, at in ((left, ends[1], -1), (right, ends[-2], len(stubs))):
        if front.pipe is not None:
            into = depth(facing) if facing.form == "socket" else 0.0
            hidden.append((front.pipe, into + (gap_m if at == over else 0.0)))
    unbolts = any(piece.kind == "union" for piece in pieces)
    return Joint(tuple(laid), tuple(hidden), tuple(made), left.cut + right.cut, unbolts)


def _over_gap(pipes: Sequence[tuple[int, Row | None]], stubs: Sequence[tuple[int, Row | None]]) -> int | None:
    """Return which pipe goes over a gap: new pipe beside it before a stub, the dearer of two."""
    for found in (pipes, stubs):
        able = [(row.cents / row.sale_length_m, row.key, at) for at, row in found if row is not None]
        if able:
            return max(able)[-1]
    return None


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
                    yield Step(len(self.parts) + 1, None, end=goal, joints_lose=leaving(state.water, into, False))
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
                    lost += leaving(water, into, False)
                    yield Step(end, None, joint.pieces, joint.hidden, joint.joints, joint.cuts, goal, lost)

    def _stretch(self, place: int) -> int:
        return sum(part.kind == "pump" for part in self.parts[:place])

    @cached_property
    def _needed(self) -> list[bool]:
        """Return for each stretch beside a pump whether something there could be unbolted."""
        needed = [False] * (self._stretch(len(self.parts)) + 1)
        if len(needed) > 1:
            for place, part in enumerate(self.parts):
                if part.kind in UNBOLTS or part.kind == OPEN:
                    needed[self._stretch(place)] = True
        return needed


Sealed = tuple[bool, bool]  # whether anything is cemented, and taped
PRICES = (0.0, 100.0, 200.0, 400.0, 800.0, 1600.0, 3200.0)  # cents for a metre of loss
ROOM_M = 1e-9


def within(few: Sealed, many: Sealed) -> bool:
    return few[0] <= many[0] and few[1] <= many[1]


class Way(NamedTuple):
    """One way to plumb a run, step by step: what it uses, what it loses at each flow, what seals its joints."""

    steps: tuple[Step, ...]
    cents: float
    losses_m: tuple[float, ...]
    end: object
    sealed: Sealed

    @property
    def pieces(self) -> tuple[Piece, ...]:
        return tuple(piece for step in self.steps for piece in step.pieces)


Weigh = Callable[[Step, bool, bool], tuple[float, tuple[float, ...]]]


@dataclass
class Walk:
    """Walks all ways of a run within limits of cents and of the first loss.

    A branch is left only where what must still come, at its least, breaks a limit: least cents, least
    loss, least cents with each metre of loss at a few prices (Lagrange). No way is left for being worse than another.
    """

    ways: Ways
    weigh: Weigh  # (step, it is the first, it is the last) -> cents, losses [m]
    opening: Callable[[Sealed], float]  # cents of the first cans and rolls, which every plan pays whose runs open them
    _least: dict[tuple[int, State], dict[object, tuple[float, ...]]] = field(default_factory=dict)
    _weighed: dict[tuple[int, State], list[tuple[Step, float, tuple[float, ...], Sealed]]] = field(default_factory=dict)

    def _steps(self, place: int, state: State) -> list[tuple[Step, float, tuple[float, ...], Sealed]]:
        key = (place, state)
        if key not in self._weighed:
            found = []
            for step in self.ways.steps(place, state):
                cents, losses = self.weigh(step, place == 0, step.place == len(self.ways.parts))
                methods = {method for method, _ in step.joints}
                found.append((step, cents, losses, ("cement" in methods, "tape" in methods)))
            self._weighed[key] = sorted(found, key=lambda entry: entry[1])
        return self._weighed[key]

    def least(self, place: int, state: State) -> dict[object, tuple[float, ...]]:
        """Return for each end state the least cents, the least first loss, and the least of both at each price."""
        key = (place, state)
        if key not in self._least:
            found: dict[object, tuple[float, ...]] = {}
            for step, cents, losses, _ in self._steps(place, state):
                own = (cents, losses[0], *(cents + price * losses[0] for price in PRICES))
                rest = {step.end: (0.0,) * len(own)} if step.state is None else self.least(step.place, step.state)
                for end, more in rest.items():
                    sums = tuple(map(sum, zip(own, more, strict=True)))
                    found[end] = tuple(map(min, found[end], sums)) if end in found else sums
            self._least[key] = found
        return self._least[key]

    def from_start(self, start: object, end: object) -> tuple[float, ...] | None:
        """Return `least` of a whole run, None where no way leads from one state to the other."""
        return self.least(0, self.ways.first(start)).get(end)

    def sums(
        self, start: object, end: object, most_cents: float, most_m: float, caps: tuple[float, ...]
    ) -> set[tuple[float, float, Sealed]]:
        """Return (cents, first loss, seals) of every way within the limits, what is equal in all three once.

        `caps`: what cents and loss come to at most, at each price.
        """
        first = self.ways.first(start)
        waiting: dict[int, dict[State, set[tuple[float, float, Sealed]]]] = {0: {first: {(0.0, 0.0, (False, False))}}}
        found: set[tuple[float, float, Sealed]] = set()
        for place in range(len(self.ways.parts) + 1):
            for state, labels in waiting.pop(place, {}).items():
                for step, cents, losses, own in self._steps(place, state):
                    if step.state is None:
                        rest: tuple[float, ...] | None = (0.0,) * (2 + len(PRICES)) if step.end == end else None
                    else:
                        rest = self.least(step.place, step.state).get(end)
                    if rest is None:
                        continue
                    kept = set()
                    for spent, lost, seals in labels:
                        sealed = (seals[0] or own[0], seals[1] or own[1])
                        used, loss, drop = spent + cents, round(lost + losses[0], 12), self.opening(sealed)
                        if used + rest[0] + drop > most_cents or loss + rest[1] > most_m + ROOM_M:
                            continue
                        if all(
                            used + price * loss + both <= cap - drop + ROOM_M
                            for both, price, cap in zip(rest[2:], PRICES, caps, strict=True)
                        ):
                            kept.add((used, loss, sealed))
                    if step.state is None:
                        found |= kept
                    elif kept:
                        waiting.setdefault(step.place, {}).setdefault(step.state, set()).update(kept)
        return found

    def below(self, most_cents: Callable[[], float], most_m: float) -> Iterator[Way]:
        """Yield the ways between open waters whose cents stay under a limit that may fall meanwhile."""
        top = most_cents()
        caps = tuple(top + price * most_m for price in PRICES)

        def limit(sealed: Sealed) -> float:
            return most_cents() - self.opening(sealed)

        yield from self._walk(0, self.ways.first("open"), "open", limit, top, most_m, caps, (), 0.0, (), (False, False))

    def cheapest(
        self, start: object, end: object, most_cents: float, most_m: float, accept: Callable[[Way], bool]
    ) -> dict[Sealed, Way]:
        """Return the cheapest accepted way of each set of what seals its joints."""
        best: dict[Sealed, Way] = {}

        def limit(sealed: Sealed) -> float:
            most = most_cents - self.opening(sealed)
            return min((way.cents - 1e-9 for key, way in best.items() if within(key, sealed)), default=most)

        caps = tuple(most_cents + price * most_m for price in PRICES)
        first = self.ways.first(start)
        for way in self._walk(0, first, end, limit, most_cents, most_m, caps, (), 0.0, (), (False, False)):
            if accept(way) and way.cents < best.get(way.sealed, way._replace(cents=math.inf)).cents:
                best[way.sealed] = way
        return best

    def _walk(
        self,
        place: int,
        state: State,
        end: object,
        limit: Callable[[Sealed], float],
        most_cents: float,
        most_m: float,
        caps: tuple[float, ...],
        steps: tuple[Step, ...],
        spent: float,
        lost: tuple[float, ...],
        seals: Sealed,
    ) -> Iterator[Way]:
        for step, cents, losses, own in self._steps(place, state):
            total = tuple(a + b for a, b in zip(lost, losses, strict=True)) if lost else losses
            sealed = (seals[0] or own[0], seals[1] or own[1])
            now = limit(sealed)
            most = now - spent - cents
            left = most_m - total[0]
            if step.state is None:
                if step.end == end and most >= 0.0 and left >= -ROOM_M:
                    yield Way((*steps, step), spent + cents, total, end, sealed)
                continue
            rest = self.least(step.place, step.state).get(end)
            if rest is None or rest[0] > most or rest[1] > left:
                continue
            used, drop = spent + cents, most_cents - now
            if any(
                used + price * total[0] + both > cap - drop + ROOM_M
                for both, price, cap in zip(rest[2:], PRICES, caps, strict=True)
            ):
                continue
            yield from self._walk(
                step.place, step.state, end, limit, most_cents, most_m, caps, (*steps, step), used, total, sealed
            )


__all__ = ["Piece", "Shop", "Step", "Walk", "Way", "Ways"]
