"""A plan → what speaks against it: every target, every limit and everything unsafe, as the network solution has it.

So do straights whose new parts are longer or shorter than what stood there, with both their sides held. A bend, a tee
or a pump may move over by a little where all that hangs on it hangs free; the papers say by how much. Where both sides
are held by tanks, by walls or by each other, a straight that is too long is not built at all.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from optimizer.clock import unlimited
from optimizer.joints.closing import GROUND, Held, Node, planned_joints
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.network import Condition, Network
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan, Verification, planned_network
from optimizer.model.safety import Verdict
from optimizer.model.system import System
from optimizer.takeoff.cut_list import fits_of
from optimizer.takeoff.fit import straight_numbers
from optimizer.verify.check import assembly_of, verify_plan

_SOFT = (Kind.HOSE, Kind.TUBE)


@dataclass(frozen=True, slots=True)
class Verdicts:
    """What the checks say of a plan: `unsafe` is what the work makes unsafe, `missed` all else that it fails by.

    `lasting` counts what is unsafe with it, whether it was before or not.
    """

    missed: tuple[Note, ...]
    unsafe: tuple[Note, ...]
    lasting: int
    stuck: bool = False  # it cannot be put together as it is
    misfits: tuple[Misfit, ...] = ()  # straights that do not fit, with both sides held

    @property
    def failures(self) -> tuple[Note, ...]:
        return (*self.missed, *self.unsafe)


def cut_apart(system: System, plan: Plan) -> System:
    """Return the system with its plumbing cut apart where a plan joins what is new; as it is where nothing does."""
    return system if plan.stands is None else replace(system, network=plan.stands, second_pump=None, carried_m3_s=None)


def verdicts(system: System, plan: Plan, catalog: Catalog) -> Verdicts:
    """Return what the checks say of a plan that was found; its plumbing is rebuilt and solved as a network."""
    with unlimited():  # what was found late is told
        return verdicts_of(system, plan, catalog, verify_plan(cut_apart(system, plan), plan))


def verdicts_of(system: System, plan: Plan, catalog: Catalog, verification: Verification) -> Verdicts:
    """Return what the checks say of a plan whose network solution is there already."""
    safety = verification.safety
    unsafe = () if safety is None else safety.failures
    missed = tuple(each for each in verification.failures if each not in unsafe)
    lasting = 0 if safety is None else sum(check.verdict is Verdict.UNSAFE for check in safety.checks)
    unfit = misfits(system, plan, catalog)
    missed = (*missed, *misfit_notes(system, plan, unfit))
    return Verdicts(missed, unsafe, lasting, bool(assembly_of(system, plan).stuck), unfit)


@dataclass(frozen=True, slots=True)
class Misfit:
    """A straight of a run, by its number, that is so much longer than its place (shorter: below 0) [m]."""

    run: str
    straight: int
    off_m: float


def misfits(system: System, plan: Plan, catalog: Catalog) -> tuple[Misfit, ...]:
    """Return the straights that do not fit though nothing on either side can move; none where pipe may be bent to fit.

    Flexible hose or tube on the way round lets its two sides move.
    """
    if system.rules.bend_to_fit:
        return ()
    stood = plan.stands or system.network
    planned = planned_network(system.network, plan)
    return tuple(
        Misfit(name, straight, off_m)
        for name, fit in fits_of(stood, plan, catalog).items()
        for straight, off_m in fit.left_over_m.items()
        if _is_held(stood, planned, name, straight)
    )


def with_straights_kept(system: System, found: tuple[Misfit, ...]) -> System:
    """Return a system in which what stands in these straights, and the bends at their ends, stays as it is."""
    runs = dict(system.network.runs)
    for one in found:
        if one.run in runs:
            parts = runs[one.run].parts
            numbers, corners = straight_numbers(parts)
            opening = [i for i in corners if numbers[i] == one.straight - 1]
            stays = {i for i, number in enumerate(numbers) if number == one.straight} | set(opening)
            kept = (replace(p, condition=Condition.KEEP) if i in stays else p for i, p in enumerate(parts))
            runs[one.run] = replace(runs[one.run], parts=tuple(kept))
    return replace(system, network=system.network.with_runs(runs))


def _is_held(stood: Network, planned: Network, name: str, straight: int) -> bool:
    """Return whether the two sides of a straight hold on to each other by all that is not part of it."""
    parts = planned.runs[name].parts
    numbers, corners = straight_numbers(parts)
    first = next((i for i in corners if numbers[i] == straight - 1), -1)
    last = next((i for i in corners if numbers[i] == straight), len(parts))
    holds = Held()
    for run in planned.runs.values():
        for place in range(len(run.parts)):
            if run.name != name or not first < place < last:
                _hold_part(holds, run.name, place, run.parts[place].kind)
    sides: dict[int, tuple[Node | None, Node | None]] = {}
    for run in planned.runs.values():
        for joint in planned_joints(stood, planned, run.name):
            if run.name == name and first < joint.index <= last:
                sides[joint.index] = joint.before, joint.after
            else:
                holds.join(joint.before, joint.after)
    before, after = sides.get(first + 1, (None, None))[0], sides.get(last, (None, None))[1]
    return before is not None and after is not None and holds.same(before, after)


def _hold_part(holds: Held, run: str, place: int, kind: Kind) -> None:
    if kind is Kind.BULKHEAD:
        holds.join((run, 2 * place), (GROUND, -1))
    if kind not in _SOFT:
        holds.join((run, 2 * place), (run, 2 * place + 1))


def misfit_notes(system: System, plan: Plan, found: tuple[Misfit, ...]) -> Iterator[Note]:
    """Yield what does not fit, and what would let it in."""
    planned = planned_network(system.network, plan)
    for one in found:
        parts = planned.runs[one.run].parts
        numbers, corners = straight_numbers(parts)
        ends = (next((i for i in corners if numbers[i] == one.straight - by), None) for by in (1, 0))
        points = planned.runs[one.run].start.point, planned.runs[one.run].end.point
        names = [point if at is None else parts[at].words for at, point in zip(ends, points, strict=True)]
        code = "too long there" if one.off_m > 0 else "too short there"
        yield note(code, run=one.run, first=names[0], last=names[1], off_m=abs(one.off_m))
