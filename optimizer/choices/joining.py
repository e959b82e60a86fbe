"""Ways to join two open ends: directly, over pieces of the catalogs, on stubs of new pipe, over a gap."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from optimizer.choices.candidates import Candidate, Shelf
from optimizer.choices.fronts import Front, is_step, spigot_of
from optimizer.joints.chains import STUB_CLEARANCE_M, Chain, new_part
from optimizer.joints.efficient import EfficientChains
from optimizer.joints.mating import UNBOLTING, mating
from optimizer.model.catalog import PIPES, Catalog, CatalogItem, Kind
from optimizer.model.ends import End, Form
from optimizer.model.network import Part, Run
from optimizer.model.system import Rules

SAW_CUT_M = 0.003175  # 1/8 in.: common practice, no source


@dataclass(frozen=True, slots=True)
class Joint:
    """One way to join two fronts."""

    parts: tuple[Part, ...]
    methods: tuple[tuple[str, str], ...]
    separable: bool = False
    extra_pipe: tuple[tuple[CatalogItem, float], ...] = ()
    cuts: int = 0


@dataclass
class Joiner:
    """Finds and remembers the joints off one shelf, with socket depths [m] by end and the efficient adapter chains."""

    shelf: Shelf
    depths: Mapping[End, float]
    chains: EfficientChains
    _memo: dict[tuple[object, ...], list[Joint]] = field(default_factory=dict)

    def between(self, left: Front, right: Front, gap_mm: int) -> list[Joint]:
        """Return every joint worth making between two open ends with a gap of this length [mm] between them."""
        if left.stepped and is_step(left, right):
            return []  # rule: a fitting stands in the size of a neighbour
        key = (left.key, right.key, gap_mm)
        if key not in self._memo:
            self._memo[key] = list(self._make_joints(left, right, gap_mm / 1000))
        return self._memo[key]

    def _make_joints(self, left: Front, right: Front, gap_m: float) -> Iterable[Joint]:
        if left.pipe is not None and right.pipe is not None and left.pipe.item_id == right.pipe.item_id:
            extra = ((left.pipe, gap_m),) if gap_m else ()
            yield Joint((), (), extra_pipe=extra)
            return
        if left.cut and right.cut:
            yield from self._bridge(left, right, gap_m)
            return
        chains = self.chains.between(left.end, right.end, self._reaches(left, right, gap_m))
        fitting = [chain for chain in chains if self._spans(chain, left, right, gap_m)]
        found = [(chain.pieces, [m.method for m in chain.matings]) for chain in fitting]
        if len(fitting) < len(chains):
            found += self._stubbed(left, right)
        for pieces, methods in found:
            joint = self._joint(pieces, methods, left, right, gap_m)
            if joint is not None:
                yield joint

    def _spans(self, chain: Chain, left: Front, right: Front, gap_m: float) -> bool:
        """Return whether pieces reach a cut pipe, which ends at the face of what it went into.

        A bushing sits inside the fitting and adds next to no length: it does not, unless the fitting itself is longer.
        """
        if not (left.cut or right.cut) or left.pipe or right.pipe or any(m.method == "stub" for m in chain.matings):
            return True
        cut, other = (left, right) if left.cut else (right, left)
        length_m = sum(sum(piece.item.take_outs_m) for piece in chain.pieces if piece.item is not None)
        return (other.long and gap_m == 0) or length_m >= gap_m + self.reach_m(cut.end)

    def _stubbed(self, left: Front, right: Front) -> Iterable[tuple[tuple[Part, ...], list[str]]]:
        """Yield what couples a cut pipe to a stub of new pipe in the socket opposite, with the joints of each."""
        other = right if left.cut else left
        if other.end.form is not Form.SOCKET:
            return
        stub = spigot_of(other.end)
        for chain in self.chains.between(left.end if left.cut else stub, stub if left.cut else right.end, False):
            methods = [m.method for m in chain.matings]
            methods[-1 if left.cut else 0] = "stub"
            yield chain.pieces, methods

    def _reaches(self, left: Front, right: Front, gap_m: float) -> bool:
        """Return whether two ends that mate also meet: a cut pipe is too short for all but a longer fitting."""
        if left.cut or right.cut:
            other = right if left.cut else left
            return other.long and gap_m == 0
        both_hubs = left.end.form is Form.SOCKET and right.end.form is Form.SOCKET
        return gap_m == 0 or left.pipe is not None or right.pipe is not None or both_hubs

    def _bridge(self, left: Front, right: Front, gap_m: float) -> Iterable[Joint]:
        """Join two cut pipe ends with two couplings and a piece of pipe between them."""
        if left.end != right.end:
            return
        for item in self.shelf.items(Kind.COUPLING, left.end.size):
            piece = new_part(item)
            joint = self._joint((piece, piece), ["cement", "stub", "cement"], left, right, gap_m)
            if joint is not None:
                yield joint

    def _joint(
        self, pieces: tuple[Part, ...], methods: list[str], left: Front, right: Front, gap_m: float
    ) -> Joint | None:
        """Return the joint with the stubs of pipe that it needs, the gap added to the first pipe that can take it."""
        parts: list[Part] = []
        made: list[tuple[str, str]] = []
        extra: list[tuple[CatalogItem, float]] = []
        ends = [left.end, *(end for piece in pieces for end in piece.ends), right.end]
        for i, method in enumerate(methods):
            mine, other = ends[2 * i], ends[2 * i + 1]
            if method == "stub":
                stub = self.shelf.stub_pipe(mine)
                if stub is None:
                    return None
                parts.append(new_part(stub, length_m=STUB_CLEARANCE_M + gap_m))
                gap_m = 0.0
                extra.append((stub, 2 * self._depth(mine)))
                made += [("cement", mine.size), ("cement", mine.size)]
            else:
                made.append((method, mine.size if method != "clamp" else other.size))
            if i < len(pieces):
                parts.append(pieces[i])
        for front, socket in ((left, ends[1]), (right, ends[-2])):
            if front.pipe is not None:
                into = self._depth(socket) if socket.form is Form.SOCKET else 0.0
                extra.append((front.pipe, into + gap_m))
                gap_m = 0.0
        separable = any(piece.kind is Kind.UNION for piece in pieces) or bool(UNBOLTING & set(methods))
        cuts = left.cut + right.cut + left.sawn + right.sawn
        return Joint(tuple(parts), tuple(made), separable, tuple(extra), cuts)

    def _depth(self, end: End) -> float:
        socket = End(Form.SOCKET, end.size, end.system)
        return self.depths.get(socket, 0.0)

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


@dataclass
class Joiners:
    """The joiner of every kind of run, made once: runs of one family and size take from the same shelf."""

    catalog: Catalog
    rules: Rules
    chains: EfficientChains
    _made: dict[tuple[str, str], Joiner] = field(default_factory=dict)

    def of(self, run: Run) -> Joiner:
        """Return what joins the parts of a run."""
        key = (run.family, run.size)
        if key not in self._made:
            shelf = Shelf(self.catalog, run, self.rules)
            self._made[key] = Joiner(shelf, self.catalog.socket_depths_m, self.chains)
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
