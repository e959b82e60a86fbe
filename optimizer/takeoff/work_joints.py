"""A plan → the joints that the work makes, each with its letter, and which of them closes a run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from optimizer.joints.closing import (
    GROUND,
    Assembly,
    Opened,
    PlannedJoint,
    assembly,
    held_by_parts,
    planned_joints,
)
from optimizer.model.ends import Form
from optimizer.model.kinds import PIPES, SEPARABLE
from optimizer.model.network import Network, Run
from optimizer.model.plan import Plan, planned_network

_LETTERS = "ABCDEFGHJKLMPQRSTUVWYZ"  # no I and O; N is new, X comes out
BENCH, IN_PLACE = "bench", "in place"


@dataclass(frozen=True, slots=True)
class WorkJoint:
    """One joint that is made, by its letter. Joint i of a run is before its part i.

    `where` says whether it is made at the bench, both its sides being new, or in place; `method` is what seals it,
    `nut` whether that is a compression nut. What closes with both its sides held (`closing`: hose on a barb, say) is
    made in place: on the bench it would have to turn with the thread that it hangs on.
    """

    letter: str
    run: str
    index: int
    method: str
    size: str
    before: str
    after: str
    where: str
    nut: bool = False
    closing: bool = False


@dataclass(frozen=True, slots=True)
class RunJoints:
    """The joints of a run in the order of the water, and how its last one closes.

    `in_place` are the letters of those that are made in place, in the order in which they are made: from what is held
    towards what is free, and last what closes with both its sides held. `opened` are the unions that let the run
    close, new ones too, by their place in it or in another run; `sprung` the letters of joints that a long leg of pipe
    springs aside for. `free` says which end of the run hangs free when the last joint is made: "start", "end" or
    neither.
    """

    joints: tuple[WorkJoint, ...]
    in_place: tuple[str, ...] = ()
    opened: tuple[Opened, ...] = ()
    sprung: tuple[str, ...] = ()
    free: str = ""

    def letter(self, index: int) -> str:
        """Return the letter of the joint before a part; empty where none is made."""
        return next((joint.letter for joint in self.joints if joint.index == index), "")


def joints_of(network: Network, plan: Plan, bend: bool = False) -> dict[str, RunJoints]:
    """Return the joints of every run of a plan, lettered through all runs in the order in which they are made."""
    planned = planned_network(network, plan)
    stood = plan.stands or network
    how = assembly(stood, planned, bend)
    told: dict[str, RunJoints] = {}
    count = 0
    for name in how.order:
        made = [joint for joint in planned_joints(stood, planned, name) if joint.made]
        joints = []
        for joint in made:
            joints.append(_joint(planned, joint, _letter(count), (name, joint.index) in how.sprung))
            count += 1
        told[name] = _run_joints(planned, name, made, joints, how)
    return told


def _letter(number: int) -> str:
    """Return A ... Z, AA, AB ... for 0, 1 ..., without letters that look like numbers or mark parts in a sketch."""
    letters = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, len(_LETTERS))
        letters = _LETTERS[rest] + letters
    return letters


def _joint(planned: Network, joint: PlannedJoint, letter: str, sprung: bool) -> WorkJoint:
    run = planned.runs[joint.run]
    sides = (joint.index - 1, joint.index)
    fresh = [0 <= at < len(run.parts) and not run.parts[at].existing for at in sides]
    before, after = (_beside(planned, joint.run, at) for at in sides)
    where = BENCH if all(fresh) and not sprung and not joint.closing else IN_PLACE
    method = "cement" if joint.method == "stub" else joint.method  # on the stub that was left
    ends = [run.parts[at].ends[-1 if at < joint.index else 0] for at in sides if _has_ends(run, at)]
    nut = any(end.form is Form.COMPRESSION for end in ends)
    return WorkJoint(letter, joint.run, joint.index, method, joint.size, before, after, where, nut, joint.closing)


def _has_ends(run: Run, at: int) -> bool:
    return 0 <= at < len(run.parts) and bool(run.parts[at].ends)


def _beside(planned: Network, name: str, index: int) -> str:
    run = planned.runs[name]
    if 0 <= index < len(run.parts):
        return run.parts[index].words
    return f"the tee at {(run.start if index < 0 else run.end).point}"


def _run_joints(
    planned: Network, name: str, made: Sequence[PlannedJoint], joints: Sequence[WorkJoint], how: Assembly
) -> RunJoints:
    placed = [joint for joint in joints if joint.where == IN_PLACE]
    free = _free_end(planned, name, made)
    opened = tuple(one for one in how.opened if one.run == name)
    if made and not opened:
        opened = tuple(_own_unions(planned, name, made)[:1])
    if made and not opened and not free:  # unions of other runs let this one close
        opened = tuple(one for one in how.opened if one.stands)
    sprung = tuple(joint.letter for joint in joints if (name, joint.index) in how.sprung)
    if free == "start":
        placed.reverse()
    placed.sort(key=lambda joint: (joint.closing, joint.letter in sprung))
    order = [joint.letter for joint in placed]
    return RunJoints(tuple(joints), tuple(order), opened, sprung, free)


def _own_unions(planned: Network, name: str, made: Sequence[PlannedJoint]) -> list[Opened]:
    """Return the unions of a run, the one next to a joint that is made first: easier to open than to move a line."""
    parts = planned.runs[name].parts
    places = [i for i, part in enumerate(parts) if part.kind in SEPARABLE and part.kind not in PIPES]
    nearest = sorted(places, key=lambda i: min(abs(i + 0.5 - joint.index) for joint in made))
    return [Opened(name, place, parts[place].existing) for place in nearest]


def _free_end(planned: Network, name: str, made: Sequence[PlannedJoint]) -> str:
    """Return which end of a run hangs free while its joints are made: the last one in the order of the water first."""
    if not made:
        return ""
    holds = held_by_parts(planned)
    for other in planned.runs:
        marked = {joint.index for joint in made} if other == name else set()
        for joint in planned_joints(planned, planned, other):
            if joint.index not in marked and not joint.closing:
                holds.join(joint.before, joint.after)
    ends = (made[0].before, made[-1].after)
    held = [end is not None and holds.same(end, (GROUND, -1)) for end in ends]
    same = ends[0] is not None and ends[1] is not None and holds.same(*ends)
    if same:
        return ""
    return "end" if not held[1] else ("start" if not held[0] else "")
