"""What new pipe measures at the saw, and what a list of pieces, pipe and joints comes to in a store.

A run is straight between two corners (bends and pumps), and a straight keeps its length: what new fittings take up more
or less, the new pipe of that straight that shows most is shorter or longer by; 10 mm of it stay, and what is missing
the next one gives. Less than a millimetre is left alone, and so is a run whose number of corners changes. Two 45s that
are pushed together stand for one corner.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache

from own_pieces import OPEN, SAW_M, STUB_M, Piece, depth
from own_shelf import End, Row, packs, sticks_m

CORNERS = frozenset({"elbow", "sweep elbow", "45 elbow", "pump"})
UNIT_M = 1e-4  # no saw is finer
LEAST_M = 0.15  # of pipe behind a coupling
Laid = tuple[Piece, int | None]  # a piece, and where it stood; None for a new one


@dataclass(frozen=True)
class Mouth:
    """The opening of a tee at a run's end, and what it takes up; `stays` as it is."""

    end: End
    take_out_m: float
    stays: bool


@dataclass
class Pipe:
    row: Row
    shows_m: float
    length_m: float


@dataclass
class Straight:
    length_m: float = 0.0
    pipes: list[Pipe] = field(default_factory=list)
    stubs: list[Pipe] = field(default_factory=list)
    open: bool = False  # nothing was plumbed here: its pieces are as long as stated


def straights(laid: Sequence[Laid], count: int, first: Mouth | None, last: Mouth | None) -> list[Straight]:
    """Return what stands between the corners of a run; `count`: of how many pieces it was before."""
    found = [Straight(first.take_out_m if first else 0.0)]
    before: Piece | None = None
    at: int | None = -1 if first is None or first.stays else None
    end = first.end if first else None
    skip = 0
    for i, (piece, place) in enumerate(laid):
        now = found[-1]
        if skip:
            skip -= 1
            continue
        if piece.kind == OPEN:
            now.open = True
            before, at, end = piece, place, None
            continue
        whole = place is not None and at is not None and place == at + 1
        if before is not None and before.kind == "pipe":
            if piece.kind == "pipe" and piece.new and before.new and piece.row is before.row:
                now.pipes[-1].shows_m += piece.length_m
                now.pipes[-1].length_m += piece.length_m
                now.length_m += piece.length_m
                before, at, end = piece, None, piece.ends[1]
                continue
            if before.new or whole or at is None:  # a piece sawn out of a longer pipe is as long as it must be
                _into(now, piece.ends[0], before.new)
        if piece.kind == "pipe":
            inside = _socket(end) if end is not None and (piece.new or whole or place is None) else 0.0
            if piece.new:
                assert piece.row is not None
                now.pipes.append(Pipe(piece.row, piece.length_m, piece.length_m + inside))
            now.length_m += piece.length_m + inside
        else:
            if before is None or before.kind != "pipe":
                now.length_m += _hubs(end, piece.ends[0])
            near, far = piece.laying_m
            if _pair(laid, i):
                stub = laid[i + 1][0]
                assert stub.row is not None
                own = Pipe(stub.row, stub.length_m, stub.length_m + 2 * _socket(piece.ends[1]))
                reach = (far + own.length_m + near) / math.sqrt(2.0)
                now.length_m += near + reach
                now.stubs.append(own)
                found.append(Straight(far + reach))
                skip = 2
            elif piece.kind in CORNERS:
                now.length_m += near
                found.append(Straight(far))
            else:
                now.length_m += near + far
        before, at, end = (laid[i + 2][0], None, piece.ends[1]) if skip else (piece, place, piece.ends[1])
    now = found[-1]
    if last is not None and before is not None:
        if before.kind == "pipe":
            if before.new or at is None or (at == count - 1 and last.stays):
                _into(now, last.end, before.new)
        else:
            now.length_m += _hubs(end, last.end)
    now.length_m += last.take_out_m if last else 0.0
    return found


def _pair(laid: Sequence[Laid], i: int) -> bool:
    trio = [piece for piece, _ in laid[i : i + 3]]
    kinds = [piece.kind for piece in trio]
    return kinds == ["45 elbow", "pipe", "45 elbow"] and all(p.new for p in trio) and trio[1].length_m == 0.0


def _socket(end: End) -> float:
    return depth(end) if end.form == "socket" else 0.0


def _into(straight: Straight, end: End, new: bool) -> None:
    straight.length_m += _socket(end)
    if new:
        straight.pipes[-1].length_m += _socket(end)


def _hubs(before: End | None, after: End) -> float:
    if before is None or {before.form, after.form} != {"socket"}:
        return 0.0
    return depth(before) + depth(after) + STUB_M


def cut(stood: Sequence[Straight], planned: Sequence[Straight]) -> list[tuple[Row, int]]:
    """Return the new pieces of pipe with their lengths at the saw, in tenths of a millimetre."""
    if len(stood) == len(planned):
        for old, new in zip(stood, planned, strict=True):
            short = old.length_m - new.length_m
            if new.pipes and not old.open and abs(short) >= 0.001:
                for pipe in sorted(new.pipes, key=lambda pipe: -pipe.shows_m):
                    more = max(short, min(pipe.shows_m, STUB_M) - pipe.shows_m)
                    pipe.length_m += more
                    short -= more
    pipes = [pipe for new in planned for pipe in (*new.pipes, *new.stubs)]
    return [(pipe.row, math.ceil(pipe.length_m / UNIT_M - 1e-6)) for pipe in pipes]


# --- the store


KERF = math.ceil(SAW_M / UNIT_M)


def pipe_cents(row: Row, lengths: Iterable[int], by_the_foot: bool) -> int:
    """Return what pieces of one pipe cost: by whole sale lengths, or in the store's sticks, cut as well as can be."""
    pieces = tuple(sorted(lengths, reverse=True))
    if by_the_foot:
        total = sum(piece + KERF for piece in pieces) * UNIT_M
        return math.ceil(total / row.sale_length_m - 1e-9) * row.cents
    stock = tuple((int(length / UNIT_M + 1e-6), round(length / row.sale_length_m * row.cents)) for length in sticks_m())
    return _sticks_cents(pieces, stock)


def coupled_m(length_m: float, coupling: Row) -> list[float]:
    """Return the lengths at the saw [m] that make one piece of pipe: whole ones, and a last one of 15 cm or more."""
    longest_m = max(sticks_m())
    found = []
    while length_m > longest_m + 1e-9:
        found.append(longest_m)
        length_m -= longest_m + sum(coupling.take_outs_m)
    if found and length_m < LEAST_M:
        found[-1] -= LEAST_M - length_m
        length_m = LEAST_M
    return [*found, length_m]


def coupling_of(pipe: Row, rows: Iterable[Row]) -> Row | None:
    """Return the cheapest coupling of a pipe's own class and size that is for sale."""
    end = End(pipe.ends[0].size, "socket")
    fits = [row for row in rows if row.kind == "coupling" and row.family == pipe.family and row.ends == (end, end)]
    return min(fits, key=lambda row: (row.cents, row.key), default=None)


@cache
def _sticks_cents(pieces: tuple[int, ...], stock: tuple[tuple[int, int], ...]) -> int:
    """Return the least that sticks for these pieces cost, over every way to share the pieces out among sticks."""
    if not pieces:
        return 0
    first, rest = pieces[0], pieces[1:]
    best: float = math.inf
    for mask in range(1 << len(rest)):
        together = (first, *(piece for i, piece in enumerate(rest) if mask >> i & 1))
        needed = sum(together) + KERF * (len(together) - 1)  # a piece may end where its stick does
        fits = [cents for length, cents in stock if length >= needed]
        if fits:
            others = tuple(piece for i, piece in enumerate(rest) if not mask >> i & 1)
            best = min(best, min(fits) + _sticks_cents(others, stock))
    return int(best)


def seal_cents(joints: Mapping[tuple[str, str], int], use_of: Mapping[str, str], sold: Iterable[str]) -> int:
    """Return what whole packs for these joints cost; `sold` are the item numbers of what is for sale."""
    total = 0
    for use, method in use_of.items():
        made = {size: n for (how, size), n in joints.items() if how == method and n}
        if made:
            rows = [row for row in packs()[use] if row[0] in sold and all(size in row[2] for size in made)]
            total += min(cents * _packs(made, does) for _, cents, does in rows)
    return total


def _packs(made: Mapping[str, int], does: Mapping[str, float]) -> int:
    return max(1, math.ceil(sum(n / does[size] for size, n in made.items()) - 1e-6))


def share_of_pack(joints: Mapping[tuple[str, str], int], use: str, method: str, sold: Iterable[str]) -> float:
    """Return how much of the one pack for this use that is sold the joints of a method take."""
    made = {size: n for (how, size), n in joints.items() if how == method}
    rows = [does for key, _, does in packs()[use] if key in sold]
    (does,) = rows
    return sum(n / does[size] for size, n in made.items())


def counted(joints: Iterable[tuple[str, str]]) -> Counter[tuple[str, str]]:
    return Counter(joints)
