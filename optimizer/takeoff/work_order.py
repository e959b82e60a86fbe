"""A plan → the work, run by run, in the order in which a person does it: drain, open, saw, dry-fit, bench, in place.

Steps are told as codes and values; `documents` has the words for them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from optimizer.choices.fronts import opened
from optimizer.joints.mating import mating
from optimizer.model.catalog import CHECKS, PIPES, Kind
from optimizer.model.circuits import Feed, feed_of
from optimizer.model.cure import CureTime
from optimizer.model.network import Network, Part, Run
from optimizer.model.note import Note
from optimizer.model.plan import Plan, RunPlan
from optimizer.takeoff.cut_list import CutList
from optimizer.takeoff.fate import REUSABLE, fate_of
from optimizer.takeoff.fit import Fit, Sawn, Stub
from optimizer.takeoff.places import Place, TeeSide, places_of, tee_side
from optimizer.takeoff.work_joints import BENCH, RunJoints, WorkJoint, joints_of

DRAIN, CUT, OPEN, TAKE_OUT, DRY_FIT = "drain", "cut", "open", "remove", "dry-fit"
CEMENT, THREAD, CLOSE, CURE, MIND = "cement", "join", "close", "cure", "note"


@dataclass(frozen=True, slots=True)
class WorkStep:
    """One step. `kind` is the word in front of it; `code` says what is done, with the values that it is done with.

    `parts` are the parts that it is about in trade words, `lengths_m` lengths by what they are, `letters` joints,
    `joints` how many joints of which nominal size, `note` what is told as it is, `told` what is to be seen to.
    """

    kind: str
    code: str
    parts: tuple[str, ...] = ()
    lengths_m: Mapping[str, float] = field(default_factory=dict)
    letters: tuple[str, ...] = ()
    joints: Mapping[str, int] = field(default_factory=dict)
    minutes: Mapping[str, float] = field(default_factory=dict)
    note: str = ""
    told: Note | None = None


@dataclass(frozen=True, slots=True)
class RunWork:
    """The steps for one run, with the tees at its ends that are renewed; and its joints with their letters."""

    run: str
    steps: tuple[WorkStep, ...]
    joints: RunJoints = field(default_factory=lambda: RunJoints(()))


def work_order(
    network: Network,
    plan: Plan,
    cuts: CutList,
    cure: Mapping[str, CureTime],
    bend: bool = False,
) -> tuple[RunWork, ...]:
    """Return the work on every run that changes, in the order of the file.

    Parameters
    ----------
    network, plan
        The plumbing as it stands, and what becomes of it.
    cuts
        The cut list: its marks are named where a piece goes in, and what is sawn off and left is as it says.
    cure
        Cement times by nominal size.
    bend
        Whether a long leg of pipe may spring aside for the last joint.
    """
    joints = joints_of(network, plan, bend)
    work = _Work(plan.stands or network, plan, cuts, cure, joints)
    return tuple(RunWork(name, tuple(work.steps(name)), joints[name]) for name in joints if work.changes(name))


@dataclass(frozen=True)
class _Work:
    network: Network
    plan: Plan
    cuts: CutList
    cure: Mapping[str, CureTime]
    joints: Mapping[str, RunJoints]

    def changes(self, name: str) -> bool:
        run_plan = self.plan.runs[name]
        return bool(run_plan.changes or run_plan.removed or run_plan.joints)

    def steps(self, name: str) -> Iterator[WorkStep]:
        run, run_plan, joints = self.network.runs[name], self.plan.runs[name], self.joints[name]
        places = places_of(run, run_plan, self._tee(run, 0), self._tee(run, 1))
        fit = self.cuts.fits.get(name, Fit())
        if run.is_plumbed:
            code = "drain" if feed_of(self.network, name) is not Feed.HOUSE else "drain house water"
            yield WorkStep(DRAIN, code, (run.name, run.start.point, run.end.point))
        yield from self._standing_unions(name)
        yield from self._openings(places)
        yield from self._sawn_for_tee(name)
        yield from self._saws(run, run_plan, fit, joints)
        yield from (WorkStep(MIND, "note", told=note) for note in self.cuts.notes if note.run == name)
        yield from _take_out(run_plan, self._old_tees(run))
        yield from self._dry_fits(run_plan, places, joints)
        yield from _joining(joints)
        yield from self._closing(name, joints)
        yield from self._curing(joints)
        if any(part.kind in CHECKS and not part.existing for part in run_plan.parts):
            yield WorkStep(MIND, "check valve")

    # tees

    def _tee(self, run: Run, side: int) -> TeeSide:
        return tee_side(self.network, self.plan, run, side)

    def _old_tees(self, run: Run) -> list[str]:
        """Return the tees that come out with a run: each with the run that starts or ends there first."""
        found = []
        for point in (run.start.point, run.end.point):
            tee_plan = self.plan.tees.get(point)
            first = next(r.name for r, _, _ in self.network.runs_at(point)) if tee_plan else ""
            if tee_plan is not None and tee_plan.removed and first == run.name:
                found += [f"{item.description} at {point}" for item in tee_plan.removed]
        return found

    # opening

    def _standing_unions(self, name: str) -> Iterator[WorkStep]:
        """Yield the unions that stand and are opened so that the run can close."""
        for one in self.joints[name].opened:
            if one.stands:
                part = self.plan.runs[one.run].parts[one.place]
                yield WorkStep(OPEN, "union", (part.words, *self._beside_in_plan(one.run, one.place)))

    def _beside_in_plan(self, name: str, place: int) -> tuple[str, ...]:
        parts = self.plan.runs[name].parts
        beside = next((part for part in (*parts[place + 1 :], *parts[:place][::-1]) if part.kind not in PIPES), None)
        return (beside.words if beside is not None else name,)

    def _openings(self, places: Iterable[Place]) -> Iterator[WorkStep]:
        for place in places:
            if place.left and place.right and place.left.part and place.left.part is place.right.part:
                continue  # one pipe or hose that is cut in two: its joints stay as they are
            for side in (place.left, place.right):
                if side is None or side.end is None or side.neighbour_end is None:
                    continue
                if (
                    side.part is not None
                    and side.neighbour is not None
                    and {side.part.kind, side.neighbour.kind} <= PIPES
                ):
                    continue  # one pipe, told as its two pieces: it is sawn
                front = opened(side.end, side.part, side.neighbour_end, side.neighbour)
                if front is not None and not front.cut:
                    joint = mating(side.end, side.neighbour_end)
                    code = {"clamp": "loosen", "sleeve": "loosen", "push": "release"}.get(
                        joint.method if joint else "", "unscrew"
                    )
                    yield WorkStep(OPEN, code, (side.neighbour_words, side.words))

    def _saws(self, run: Run, run_plan: RunPlan, fit: Fit, joints: RunJoints) -> Iterator[WorkStep]:
        """Yield where to saw, in the order of the water: pipe that stays, and stubs in fittings that stay."""
        waiting = list(fit.sawn)
        cuts: list[tuple[float, WorkStep]] = []
        while waiting:
            sawn = waiting.pop(0)
            twin = next((one for one in waiting if one.piece and _is_one_pipe(run, sawn.stood, one.stood)), None)
            if sawn.piece and twin is not None and twin.place > sawn.place:
                waiting.remove(twin)
                cuts.append((sawn.place, self._saw_out(run, run_plan, sawn, twin)))
            else:
                cuts.append((sawn.place, self._saw(run, run_plan, sawn)))
        cuts += [(stub.joint - 0.5, self._stub(run, run_plan, stub, joints)) for stub in fit.stubs]
        yield from (step for _, step in sorted(cuts, key=lambda pair: pair[0]))

    def _saw(self, run: Run, run_plan: RunPlan, sawn: Sawn) -> WorkStep:
        part = run_plan.parts[sawn.place]
        lengths = {"whole": sawn.whole_m, "off": sawn.off_m, "stays": sawn.stays_m}
        before, after = (self._old_neighbour(run, sawn.stood, step) for step in (-1, +1))
        if sawn.piece:
            far = before if sawn.at_end else after
            return WorkStep(CUT, "through", (part.words, far), lengths)
        if sawn.at_start and sawn.at_end:
            return WorkStep(CUT, "both ends", (part.words, before, after), lengths)
        near, far = (after, before) if sawn.at_end else (before, after)
        return WorkStep(CUT, "short of", (part.words, near, far), lengths)

    def _saw_out(self, run: Run, run_plan: RunPlan, first: Sawn, last: Sawn) -> WorkStep:
        lengths = {
            "whole": first.whole_m,
            "first": first.stays_m,
            "last": last.stays_m,
            "out": first.whole_m - first.stays_m - last.stays_m,
        }
        pipe = run_plan.parts[first.place]
        if pipe.kind is not Kind.PIPE:  # it gives: what goes onto the barbs is taken up by the line
            lengths["first"] = lengths["last"] = first.whole_m / 2
        before = self._old_neighbour(run, first.stood, -1)
        after = self._old_neighbour(run, last.stood, +1)
        between = run_plan.parts[first.place + 1 : last.place]
        what = next((part.words for part in between if part.kind not in PIPES), "")
        code = "out of" if pipe.kind is Kind.PIPE else "in two"
        return WorkStep(CUT, code, (pipe.words, before, after, what), lengths)

    def _sawn_for_tee(self, name: str) -> Iterator[WorkStep]:
        """Yield where to saw for a tee that is set into a pipe: told once, with the first run that keeps a piece.

        What stands is told as cut apart there: one run ends at the tee and another begins there with the same pipe.
        """
        for end in (self.network.runs[name].start, self.network.runs[name].end):
            tee = self.network.tees.get(end.point)
            if self.plan.stands is None or tee is None or tee.item is not None:
                continue
            stood = [(r, r.parts[0 if at_start else -1]) for r, _, at_start in self.network.runs_at(end.point)]
            kept = [(r, part) for r, part in stood if part.kind in PIPES and part in self.plan.runs[r.name].parts]
            if not kept or kept[0][0].name != name:
                continue
            pipe = kept[0][1]
            whole_m = sum(part.length_m for _, part in stood if part.kind in PIPES and part.item is pipe.item)
            code = "for a tee" if len(kept) > 1 else "for a tee, once"
            yield WorkStep(CUT, code, (pipe.words, end.point), {"whole": whole_m})

    def _old_neighbour(self, run: Run, stood: int, step: int) -> str:
        place = stood + step
        if 0 <= place < len(run.parts):
            return the(run.parts[place])
        end = run.start if place < 0 else run.end
        return f"the tee at {end.point}" if end.point in self.network.tees else f"the open end at {end.point}"

    def _stub(self, run: Run, run_plan: RunPlan, stub: Stub, joints: RunJoints) -> WorkStep:
        before = stub.joint > 0 and run_plan.parts[stub.joint - 1].existing
        at_tee = stub.joint in (0, len(run_plan.parts)) and not before
        if at_tee or stub.joint == 0:
            stays = f"the tee at {(run.start if stub.joint == 0 else run.end).point}"
            old = run.parts[0 if stub.joint == 0 else -1]
        else:
            part = run_plan.parts[stub.joint - 1 if before else stub.joint]
            place = next(i for i, one in enumerate(run.parts) if one is part or one == part)
            stays, old = f"the {part.words}", run.parts[min(max(place + (1 if before else -1), 0), len(run.parts) - 1)]
        lengths = {"whole": old.length_m, "leave": stub.leave_m}
        return WorkStep(CUT, "stub", (the(old), stays), lengths, (joints.letter(stub.joint),))

    # fitting and joining

    def _dry_fits(self, run_plan: RunPlan, places: Iterable[Place], joints: RunJoints) -> Iterator[WorkStep]:
        for place in places:
            if place.new or place.left_words:
                yield WorkStep(DRY_FIT, "row", self._row(run_plan, place), letters=_letters(place, joints))
        yield WorkStep(DRY_FIT, "mark the turns")

    def _row(self, run_plan: RunPlan, place: Place) -> tuple[str, ...]:
        """Return what stands in a row: what stays, the new parts with the marks of the pieces, what stays."""
        marks = {piece.position - 1: piece.mark for piece in self.cuts.pieces if piece.run == run_plan.run}
        new = [
            f"mark {marks[index]} ({run_plan.parts[index].words})" if index in marks else run_plan.parts[index].words
            for index in place.new
        ]
        return (place.left_words, *new, place.right_words)

    def _closing(self, name: str, joints: RunJoints) -> Iterator[WorkStep]:
        """Yield how the run closes: at a union, by a leg that springs aside, or at its free end."""
        if not joints.joints:
            return
        for one in joints.opened:
            part = self.plan.runs[one.run].parts[one.place]
            code = "union that stands" if one.stands else "new union"
            yield WorkStep(CLOSE, code, (part.words, *self._beside_in_plan(one.run, one.place)))
        if joints.sprung:
            yield WorkStep(CLOSE, "spring", letters=joints.sprung)
        closing = any(joint.closing for joint in joints.joints)
        if not joints.opened and not joints.sprung and not closing and joints.in_place:
            run = self.network.runs[name]
            end = run.end if joints.free == "end" else run.start
            if joints.free:
                yield WorkStep(CLOSE, "free end", (end.point,), letters=joints.in_place[-1:])

    def _curing(self, joints: RunJoints) -> Iterator[WorkStep]:
        sizes = Counter(joint.size for joint in joints.joints if joint.method == "cement")
        if not sizes:
            return
        times = [self.cure[size] for size in sizes if size in self.cure]
        if len(times) < len(sizes):
            yield WorkStep(CURE, "as the can says")
            return
        slowest = max(times, key=lambda time: (time.cure_min, time.basis != "published"))
        minutes = {"set": slowest.set_min, "cure": slowest.cure_min}
        if slowest.cold_cure_min is not None:
            minutes["cold cure"] = slowest.cold_cure_min
        yield WorkStep(CURE, "wait", minutes=minutes, note=slowest.basis)


def _joining(joints: RunJoints) -> Iterator[WorkStep]:
    """Yield the joints at the bench, threads first, then those in place, and last what closes with its sides held."""
    bench = [joint for joint in joints.joints if joint.where == BENCH]
    placed = {joint.letter: joint for joint in joints.joints if joint.where != BENCH}
    in_order = [placed[letter] for letter in joints.in_place]
    for code, group in (("bench", bench), ("in place", in_order)):
        for closing in (False, True):
            for method in ("tape", "washer", "swivel", "clamp", "nut", "push", "sleeve", "cement"):
                made = [j for j in group if j.closing is closing and ("nut" if j.nut else j.method) == method]
                if made:
                    yield _joint_step(code, method, made)


def _joint_step(where: str, method: str, made: Iterable[WorkJoint]) -> WorkStep:
    joints = list(made)
    sizes = Counter(joint.size for joint in joints)
    letters = tuple(joint.letter for joint in joints)
    return WorkStep(CEMENT if method == "cement" else THREAD, f"{method}, {where}", letters=letters, joints=sizes)


def _is_one_pipe(run: Run, stood: int, other: int) -> bool:
    """Return whether two pieces come from one pipe, which the plumbing as it stands may tell as two."""
    halves = other == stood + 1 and {run.parts[stood].kind, run.parts[other].kind} <= PIPES
    return other == stood or halves


def _letters(place: Place, joints: RunJoints) -> tuple[str, ...]:
    """Return the letter of each joint of a row: before its first new part ... behind its last one."""
    return tuple(joints.letter(index) for index in range(place.joint, place.joint + len(place.new) + 1))


def the(part: Part) -> str:
    """Return a part that stands in trade words."""
    return f"the {part.words}"


def _take_out(run_plan: RunPlan, tees: Iterable[str]) -> Iterator[WorkStep]:
    gone = [part for part in run_plan.removed if part.kind is not Kind.OPEN_JOINT]
    counted = Counter(part.words for part in gone)
    words = (*tees, *(name if count == 1 else f"{name} (× {count})" for name, count in counted.items()))
    if words:
        again = dict.fromkeys(part.words for part in gone if fate_of(part.kind, part.ends)[0] == REUSABLE)
        yield WorkStep(TAKE_OUT, "remove", words, note=", ".join(again))
