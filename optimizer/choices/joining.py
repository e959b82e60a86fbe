"""Ways to join two open ends: directly, over pieces of the catalogs, on stubs of new pipe, over a gap."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from optimizer.choices.candidates import Candidate, Shelf
from optimizer.choices.fronts import Front, is_step
from optimizer.choices.long_pipe import Lengths
from optimizer.joints.chains import STUB_CLEARANCE_M, new_part
from optimizer.joints.closing import diameters_m
from optimizer.joints.efficient import MEETING, EfficientChains, Need
from optimizer.joints.mating import UNBOLTING, mating
from optimizer.model.catalog import PIPES, Catalog, CatalogItem, Kind
from optimizer.model.ends import End, Form
from optimizer.model.network import Part, Run
from optimizer.model.system import Rules

SAW_CUT_M = 0.003175  # 1/8 in.: common practice, no source
SOFT_TAIL_M = 0.150  # hose or tube between a barb and what goes on from it: common practice, no source
_TAKE_SOFT = frozenset({Form.BARB, Form.COMPRESSION, Form.PUSH_FIT})


@dataclass(frozen=True, slots=True)
class Joint:
    """One way to join two fronts."""

    parts: tuple[Part, ...]
    methods: tuple[tuple[str, str], ...]
    separable: bool = False
    extra_pipe: tuple[tuple[CatalogItem, float], ...] = ()
    cuts: int = 0

    def then(self, part: Part, joint: Joint) -> Joint:
        """Return this joint, a part behind it, and the joint behind that as one step."""
        return Joint(
            (*self.parts, part, *joint.parts),
            self.methods + joint.methods,
            self.separable or joint.separable,
            self.extra_pipe + joint.extra_pipe,
            self.cuts + joint.cuts,
        )


@dataclass
class Joiner:
    """Finds and remembers the joints off one shelf, with socket depths [m] by end and the efficient adapter chains."""

    shelf: Shelf
    depths: Mapping[End, float]
    chains: EfficientChains
    diameters_m: Mapping[str, float] = field(default_factory=dict)  # outside, of the pipe of each nominal size
    lengths: Lengths = field(init=False)  # in which the store sells new pipe
    _memo: dict[tuple[object, ...], list[Joint]] = field(default_factory=dict)
    _sold: dict[str, tuple[float, float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.lengths = Lengths(self.shelf.catalog, self.shelf.rules)

    def between(self, left: Front, right: Front, gap_mm: int, bores_m: tuple[float, float] = (0.0, 0.0)) -> list[Joint]:
        """Return every joint worth making between two open ends with a gap of this length [mm] between them.

        `bores_m` are the bores of the parts that they belong to, 0 where one is not known.
        """
        if left.stepped and is_step(left, right):
            return []  # rule: a fitting stands in the size of a neighbour
        key = (left.key, right.key, gap_mm, bores_m)
        if key not in self._memo:
            self._memo[key] = list(self._make_joints(left, right, gap_mm / 1000, bores_m))
        return self._memo[key]

    def over_union(
        self, left: Front, right: Front, gap_mm: int, bores_m: tuple[float, float] = (0.0, 0.0)
    ) -> list[Joint]:
        """Return the joints between two open ends that have a union of the size of either in them.

        The pipe that stays is sawn off so much shorter, the new one is cut so much shorter: a union always finds room
        where pipe is beside it. `bores_m` as for `between`.
        """
        key = ("union", left.key, right.key, gap_mm, bores_m)
        if key not in self._memo:
            self._memo[key] = list(self._over_union(left, right, gap_mm, bores_m))
        return self._memo[key]

    def _over_union(self, left: Front, right: Front, gap_mm: int, bores_m: tuple[float, float]) -> Iterable[Joint]:
        sizes = dict.fromkeys(front.end.size for front in (left, right) if not front.end.form.is_thread)
        for item in (item for size in sizes for item in self.shelf.items(Kind.UNION, size)):
            union = new_part(item)
            if {end.form for end in union.ends} != {Form.SOCKET}:
                continue
            entry, leave = (Front(union.ends[i], long=True) for i in (0, -1))
            for first in self.between(left, entry, 0, (bores_m[0], union.end_bores_m[0])):
                for second in self.between(leave, right, gap_mm, (union.end_bores_m[-1], bores_m[1])):
                    yield replace(first.then(union, second), separable=True)

    def _make_joints(self, left: Front, right: Front, gap_m: float, bores_m: tuple[float, float]) -> Iterable[Joint]:
        if left.pipe is not None and right.pipe is not None and left.pipe.item_id == right.pipe.item_id:
            extra = ((left.pipe, gap_m),) if gap_m else ()
            yield Joint((), (), extra_pipe=extra)
            return
        if self._is_soft(left.end, right) or self._is_soft(right.end, left):
            yield from self._over_soft_tail(left, right, gap_m, bores_m)
            return
        for chain in self.chains.between(left.end, right.end, self._need(left, right, gap_m), bores_m):
            joint = self._joint(chain.pieces, [m.method for m in chain.matings], left, right, gap_m)
            if joint is not None:
                yield joint

    @staticmethod
    def _is_soft(end: End, other: Front) -> bool:
        """Return whether an end takes nothing but hose or tube, and what is opposite is none."""
        return end.form in _TAKE_SOFT and mating(end, other.end) is None

    def _over_soft_tail(self, left: Front, right: Front, gap_m: float, bores_m: tuple[float, float]) -> Iterable[Joint]:
        """Yield the joints that begin, or end, with a tail of hose or tube on an end that takes nothing else."""
        from_left = self._is_soft(left.end, right)
        end = left.end if from_left else right.end
        for item in self.shelf.soft_onto(end):
            tail = new_part(item, length_m=SOFT_TAIL_M + gap_m)
            on = mating(end, item.ends[0])
            assert on is not None
            joint = Joint((), ((on.method, item.ends[0].size),), on.separable)
            front, bore_m = Front(item.ends[0]), item.bore_m
            if from_left:
                for rest in self._make_joints(front, right, 0.0, (bore_m, bores_m[1])):
                    yield joint.then(tail, rest)
            else:
                for rest in self._make_joints(left, front, 0.0, (bores_m[0], bore_m)):
                    yield rest.then(tail, joint)

    def _need(self, left: Front, right: Front, gap_m: float) -> Need:
        """Return what pieces must do between two ends.

        A pipe that was sawn at the face of what it went into is too short for all but a longer fitting: pieces reach it
        by their own length or with a stub of pipe, the same whether it lies ahead or behind. A bushing sits inside the
        fitting and adds next to no length: it does not. New pipe is cut to reach whatever is opposite.
        """
        if left.pipe or right.pipe:
            return MEETING
        cut = [front for front in (left, right) if front.cut]
        if cut:
            longer = len(cut) == 1 and gap_m == 0 and (left.long or right.long)
            return MEETING if longer else Need(gap_m + sum(self.reach_m(front.end) for front in cut))
        both_hubs = left.end.form is Form.SOCKET and right.end.form is Form.SOCKET
        return MEETING if gap_m == 0 or both_hubs else Need(between=True)

    def _joint(
        self, pieces: tuple[Part, ...], methods: list[str], left: Front, right: Front, gap_m: float
    ) -> Joint | None:
        """Return the joint with the stubs of pipe that it needs; one pipe is longer by the gap (`_over_gap`)."""
        parts: list[Part] = []
        made: list[tuple[str, str]] = []
        extra: list[tuple[CatalogItem, float]] = []
        ends = [left.end, *(end for piece in pieces for end in piece.ends), right.end]
        stubs = [self.shelf.stub_pipe(ends[2 * i]) if method == "stub" else None for i, method in enumerate(methods)]
        longer = _over_gap(left, right, stubs) if gap_m else None
        for i, method in enumerate(methods):
            mine, other, stub = ends[2 * i], ends[2 * i + 1], stubs[i]
            if method == "stub":
                if stub is None:
                    return None
                parts.append(new_part(stub, length_m=STUB_CLEARANCE_M + (gap_m if i == longer else 0.0)))
                extra.append((stub, 2 * self._depth(mine)))
                made += [("cement", mine.size), ("cement", mine.size)]
            else:
                made.append((method, mine.size if method != "clamp" else other.size))
            if i < len(pieces):
                parts.append(pieces[i])
        for front, socket, at in ((left, ends[1], -1), (right, ends[-2], len(stubs))):
            if front.pipe is not None:
                into = self._depth(socket) if socket.form is Form.SOCKET else 0.0
                extra.append((front.pipe, into + (gap_m if at == longer else 0.0)))
        separable = any(piece.kind is Kind.UNION for piece in pieces) or bool(UNBOLTING & set(methods))
        cuts = left.cut + right.cut + left.sawn + right.sawn
        return Joint(tuple(parts), tuple(made), separable, tuple(extra), cuts)

    def _depth(self, end: End) -> float:
        socket = End(Form.SOCKET, end.size, end.system)
        return self.depths.get(socket, 0.0)

    def depth_m(self, end: End) -> float:
        """Return how deep a pipe goes into the socket of this size [m]."""
        return self._depth(end)

    def sold_m(self, pipe: CatalogItem) -> tuple[float, float]:
        """Return how much of a pipe goes into a socket at both its ends, and its longest length in the store [m]."""
        if pipe.item_id not in self._sold:
            self._sold[pipe.item_id] = 2 * self._depth(pipe.ends[0]), self.lengths.longest_m(pipe)
        return self._sold[pipe.item_id]

    def reach_m(self, end: End) -> float:
        """Return how much longer than the old one a new fitting must be to reach a pipe that was sawn off there [m]."""
        return self._depth(end) + SAW_CUT_M

    def inner_pipe(self, candidate: Candidate) -> tuple[tuple[CatalogItem, float], ...]:
        """Return the pipe hidden in the sockets inside a candidate of several parts."""
        if len(candidate.parts) == 1:
            return ()
        return tuple(
            (part.item, 2 * self._depth(part.ends[0]))
            for part in candidate.parts
            if part.kind in PIPES and part.item is not None
        )


def _over_gap(left: Front, right: Front, stubs: Sequence[CatalogItem | None]) -> int | None:
    """Return which pipe goes over a gap: -1 new pipe on the left, the number of stubs that on the right, else a stub.

    New pipe beside the gap before any stub, and the dearer of two, so that the turn of the water does not matter.
    """
    pipes = [(-1, left.pipe), (len(stubs), right.pipe)]
    for found in (pipes, list(enumerate(stubs))):
        able = [(item.price_cents / item.sale_length_m, item.item_id, at) for at, item in found if item is not None]
        if able:
            return max(able)[-1]
    return None


@dataclass
class Joiners:
    """The joiner of every kind of run, made once: runs of one family and size take from the same shelf."""

    catalog: Catalog
    rules: Rules
    chains: EfficientChains
    _made: dict[tuple[str, str], Joiner] = field(default_factory=dict)
    _diameters_m: Mapping[str, float] = field(init=False)

    def __post_init__(self) -> None:
        self._diameters_m = diameters_m(self.catalog.of_kind(Kind.PIPE))

    def of(self, run: Run) -> Joiner:
        """Return what joins the parts of a run."""
        key = (run.family, run.size)
        if key not in self._made:
            shelf = Shelf(self.catalog, run, self.rules)
            self._made[key] = Joiner(shelf, self.catalog.socket_depths_m, self.chains, self._diameters_m)
        return self._made[key]


def inner_joints(parts: tuple[Part, ...]) -> tuple[tuple[str, str], ...]:
    """Return the joints inside a candidate of several parts, such as a pair of 45s on a stub."""
    if len(parts) == 1:
        return ()
    found: list[tuple[str, str]] = []
    for first, second in pairwise(parts):
        joint = mating(first.ends[-1], second.ends[0])
        if joint is not None:
            found.append((joint.method, first.ends[-1].size))
    return tuple(found)
