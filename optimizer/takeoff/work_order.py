"""A plan → the work, run by run, in the order in which a person does it: drain, cut here, dry-fit, join, wait, test."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from optimizer.choices.fronts import Front, opened
from optimizer.joints.mating import mating
from optimizer.model.catalog import CHECKS, PIPES, Catalog, CatalogItem, Kind
from optimizer.model.cure import CureTime
from optimizer.model.ends import End, Form
from optimizer.model.network import Network, Part, Run
from optimizer.model.plan import Plan, RunPlan, Verification
from optimizer.takeoff.cut_list import CutList
from optimizer.takeoff.fate import REUSABLE, fate_of
from optimizer.takeoff.fitted import LEGS
from optimizer.units import show_length

DRAIN, CUT, OPEN, TAKE_OUT, DRY_FIT = "drain", "cut here", "open", "take out", "dry-fit"
CEMENT, THREAD, CURE, TEST, MIND = "cement", "join", "cure", "test", "mind"
_CHECK_WORDS = (
    "the check valve's arrow points with the water; a swing check lies level or has the water rise through it "
    "(common practice, no source)"
)
_SEALS = {
    "tape": "PTFE tape on the male taper thread, wound the way it turns in; hand tight plus 1 to 1-1/2 turns",
    "washer": "a new flat washer in the female half, no tape; hand tight plus a quarter turn",
    "clamp": "hose pushed on to the shoulder, clamp behind the last barb",
    "push": "tube cut square and pushed in to the stop; pull back to test",
}


@dataclass(frozen=True, slots=True)
class WorkStep:
    """One step; `kind` is the word in front of it."""

    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class RunWork:
    """The steps for one run, with the tees at its ends that are renewed."""

    run: str
    steps: tuple[WorkStep, ...]


def work_order(
    network: Network,
    plan: Plan,
    verification: Verification,
    catalog: Catalog,
    cuts: CutList,
    cure: Mapping[str, CureTime],
    units: str,
) -> tuple[RunWork, ...]:
    """Return the work on every run that changes, in the order of the file.

    Parameters
    ----------
    network, plan, verification
        The plumbing as it stands, what becomes of it, and how its valves are to be set.
    catalog
        For the depth of sockets: as long as a stub must be.
    cuts
        The cut list, whose marks are named where a piece goes in.
    cure
        Cement times by nominal size.
    units
        How lengths are written.
    """
    work = _Work(network, plan, verification, catalog, cuts, cure, units)
    return tuple(RunWork(name, tuple(work.steps(name))) for name in plan.runs if work.changes(name))


@dataclass(frozen=True, slots=True)
class _Side:
    """What stays on one side of a place that changes, and what it was joined to."""

    words: str
    end: End | None
    part: Part | None
    neighbour_end: End | None
    neighbour: Part | None
    neighbour_words: str


@dataclass(frozen=True, slots=True)
class _Place:
    """One place of a run that changes: between two things that stay (None: open water, or a tee that goes)."""

    left: _Side | None
    right: _Side | None
    new: tuple[int, ...]  # places in the planned run
    left_words: str
    right_words: str
    sawn: str = ""  # the pipe that is sawn through here for a valve, a pump or a tee
    for_what: str = "valve"


@dataclass(frozen=True)
class _Work:
    network: Network
    plan: Plan
    verification: Verification
    catalog: Catalog
    cuts: CutList
    cure: Mapping[str, CureTime]
    units: str

    def changes(self, name: str) -> bool:
        run_plan = self.plan.runs[name]
        return bool(run_plan.changes or run_plan.removed or run_plan.joints)

    def steps(self, name: str) -> Iterator[WorkStep]:
        run, run_plan = self.network.runs[name], self.plan.runs[name]
        places = _places(run, run_plan, self._tee(run, 0), self._tee(run, 1), self.units)
        if run.is_plumbed:
            yield WorkStep(DRAIN, _drain_words(run))
        yield from self._openings(places)
        yield from self._sawn_for_tee(run, run_plan)
        for note in self.cuts.notes:
            if note.startswith(f"run {name}: "):
                yield WorkStep(MIND, note.removeprefix(f"run {name}: "))
        yield from _take_out(run_plan, self._old_tees(run))
        for place in places:
            if place.new or place.left_words:
                yield WorkStep(DRY_FIT, self._fit_words(name, run_plan, place))
        yield WorkStep(DRY_FIT, "mark the turns across every joint, then take it apart again")
        yield from self._joining(run_plan)
        if any(part.kind in CHECKS and not part.existing for part in run_plan.parts):
            yield WorkStep(MIND, _CHECK_WORDS)
        yield WorkStep(TEST, self._test_words(name))

    # tees

    def _tee(self, run: Run, side: int) -> _TeeSide:
        end = (run.start, run.end)[side]
        old = self.network.tees.get(end.point)
        if old is None:
            return _TeeSide(end.point, None, None, True, True)
        tee_plan = self.plan.tees.get(end.point)
        kept = tee_plan is None or tee_plan.tee.existing
        new = old if tee_plan is None else tee_plan.tee
        return _TeeSide(end.point, _opening(old.item, end.leg), _opening(new.item, end.leg), kept, False)

    def _old_tees(self, run: Run) -> list[str]:
        """Return the tees that come out with a run: each with the run that starts or ends there first."""
        found = []
        for point in (run.start.point, run.end.point):
            tee_plan = self.plan.tees.get(point)
            first = next(r.name for r, _, _ in self.network.runs_at(point)) if tee_plan else ""
            if tee_plan is not None and tee_plan.removed and first == run.name:
                found += [f"{item.description} at {point}" for item in tee_plan.removed]
        return found

    def _sawn_for_tee(self, run: Run, run_plan: RunPlan) -> Iterator[WorkStep]:
        """Yield the cut for a tee that a new run joins at: told with the run that ends there, which keeps its half."""
        joins = {other.end.point for other in self.network.runs.values() if not other.is_plumbed}
        half = run.parts[-1]
        if run.is_plumbed and run.end.point in joins and half.kind in PIPES and half in run_plan.parts:
            whole = _the(replace(half, length_m=2.0 * half.length_m), self.units)
            words = f"saw {whole} through square, where the tee goes, and shorten its two pieces by what is new there"
            yield WorkStep(CUT, words)

    # words

    def _openings(self, places: Sequence[_Place]) -> Iterator[WorkStep]:
        for place in places:
            if place.sawn:
                yield WorkStep(
                    CUT, f"saw {place.sawn} through square, where the {place.for_what} goes; both pieces stay"
                )
                continue
            for side in (place.left, place.right):
                step = None if side is None else self._opening_step(side)
                if step is not None:
                    yield step

    def _opening_step(self, side: _Side) -> WorkStep | None:
        if side.end is None or side.neighbour_end is None:
            return None
        if side.part is not None and side.neighbour is not None and {side.part.kind, side.neighbour.kind} <= PIPES:
            whole = _the(replace(side.part, length_m=side.part.length_m + side.neighbour.length_m), self.units)
            hidden_m = self.catalog.socket_depths_m.get(End(Form.SOCKET, side.end.size, side.end.system), 0.0)
            more = show_length(hidden_m, self.units)
            words = (
                f"saw {whole} through square; {side.words}, and {more} more for the socket, stays, the other piece goes"
            )
            return WorkStep(CUT, words)
        front = opened(side.end, side.part, side.neighbour_end, side.neighbour)
        if front is None:
            return None
        if not front.cut:
            joint = mating(side.end, side.neighbour_end)
            how = {"clamp": "loosen the clamp and pull off", "push": "release"}.get(joint.method if joint else "", "")
            return WorkStep(OPEN, f"{how or 'unscrew'} {side.neighbour_words} from {side.words}")
        return WorkStep(CUT, self._cut_words(side, front))

    def _cut_words(self, side: _Side, front: Front) -> str:
        if side.part is not None and side.part.kind in PIPES:
            return f"saw {side.words} square, at the face of {side.neighbour_words}; it stays, the fitting goes"
        stub_m = self.catalog.socket_depths_m.get(End(Form.SOCKET, front.end.size, front.end.system), 0.0)
        return (
            f"saw {side.neighbour_words} square and leave a stub of at least {show_length(stub_m, self.units)} "
            f"in {side.words}"
        )

    def _fit_words(self, name: str, run_plan: RunPlan, place: _Place) -> str:
        marks = {piece.position - 1: piece for piece in self.cuts.pieces if piece.run == name}
        words = []
        for index in place.new:
            piece = marks.get(index)
            part = run_plan.parts[index]
            if piece is not None:
                cut = show_length(piece.cut_m, self.units)
                words.append(f"piece {piece.mark} ({part.words}, cut {cut})")
            else:
                words.append(part.words)
        between = f"{place.left_words} → " if place.left_words else ""
        after = f" → {place.right_words}" if place.right_words else ""
        return f"{between}{' → '.join(words) or 'nothing between'}{after}"

    def _joining(self, run_plan: RunPlan) -> Iterator[WorkStep]:
        made: dict[str, Counter[str]] = {}
        for joint in run_plan.joints:
            made.setdefault(joint.method, Counter())[joint.size] += 1
        if "cement" in made:
            yield WorkStep(CEMENT, f"{_counted(made['cement'])}: primer, then cement on both, push home, hold")
        for method, seal in _SEALS.items():
            if method in made:
                yield WorkStep(THREAD, f"{_counted(made[method])}: {seal}")
        if "cement" in made:
            yield WorkStep(CURE, self._cure_words(made["cement"]))

    def _cure_words(self, sizes: Mapping[str, int]) -> str:
        times = [self.cure[size] for size in sizes if size in self.cure]
        if len(times) < len(sizes):
            return "leave the joints alone for the time on the can"
        slowest = max(times, key=lambda time: (time.cure_min, time.basis != "published"))
        source = "a cement maker's chart for 16 to 38 °C" if slowest.basis == "published" else slowest.basis
        return (
            f"do not move the joints for {slowest.set_min:g} min, no water for {slowest.cure_min:g} min after the last "
            f"one ({source}); half as long again when damp, longer when cold; the can's own times win"
        )

    def _test_words(self, name: str) -> str:
        valves = [setting.words for setting in self.verification.valves if setting.run == name]
        told = f"; set the {' and the '.join(valves)}" if valves else ""
        return f"fill slowly with the pump at its lowest, look at every new joint, then the full flow{told}"


@dataclass(frozen=True, slots=True)
class _TeeSide:
    """The tee at one end of a run: its opening as it stands and as planned; `water`: there is none."""

    point: str
    old: End | None
    new: End | None
    kept: bool
    water: bool


def _opening(item: CatalogItem | None, leg: object) -> End | None:
    return item.ends[LEGS.index(leg)] if item is not None and leg in LEGS else None


def _places(run: Run, run_plan: RunPlan, first: _TeeSide, last: _TeeSide, units: str) -> list[_Place]:
    """Return the places of a run that change, each between two things that stay."""
    old, new = run_plan.stood(run.parts), run_plan.parts
    stood = _old_places(old, run_plan)
    kept = [(index, place) for index, place in enumerate(stood) if place is not None]
    edges = [(-1, -1), *kept, (len(new), len(old))]
    found = []
    for (new_left, old_left), (new_right, old_right) in pairwise(edges):
        at_tee = (old_left == -1 and not first.kept) or (old_right == len(old) and not last.kept)
        fresh = tuple(range(new_left + 1, new_right))
        if fresh or old_right > old_left + 1 or at_tee:
            left = _side(old, old_left, +1, first, last, units)
            right = _side(old, old_right, -1, first, last, units)
            words = _border_words(old, old_left, old_right, first, last)
            sawn = _the(old[old_left], units) if 0 <= old_left == old_right else ""
            halves = old[old_left : old_right + 1] if 0 <= old_left < old_right < len(old) else ()
            if len(halves) == 2 and {part.kind for part in halves} <= PIPES:  # one pipe, told as its two halves
                sawn = _the(replace(halves[0], length_m=sum(half.length_m for half in halves)), units)
            what = "pump" if any(new[i].kind is Kind.PUMP for i in fresh) else "valve"
            found.append(_Place(left, right, fresh, *words, sawn, what))
    return found


def _old_places(old: Sequence[Part], run_plan: RunPlan) -> list[int | None]:
    """Return where each planned part stood, None for a new one; of two alike, the very one that stayed."""
    gone = {id(part) for part in run_plan.removed}
    left = [index for index, part in enumerate(old) if id(part) not in gone and part.kind is not Kind.OPEN_JOINT]
    count = sum(part.existing for part in run_plan.parts)
    if len(left) != count:  # not the very objects: by what they are, in order
        left = _matched(old, run_plan)
    places = iter(left)
    return [next(places) if part.existing else None for part in run_plan.parts]


def _matched(old: Sequence[Part], run_plan: RunPlan) -> list[int]:
    """Return where planned parts stood by what they are; both pieces of a sawn pipe stood in one place."""
    found, at = [], 0
    for part in run_plan.parts:
        if part.existing:
            place = next(index for index in range(at, len(old)) if old[index] == part or _is_cut_from(part, old[index]))
            found.append(place)
            at = place + (old[place] == part)
    return found


def _is_cut_from(piece: Part, pipe: Part) -> bool:
    shorter = pipe.kind in PIPES and piece.length_m < pipe.length_m
    return shorter and replace(pipe, length_m=piece.length_m) == piece


def _side(old: Sequence[Part], index: int, step: int, first: _TeeSide, last: _TeeSide, units: str) -> _Side | None:
    """Return what stays at an index, as it faces the place that changes; None where nothing does."""
    if index in (-1, len(old)):
        tee, end_part = (first, old[0]) if index == -1 else (last, old[-1])
        if not tee.kept or tee.water or tee.old is None:
            return None
        end = end_part.ends[0 if index == -1 else -1]
        return _Side(f"the tee at {tee.point}", tee.old, None, end, end_part, _the(end_part, units))
    part, place = old[index], index + step
    mine = part.ends[-1 if step > 0 else 0]
    if 0 <= place < len(old):
        other = old[place]
        if other.kind is Kind.OPEN_JOINT:
            return _Side(_the(part, units), mine, part, None, None, "")
        return _Side(_the(part, units), mine, part, other.ends[0 if step > 0 else -1], other, _the(other, units))
    tee = last if step > 0 else first
    return _Side(_the(part, units), mine, part, tee.old, None, f"the tee at {tee.point}")


def _border_words(old: Sequence[Part], left: int, right: int, first: _TeeSide, last: _TeeSide) -> tuple[str, str]:
    start = ("" if first.water else f"tee at {first.point}") if left == -1 else old[left].words
    end = ("" if last.water else f"tee at {last.point}") if right == len(old) else old[right].words
    return start, end


def _the(part: Part, units: str) -> str:
    """Return a part that stands, a pipe with the length that tells it from its like."""
    if part.kind in PIPES:
        return f"the {part.words} of {show_length(part.length_m, units)}"
    return f"the {part.words}"


def _drain_words(run: Run) -> str:
    return (
        f"switch off and unplug the pump; shut what feeds {run.name} and let it run empty into a bucket, from "
        f"{run.start.point} to {run.end.point}"
    )


def _take_out(run_plan: RunPlan, tees: Iterable[str]) -> Iterator[WorkStep]:
    gone = [part for part in run_plan.removed if part.kind is not Kind.OPEN_JOINT]
    counted = Counter(part.words for part in gone)
    words = [*tees, *(name if count == 1 else f"{name} (× {count})" for name, count in counted.items())]
    if not words:
        return
    again = [part.words for part in gone if fate_of(part.kind, part.ends)[0] == REUSABLE]
    keep = f". Keep for use: {', '.join(dict.fromkeys(again))}" if again else ""
    yield WorkStep(TAKE_OUT, ", ".join(words) + keep)


def _counted(sizes: Mapping[str, int]) -> str:
    total = sum(sizes.values())
    told = ", ".join(f"{count} at {size}" for size, count in sizes.items())
    return f"{total} joint{'s' * (total > 1)} ({told})"
