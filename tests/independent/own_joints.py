"""Every way to join two open ends of a run, by the rules that `own_ways.py` opens with."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import NamedTuple

from own_pieces import SAW_M, STUB_M, Piece, Shop, depth, threaded
from own_shelf import End, Row


class Front(NamedTuple):
    """An end that waits for its neighbour; see the rules above for `cut`, `long` and `stepped`."""

    end: End
    cut: bool = False
    pipe: Row | None = None
    long: bool = False
    stepped: bool = False


class Joint(NamedTuple):
    pieces: tuple[Piece, ...]
    hidden: tuple[tuple[Row, float], ...]
    joints: tuple[tuple[str, str], ...]
    cuts: int
    unbolts: bool


def is_step(a: Front, b: Front) -> bool:
    return not threaded(a.end) and not threaded(b.end) and a.end.size != b.end.size


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
