"""Can it be put together? What is tied at both ends needs something that lets the last joint close.

A cemented joint is pushed home along the pipe and a threaded one is turned, so one side of it must be free to move. A
body that hangs from nothing fixed is free: a line that only hangs over a rim, a pump that stands loose in a sump. Where
both sides are held, by bulkheads, by the house line or by other plumbing round a ring, one joint of the way round must
must close without either side moving: a union, flexible hose or tube, a hose clamp; or, where the owner allows it, a
long leg of pipe springs aside.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from optimizer.joints.mating import UNBOLTING, mating
from optimizer.joints.standing import joints_made, old_places, tees_kept
from optimizer.model.catalog import PIPES, SEPARABLE, CatalogItem, Kind
from optimizer.model.circuits import once
from optimizer.model.ends import End, Form
from optimizer.model.network import Condition, Leg, Network, Part, PointKind, Run

LEGS = (Leg.RUN_1, Leg.RUN_2, Leg.BRANCH, Leg.BRANCH_2)
SPRING_DIAMETERS = 20.0
"""How many outside diameters long a straight leg of pipe must be to spring aside by the depth of a socket: common
practice, no source. A beam held at its far end bends by d under a stress of 1.5 E D d / L². PVC at E = 2760 MPa, with
sockets of 0.48 (2 in.) to 0.82 (1/2 in.) diameters, then stays below 8.5 MPa, under its design stress of 13.8 MPa
(2000 psi; both from memory), and does so in a leg of up to one and a half times the joint's diameter.
"""
_SOFT = frozenset({Kind.HOSE, Kind.TUBE})
_SQUARE = frozenset({Kind.ELBOW, Kind.SWEEP_ELBOW})
_BENDS = _SQUARE | {Kind.ELBOW_45}
_HELD = frozenset({Kind.PUMP, Kind.DEVICE, Kind.BULKHEAD, Kind.OPEN_JOINT})
GROUND = "the tanks and walls"
Node = tuple[str, int]  # a run with the number of a part in it, or a point with -1


def lets_close(part: Part) -> bool:
    """Return whether a part lets a last joint close with both its sides held: it comes apart, or it bends."""
    return part.kind in SEPARABLE or part.kind in _SOFT


def closes_itself(first: End, second: End) -> bool:
    """Return whether a joint closes with both its sides held: a clamp or a push-fit on something soft."""
    joint = mating(first, second)
    return joint is not None and joint.method in UNBOLTING


def legs_m(parts: Sequence[Part]) -> list[float]:
    """Return for every joint of a run, before each part and behind the last, how long a leg may spring aside for it.

    In metres. That is the straight behind the next square bend on either side, up to the bend after it, or what is
    held: whatever stands at right angles to the pipe that is pushed home. 0 where there is none.
    """
    return [max(_leg_m(parts[joint:]), _leg_m(parts[:joint][::-1])) for joint in range(len(parts) + 1)]


def _leg_m(away: Sequence[Part]) -> float:
    """Return the length of pipe behind the first bend on the way away from a joint [m], if that is a square one."""
    at = next((i for i, part in enumerate(away) if part.kind in _BENDS or part.kind in _HELD), None)
    if at is None or away[at].kind not in _SQUARE:
        return 0.0
    length_m = 0.0
    for part in away[at + 1 :]:
        if part.kind in _BENDS or part.kind in _HELD:
            break
        length_m += part.length_m if part.kind in PIPES else 0.0
    return length_m


def springs(leg_m: float, diameter_m: float) -> bool:
    """Return whether a leg springs aside by the depth of a socket for pipe of this outside diameter [m]."""
    return diameter_m > 0.0 and leg_m >= SPRING_DIAMETERS * diameter_m


def stretches(parts: Sequence[Part]) -> list[int]:
    """Return for every part how many bulkheads stand before it: what lies between two of them is a stretch."""
    count, found = 0, []
    for part in parts:
        found.append(count)
        count += part.kind is Kind.BULKHEAD
    return [*found, count]


def tied(network: Network, run: Run, alone: bool = False) -> tuple[bool, ...]:
    """Return for each stretch of a run whether both its ends are held when nothing in it lets them move.

    Other runs hold on to what they join as long as nothing in them comes apart; with `alone` they do so in any case.
    """
    holds = Held()
    for name, first, last, apart in once(network, "firm stretches", _firm_stretches):
        if name != run.name and (alone or not apart):
            holds.join(first, last)
    found = []
    for first, last, _ in _stretch_ends(network, run):
        found.append(first is not None and last is not None and holds.same(first, last))
    return tuple(found)


def _firm_stretches(network: Network) -> tuple[tuple[str, str | None, str | None, bool], ...]:
    """Return each stretch without an open joint: its run, what is at its ends, whether anything in it comes apart."""
    return tuple(
        (run.name, first, last, _comes_apart(parts))
        for run in network.runs.values()
        for first, last, parts in _stretch_ends(network, run)
        if parts and all(part.kind is not Kind.OPEN_JOINT for part in parts)
    )


def share_a_closing(network: Network) -> bool:
    """Return whether runs that may change could close with fewer unions than one each.

    With unions in all of them but one, that one closes without its own where only they hold its two ends together.
    """
    able = [run for run in network.runs.values() if any(part.condition is not Condition.KEEP for part in run.parts)]
    held = {run.name: ends for run in able if any(ends := tied(network, run))}
    for name, ends in held.items():
        left = {other: run for other, run in network.runs.items() if other == name or other not in held}
        if len(held) > 1 and tied(replace(network, runs=left), network.runs[name]) != ends:
            return True
    return False


def _comes_apart(parts: Sequence[Part]) -> bool:
    return any(lets_close(part) for part in parts)


def _stretch_ends(network: Network, run: Run) -> Iterator[tuple[str | None, str | None, tuple[Part, ...]]]:
    """Yield for each stretch what is at its two ends, a tee or `GROUND`, None where it hangs free; and its parts."""
    walls = [i for i, part in enumerate(run.parts) if part.kind is Kind.BULKHEAD]
    edges = [-1, *walls, len(run.parts)]
    for first, last in pairwise(edges):
        start = GROUND if first >= 0 else _held_at(network, run.start.point)
        end = GROUND if last < len(run.parts) else _held_at(network, run.end.point)
        yield start, end, run.parts[first + 1 : last]


def _held_at(network: Network, point: str) -> str | None:
    kind = network.points[point].kind
    if kind is PointKind.SUPPLY:
        return GROUND
    return point if kind in (PointKind.TEE, PointKind.CROSS) else None


class Held:
    """Which bodies hold on to each other: sets that grow together."""

    def __init__(self) -> None:
        self._up: dict[object, object] = {}

    def _root(self, one: object) -> object:
        way = []
        while (up := self._up.get(one, one)) != one:
            way.append(one)
            one = up
        self._up.update(dict.fromkeys(way, one))  # the next time it is one step
        return one

    def same(self, one: object, other: object) -> bool:
        """Return whether two bodies hold on to each other."""
        return self._root(one) == self._root(other)

    def join(self, one: object, other: object) -> bool:
        """Join two bodies (None: nothing there); return False where they held on to each other already."""
        if one is None or other is None:
            return True
        first, second = self._root(one), self._root(other)
        self._up[first] = second
        return first != second


@dataclass(frozen=True, slots=True)
class PlannedJoint:
    """A joint of the planned plumbing: joint i of a run is before its part i. Its two sides are bodies.

    `made` says that the work makes it; `closing` that it closes with both sides held, `leg_m` what may spring for it.
    """

    run: str
    index: int
    before: Node | None
    after: Node | None
    made: bool
    closing: bool
    leg_m: float
    diameter_m: float
    method: str = ""  # what seals it, see `joints.mating`
    size: str = ""


@dataclass(frozen=True, slots=True)
class Opened:
    """A union, or the like, that lets a joint close: by its run and place; `stands`: it is there already."""

    run: str
    place: int
    stands: bool


@dataclass(frozen=True, slots=True)
class Assembly:
    """How the changed stretches close: what is opened for it, which joints a leg of pipe springs for, and which never.

    Joints are told by run and number: joint i is before part i.
    """

    opened: tuple[Opened, ...]
    sprung: tuple[tuple[str, int], ...]
    stuck: tuple[tuple[str, int], ...]
    order: tuple[str, ...] = ()  # of the runs: in this one the joints that spring close last


def assembly(stood: Network, planned: Network, bend: bool = False) -> Assembly:
    """Return how a plan is put together.

    Take away all that comes apart or bends. What is left are stiff bodies, some of them held; the joints that are made
    must not close a ring among them, for then nothing could move when the last one is made. Unions that stand stay
    closed unless a joint needs one open; with `bend`, joints that nothing else lets close spring where a leg is long
    enough.

    Parameters
    ----------
    stood, planned
        The plumbing as it stands and as the plan leaves it, with the same runs.
    bend
        Whether the owner lets a long leg of pipe spring aside.
    """
    joints = [joint for name in planned.runs for joint in planned_joints(stood, planned, name)]
    opened: list[Opened] = []
    closers = list(_closers(planned))
    while True:
        shut = [one for one in closers if one.stands and one not in opened]
        order = list(planned.runs)
        for _ in planned.runs:
            sprung, stuck, need = _close(joints, _holding(planned, joints, shut), order, bend)
            if not stuck or stuck[0][0] == order[0]:
                break
            order.remove(stuck[0][0])
            order.insert(0, stuck[0][0])  # what cannot spring is made first
        if not stuck and not sprung:
            break
        better = _one_to_open(planned, joints, closers, opened, need)
        if better is None:
            break
        opened.append(better)
    return Assembly((*opened, *_new_that_close(planned, joints, closers)), sprung, stuck, tuple(order))


def _close(
    joints: Sequence[PlannedJoint], holds: Held, order: Sequence[str], bend: bool
) -> tuple[tuple[tuple[str, int], ...], tuple[tuple[str, int], ...], PlannedJoint | None]:
    """Return which joints spring and which are stuck, and the first of these, run by run in this order.

    In each run the joints that may spring are made last.
    """
    sprung: list[tuple[str, int]] = []
    stuck: list[tuple[str, int]] = []
    need: PlannedJoint | None = None
    made = [joint for joint in joints if joint.made and not joint.closing]
    for joint in sorted(made, key=lambda one: (order.index(one.run), bend and springs(one.leg_m, one.diameter_m))):
        if holds.join(joint.before, joint.after):
            continue
        (sprung if bend and springs(joint.leg_m, joint.diameter_m) else stuck).append((joint.run, joint.index))
        need = need or joint
    return tuple(sprung), tuple(stuck), need


def held_by_parts(planned: Network) -> Held:
    """Return what parts alone hold: the two ends of each that can not let a line close, and bulkheads the ground."""
    holds = Held()
    for name, run in planned.runs.items():
        for place, part in enumerate(run.parts):
            if part.kind is Kind.BULKHEAD:
                holds.join((name, 2 * place), (GROUND, -1))
            if not lets_close(part):
                holds.join((name, 2 * place), (name, 2 * place + 1))
    return holds


def _holding(planned: Network, joints: Sequence[PlannedJoint], shut: Iterable[Opened]) -> Held:
    """Return what holds on to each other before anything is joined, with these unions left shut."""
    holds = held_by_parts(planned)
    for one in shut:
        holds.join((one.run, 2 * one.place), (one.run, 2 * one.place + 1))
    for joint in joints:
        if not joint.made and not joint.closing:
            holds.join(joint.before, joint.after)
    return holds


def _closers(planned: Network) -> Iterator[Opened]:
    for name, run in planned.runs.items():
        for place, part in enumerate(run.parts):
            if part.kind in SEPARABLE and part.kind not in _SOFT:
                yield Opened(name, place, part.existing)


def _one_to_open(
    planned: Network,
    joints: Sequence[PlannedJoint],
    closers: Sequence[Opened],
    opened: Sequence[Opened],
    need: PlannedJoint | None,
) -> Opened | None:
    """Return the standing union that is nearest to a joint, in its run first, of those that set it free."""
    assert need is not None
    shut = [one for one in closers if one.stands and one not in opened]
    able = []
    for one in shut:
        holds = _holding(planned, joints, [other for other in shut if other != one])
        for joint in joints:
            if joint.made and not joint.closing and joint != need:
                holds.join(joint.before, joint.after)
        if need.before is not None and need.after is not None and not holds.same(need.before, need.after):
            able.append(one)
    return min(
        able, key=lambda one: (one.run != need.run, abs(one.place - need.index), one.run, one.place), default=None
    )


def _new_that_close(planned: Network, joints: Sequence[PlannedJoint], closers: Sequence[Opened]) -> Iterator[Opened]:
    """Yield the new unions that a stretch closes at: both their sides are held when all else is joined."""
    holds = _holding(planned, joints, [one for one in closers if one.stands])
    for joint in joints:
        if joint.made and not joint.closing:
            holds.join(joint.before, joint.after)
    for one in closers:
        if not one.stands and not holds.join((one.run, 2 * one.place), (one.run, 2 * one.place + 1)):
            yield one


def planned_joints(stood: Network, planned: Network, name: str) -> Iterator[PlannedJoint]:
    """Yield the joints of one planned run, those in open water left out."""
    run, old = planned.runs[name], stood.runs[name]
    made = joints_made(run.parts, old_places(run.parts, old.parts), len(old.parts), tees_kept(stood, planned, name))
    legs = legs_m(run.parts)
    for joint in range(len(run.parts) + 1):
        before, after = _body(planned, run, joint - 1, True), _body(planned, run, joint, False)
        if before is None or after is None:
            continue
        (first, end), (second, other) = before, after
        joint_how = mating(end, other) if end is not None and other is not None else None
        soft = other if other is not None and other.form in (Form.HOSE, Form.TUBE) else end
        pipe = next((p.item for p in _around(run.parts, joint) if p.kind in PIPES and p.item is not None), None)
        yield PlannedJoint(
            name,
            joint,
            first,
            second,
            made[joint],
            end is not None and other is not None and closes_itself(end, other),
            legs[joint],
            _diameter_m(pipe),
            joint_how.method if joint_how is not None else "",
            soft.size if soft is not None else "",
        )


def _around(parts: Sequence[Part], joint: int) -> Iterator[Part]:
    """Yield the parts from a joint outwards, nearest first, up to the next bend on either side."""
    for away in (parts[joint:], parts[:joint][::-1]):
        for part in away:
            if part.kind in _BENDS or part.kind in _HELD:
                break
            yield part


def _diameter_m(pipe: CatalogItem | None) -> float:
    return 0.0 if pipe is None else pipe.outside_diameter_m


def _body(planned: Network, run: Run, index: int, last: bool) -> tuple[Node, End | None] | None:
    """Return the body on one side of a joint and the end that it offers; None where there is nothing but water."""
    if 0 <= index < len(run.parts):
        part = run.parts[index]
        if part.kind is Kind.OPEN_JOINT:
            return None
        return (run.name, 2 * index + last), (part.ends[-1 if last else 0] if part.ends else None)
    end = run.start if index < 0 else run.end
    if planned.points[end.point].kind is PointKind.SUPPLY:
        return (GROUND, -1), None
    tee = planned.tees.get(end.point)
    if tee is None:
        return None
    opening = tee.item.ends[LEGS.index(end.leg)] if tee.item is not None and end.leg in LEGS else None
    return (end.point, -1), opening


def diameters_m(pipes: Iterable[CatalogItem]) -> Mapping[str, float]:
    """Return the outside diameters of pipe by nominal size [m], of several the largest."""
    found: dict[str, float] = {}
    for item in pipes:
        for end in item.ends[:1]:
            found[end.size] = max(found.get(end.size, 0.0), item.outside_diameter_m)
    return found
