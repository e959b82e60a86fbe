"""What stands in a run and what may be bought for it, and which ends mate: by rules written anew here."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from typing import NamedTuple

from own_bores import Bored
from own_shelf import End, Row, depths_m

SAW_M = 0.003175
STUB_M = 0.010  # what shows of a stub between two sockets
PAIR_M = 0.0  # two 45s in place of an elbow are pushed together face to face
MOST_BETWEEN, MOST_IN_PLAIN_PIPE = 3, 2
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


def inches(end: End) -> Fraction:
    """Return the number of a nominal size: `1-1/4 in` is 5/4."""
    return sum((Fraction(number) for number in end.size.removesuffix(" in").split("-")), Fraction())


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
        """Return every row of at most three pieces between two ends, two in plain pipe, the direct joint first.

        A coupling leads from a size to the same: it stands there where without it the row would not reach.
        """
        plain = not threaded(start) and not threaded(goal)
        most = MOST_IN_PLAIN_PIPE if plain else MOST_BETWEEN

        def walk(
            at: End, pieces: tuple[Piece, ...], joints: tuple[str, ...], seen: frozenset[End]
        ) -> Iterator[tuple[tuple[Piece, ...], tuple[str, ...]]]:
            last = mate(at, goal)
            if last:
                yield pieces, (*joints, last)
            if len(pieces) == most:
                return
            for piece in self.joining:
                near, far = piece.ends
                how = mate(at, near)
                if not how or (plain and (threaded(far) or piece.kind == "union")):
                    continue
                if piece.kind == "union" and any(p.kind == "union" for p in pieces):
                    continue
                if piece.kind == "coupling" and pieces.count(piece) > 1:
                    continue
                if far in seen and piece.kind not in ("union", "coupling"):  # been here: the last piece, or none
                    last = mate(far, goal)
                    if last:
                        yield (*pieces, piece), (*joints, how, last)
                    continue
                yield from walk(far, (*pieces, piece), (*joints, how), seen | {far})

        key = (start, goal)
        if key not in self._chains:
            found = list(walk(start, (), (), frozenset({start})))
            least = min(inches(start), inches(goal))
            wide = [(pieces, how) for pieces, how in found if all(inches(e) >= least for p in pieces for e in p.ends)]
            self._chains[key] = wide or found
        return self._chains[key]

    _chains: dict[tuple[End, End], list[tuple[tuple[Piece, ...], tuple[str, ...]]]] = field(default_factory=dict)


def depth(end: End) -> float:
    return depths_m().get(End(end.size, "socket"), 0.0)
