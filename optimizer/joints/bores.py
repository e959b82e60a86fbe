"""Where bores do not meet: what the water loses at every joint, and what a widening is worth with no room behind it.

The water of a run is followed part by part. `Approach` is all that has to be known of what lies behind, so that a
search can follow it as well as a solution of the network.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import cache
from typing import NamedTuple

from optimizer.model.kinds import BENDS, FLARES, MACHINES, PIPES, Kind
from optimizer.model.network import LEGS, Leg, Network, Part, Run, RunEnd
from optimizer.water import GRAVITY_M_S2

SETTLED_BORES = 5.0  # straight pipe after which the water fills its bore evenly again: common practice, no source
# A step of less than this share is the wall of a heavier pipe or the neck of a male thread: the water is attached again
# some eight step heights behind it (backward-facing steps: from memory), which is less than one bore.
_SLIGHT = 0.16
_NOTHING = frozenset({Kind.OPEN_JOINT, Kind.CONSUMABLE})


class Approach(NamedTuple):
    """How water comes to a joint, in the direction in which the run is written.

    `bore_m` is the bore that it leaves, 0 where none is known: out of a tank, at an open joint. Where it got wider
    less than `SETTLED_BORES` ago, `origin_m` is the bore before that (else 0), and `straight_m` the pipe since.
    """

    bore_m: float = 0.0
    origin_m: float = 0.0
    straight_m: float = 0.0


UNKNOWN = Approach()


class Steps(NamedTuple):
    """b of b Q² that joints lose, forwards and backwards [s²/m⁵], and how the water goes on from there."""

    square_s2_m5: float
    square_back_s2_m5: float
    after: Approach


@cache
def step_square_s2_m5(from_m: float, to_m: float) -> float:
    """Return b of b Q² of a sudden change of bore [s²/m⁵]; 0 where a bore is not known (0).

    K = 0.5 (1 - β²) into the smaller bore, (1 - β²)² out of it (Borda-Carnot), on the smaller, β its share of the
    larger.

    References
    ----------
    Crane Technical Paper 410, appendix A, formulas 1 and 2 at 180°. J.-C. Borda, Mém. Acad. Roy. Sci., 1766.
    """
    if from_m <= 0.0 or to_m <= 0.0 or from_m == to_m:
        return 0.0
    small = min(from_m, to_m)
    beta_2 = (small / max(from_m, to_m)) ** 2
    return _square_s2_m5(0.5 * (1.0 - beta_2) if to_m < from_m else (1.0 - beta_2) ** 2, small)


@cache
def unrecovered_square_s2_m5(from_m: float, to_m: float) -> float:
    """Return what a widening loses on top where the water has no room to spread, b of b Q² [s²/m⁵].

    Nothing of the velocity head is recovered: in all 1 - β⁴ on the smaller bore, where Borda-Carnot has (1 - β²)².
    That is 0 for a slight step, and for what is no widening.
    """
    if from_m <= 0.0 or _slight(from_m, to_m):
        return 0.0
    beta_2 = (from_m / to_m) ** 2
    return _square_s2_m5(2.0 * beta_2 * (1.0 - beta_2), from_m)


def through(at: Approach, part: Part) -> Steps:
    """Return what the joint before a part loses, and what the part loses more by what it follows.

    Widenings with less than `SETTLED_BORES` of pipe between them count as one, from the first bore to the last. One
    that meets a bend or a contraction within that length recovers nothing (`unrecovered_square_s2_m5`). Pipe shorter
    than its bore counts for none. The cone of a flared outlet is no step: its row has its loss. Backwards every change
    of bore is told as a sudden one of its own: what lies ahead of that water is not known here (`run_steps` has it in
    full).
    """
    if part.kind in _NOTHING or not part.end_bores_m or min(part.end_bores_m) <= 0.0:
        return Steps(0.0, 0.0, UNKNOWN)
    bores = part.end_bores_m
    if at.bore_m == bores[0] == bores[-1] and not at.origin_m:
        return Steps(0.0, 0.0, at)  # as nearly everywhere
    if part.kind in FLARES:
        return _joint(at, bores[0])._replace(after=Approach(bores[-1]))
    length_m = part.length_m if part.kind in PIPES else 0.0
    return _through(at, bores[0], bores[-1], length_m, part.kind in BENDS, part.kind in MACHINES)


@cache
def _through(at: Approach, entry_m: float, out_m: float, length_m: float, turned: bool, machine: bool) -> Steps:
    if machine:
        return _joint(Approach(at.bore_m), entry_m)._replace(after=Approach(out_m))
    square, back, after = _joint(at, entry_m)
    if turned:
        square += unrecovered_square_s2_m5(after.origin_m, after.bore_m)
        after = Approach(entry_m)
    if out_m != entry_m:
        more, after = _changed(after, out_m)
        square += more
    if after.origin_m and length_m >= out_m:
        after = _settled(after._replace(straight_m=after.straight_m + length_m))
    return Steps(square, back, after)


def into_opening(at: Approach, bore_m: float, turns: bool) -> Steps:
    """Return what the joint of a run's last part with a tee loses; `turns`: the opening is a branch."""
    joint = _joint(at, bore_m)
    lost = unrecovered_square_s2_m5(joint.after.origin_m, joint.after.bore_m) if turns else 0.0
    return joint._replace(square_s2_m5=joint.square_s2_m5 + lost)


def out_of_pipe(at: Approach) -> Steps:
    """Return what a widening loses on top that the water leaves at once, into a tank or the air."""
    return Steps(unrecovered_square_s2_m5(at.origin_m, at.bore_m), 0.0, UNKNOWN)


def along(at: Approach, parts: Iterable[Part]) -> Steps:
    """Return what parts in a row lose by their bores, the joint before them with them."""
    return further(Steps(0.0, 0.0, at), parts)


def further(so_far: Steps, parts: Iterable[Part]) -> Steps:
    """Return what is lost behind some more parts, as of `along`."""
    square, back, at = so_far
    for part in parts:
        if part.end_bores_m == (at.bore_m, at.bore_m) and not at.origin_m and part.kind not in _NOTHING and at.bore_m:
            continue  # as nearly everywhere: what `through` has for it first
        step = through(at, part)
        square, back, at = square + step.square_s2_m5, back + step.square_back_s2_m5, step.after
    return Steps(square, back, at)


def recovers_nothing(bore_m: float, parts: Iterable[Part]) -> bool:
    """Return whether water that still spreads in a bore meets a bend or a contraction first of all.

    Then it loses what `out_of_pipe` tells and goes on as settled water does. Where that is not sure: False.
    """
    for part in parts:
        bores = part.end_bores_m
        if part.kind in _NOTHING or part.kind in MACHINES or not bores or min(bores) <= 0.0:
            return False
        if bores[0] != bore_m:
            return bores[0] < bore_m and not _slight(bores[0], bore_m)
        if part.kind in FLARES or (part.kind in PIPES and part.length_m >= bore_m):
            return False
        if part.kind in BENDS:
            return True
        if bores[-1] != bore_m:
            return bores[-1] < bore_m and not _slight(bores[-1], bore_m)
    return False


def aftermath(at: Approach) -> float:
    """Return how much worse than settled water comes [1/m], which is 0: with less it loses no more further on."""
    return 1.0 / at.origin_m if at.origin_m else 0.0


def past(at: Approach, bores_m: Iterable[tuple[float, float]]) -> Steps:
    """Return the same as `along` of straight pieces of these bores [m], which are no pipe."""
    square = back = 0.0
    for entry, out in bores_m:
        step = _through(at, entry, out, 0.0, False, False)
        square, back, at = square + step.square_s2_m5, back + step.square_back_s2_m5, step.after
    return Steps(square, back, at)


def run_steps(run: Run, network: Network) -> tuple[tuple[float, float], ...]:
    """Return b of b Q² of the joints of a run, forwards and backwards [s²/m⁵], by the part that they count to.

    A joint counts to the narrower of its two parts, that with a tee to the run's own part. Backwards is the same
    water going through the parts in the other order.
    """
    turned = [_turned(part) for part in reversed(run.parts)]
    forwards = _by_part(run.parts, run.start, run.end, network)
    backwards = _by_part(turned, run.end, run.start, network)
    return tuple(zip(forwards, reversed(backwards), strict=True))


def _by_part(parts: Sequence[Part], start: RunEnd, end: RunEnd, network: Network) -> list[float]:
    """Return b of the joints for water in the order of these parts, by part."""
    lost = [0.0] * len(parts)
    at = Approach(opening_bore_m(network, start))
    for index, part in enumerate(parts):
        step = through(at, part)
        before = index > 0 and part.end_bores_m and 0.0 < at.bore_m < part.end_bores_m[0]
        lost[index - 1 if before else index] += step.square_s2_m5
        at = step.after
    leaving = out_of_pipe(at) if end.leg is Leg.NONE else into_opening(at, opening_bore_m(network, end), turns(end.leg))
    lost[-1] += leaving.square_s2_m5
    return lost


def _turned(part: Part) -> Part:
    bores = part.end_bores_m
    return part if len(set(bores)) < 2 else replace(part, end_bores_m=bores[::-1])


def opening_bore_m(network: Network, end: RunEnd) -> float:
    """Return the bore of the tee's opening that a run sits in [m]; 0 where it sits in none, or it is not known."""
    tee = network.tees.get(end.point)
    if end.leg is Leg.NONE or tee is None or tee.item is None:
        return 0.0
    return leg_bore_m(tee.item.end_bores_m, end.leg)


def leg_bore_m(bores_m: tuple[float, ...], leg: Leg) -> float:
    """Return the bore of one leg of a tee [m]; 0 where its row does not tell."""
    at = LEGS.index(leg)
    return bores_m[at] if at < len(bores_m) else 0.0


def turns(leg: Leg) -> bool:
    """Say whether water turns where it comes out of a run into this opening of a tee."""
    return leg in (Leg.BRANCH, Leg.BRANCH_2)


def _square_s2_m5(k: float, bore_m: float) -> float:
    return k / (2.0 * GRAVITY_M_S2 * (0.25 * math.pi * bore_m * bore_m) ** 2)


def _joint(at: Approach, entry_m: float) -> Steps:
    if at.bore_m <= 0.0:
        return Steps(0.0, 0.0, Approach(entry_m))
    if at.bore_m == entry_m:
        return Steps(0.0, 0.0, at)
    more, after = _changed(at, entry_m)
    simple, back = step_square_s2_m5(at.bore_m, entry_m), step_square_s2_m5(entry_m, at.bore_m)
    return Steps(simple + more, back, after)


def _changed(at: Approach, to_m: float) -> tuple[float, Approach]:
    """Return what a change of bore loses beyond a sudden change of its own, and how the water goes on."""
    origin, bore = at.origin_m, at.bore_m
    if to_m < bore and not _slight(to_m, bore):
        return (unrecovered_square_s2_m5(origin, bore) if origin else 0.0), Approach(to_m)
    if not origin:
        return 0.0, Approach(to_m, 0.0 if to_m < bore or _slight(bore, to_m) else bore)
    if to_m <= bore:  # where it is back in the bore that it came from, or a narrower one, it spreads no more
        return 0.0, at._replace(bore_m=to_m, origin_m=origin if origin < to_m else 0.0)
    whole = step_square_s2_m5(origin, to_m)
    return whole - step_square_s2_m5(origin, bore) - step_square_s2_m5(bore, to_m), Approach(to_m, origin)


def _slight(small_m: float, large_m: float) -> bool:
    return large_m <= (1.0 + _SLIGHT) * small_m


def _settled(at: Approach) -> Approach:
    return Approach(at.bore_m) if at.straight_m >= SETTLED_BORES * at.bore_m else at
