"""What water loses where bores do not meet, by velocities: written anew for comparison with the program's own way.

Into a narrower bore 0.5 (v2² - v1 v2) / 2g (Crane TP 410, A-26, formula 1 at 180°), into a wider one (v1 - v2)² / 2g
(Borda-Carnot). Widenings with less than five bores of pipe between them are one; one that a bend, the end of the pipe,
a branch or a contraction follows within five bores loses all that the water is slowed by, (v1² - v2²) / 2g. Steps of up
to 16 % of the bore are too slight for that, pipe shorter than its bore does not count. Slight steps down that take the
water back to the bore from which it was spreading end the widening.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

G = 9.80665


class Bored(NamedTuple):
    """A piece as bores [m] in the order of the water: `length_m` is of pipe alone; a machine begins anew, and so does
    what comes out of a flared outlet's cone."""

    entry: float
    out: float
    length_m: float = 0.0
    bend: bool = False
    machine: bool = False
    flare: bool = False


class Water(NamedTuple):
    """How the water comes: the bore that it leaves (0: a tank), that from which it is spreading (0: from none), [m]."""

    bore: float = 0.0
    origin: float = 0.0
    straight: float = 0.0  # pipe since


def joints_m(
    pieces: Iterable[Bored], flow: float, before: float = 0.0, after: float | None = 0.0, branch: bool = False
) -> float:
    """Return the head that the joints lose at a flow [m³/s], changes of bore inside the pieces left out.

    `before` is the bore of what the first piece sits in (0: a tank), `after` that of what the last one goes into
    (None: nothing is told of it), which is a branch or not.
    """
    total, water = passing(pieces, Water(before))
    if after is not None:
        total += leaving(water, after, branch)
    return total * flow * flow


def passing(pieces: Iterable[Bored], water: Water) -> tuple[float, Water]:
    """Return what the joints before pieces lose at 1 m³/s [m], and how the water goes on."""
    total = 0.0
    for piece in pieces:
        if not piece.entry:  # nothing is known of it, nor of how the water goes on
            water = Water()
            continue
        if piece.machine:
            lost, water = _go(Water(water.bore), piece.entry)
            total += lost
            water = Water(piece.out)
            continue
        lost, water = _go(water, piece.entry)
        total += lost
        if piece.flare:
            water = Water(piece.out)
            continue
        if piece.bend:
            total += _wasted(water)
            water = Water(water.bore)
        lost, on = _go(water, piece.out)
        total += lost - _sudden(water.bore, piece.out) / (2.0 * G)
        straight = on.straight + (piece.length_m if piece.length_m >= piece.out else 0.0)
        water = Water(on.bore, 0.0 if straight >= 5.0 * on.bore else on.origin, straight)
    return total, water


def leaving(water: Water, into: float, branch: bool) -> float:
    """Return what is lost at 1 m³/s [m] where the last piece opens into a tank (0), or sits in an opening."""
    lost, on = _go(water, into) if into else (0.0, water)
    return lost + (_wasted(on) if branch or not into else 0.0)


def _v(bore: float) -> float:
    return 1.0 / (math.pi * bore * bore / 4.0)


def _sudden(first: float, second: float) -> float:
    if not first or first == second:
        return 0.0
    a, b = _v(first), _v(second)
    return 0.5 * (b * b - a * b) if second < first else (a - b) ** 2


def _wasted(water: Water) -> float:
    if not water.origin or water.bore <= 1.16 * water.origin:
        return 0.0
    a, b = _v(water.origin), _v(water.bore)
    return (a * a - b * b - (a - b) ** 2) / (2.0 * G)


def _go(water: Water, to: float) -> tuple[float, Water]:
    """Return what a joint loses, or a change of bore inside a piece, and how the water goes on."""
    bore, origin, straight = water
    lost = _sudden(bore, to)
    if not bore or to == bore:
        return 0.0, Water(to, origin, straight)
    if bore > 1.16 * to:
        return lost / (2.0 * G) + _wasted(water), Water(to)
    if to > bore and origin:
        return (_sudden(origin, to) - _sudden(origin, bore)) / (2.0 * G), Water(to, origin)
    if to > 1.16 * bore:
        return lost / (2.0 * G), Water(to, bore)
    return lost / (2.0 * G), Water(to, origin if origin < to else 0.0, straight)
