"""The efficient adapter chains between two ends: label setting in the end graph.

A chain is dropped only if another may stand wherever it may and is no worse in anything that a plan counts: price, both
loss coefficients, water held, minutes of work, what seals its joints, the stubs of pipe that it takes, being separable.
How far a chain reaches decides where it may stand, so it is weighed with the rest. The bores of its two neighbours are
known, so that what it loses counts the joints with them. No piece of it is of a smaller size than the smaller of the
two ends, unless nothing else joins them: nobody necks a line down to join it (common practice, no source). Only what a
widening at its end may lose further on is left out of the comparison: it grows with what the widening loses itself,
which counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

from optimizer.joints.bores import Approach, Steps, into_opening, past
from optimizer.joints.chains import MOST_PIECES, Chain, EndGraph, material_of
from optimizer.joints.growing_chain import (
    Counts,
    Label,
    State,
    Step,
    Uses,
    chain_of,
    insert,
    is_beaten,
    longer_by,
    reversed_part,
    with_uses,
)
from optimizer.joints.mating import Mating, material_refusal, mates, mating
from optimizer.model.catalog import Kind
from optimizer.model.ends import End, SizeSystem, about_as_wide_mm
from optimizer.model.materials import is_metal
from optimizer.model.network import Part

_THREADS = frozenset({SizeSystem.THREAD})
# linear and square loss coefficients of a piece, for flow in the order of its ends, and the water in it [m³]
Measure = Callable[[Part], tuple[float, float, float]]
_NOTHING = (0.0, 0.0, 0.0)
_ROUNDING = 1e-12  # of a sum of a few
_AS_WIDE = 0.9  # of a size: what stands beside it in another system is no smaller


@dataclass(frozen=True, slots=True)
class Need:
    """What a chain must do besides mating: reach so far [m], and go between two ends that can not meet themselves.

    A stub of pipe is cut to any length, so a chain with one in it reaches as far as it must.
    """

    reach_m: float = 0.0
    between: bool = False


MEETING = Need()


@dataclass
class EfficientChains:
    """Finds and remembers the efficient chains of an end graph for one measure of loss.

    Pieces stay in the size systems of the two ends and of threads. From a threaded end the search walks outwards,
    whichever way the water goes, so that it runs once per port and not once per pipe size. `minutes` is the work on a
    joint by what seals it, where work has a price. With `throats` a wider chain may serve where a narrower one is
    forbidden, for its velocity.
    """

    end_graph: EndGraph
    measure: Measure | None  # None: what a piece loses is not asked for
    minutes: Mapping[str, int] = field(default_factory=dict)
    throats: bool = False
    _outwards: dict[tuple[object, ...], dict[State, list[Label]]] = field(default_factory=dict)
    _between: dict[tuple[End, End, Need, tuple[float, float]], tuple[Chain, ...]] = field(default_factory=dict)
    _onto: dict[tuple[End, str, bool], Mapping[End, list[Step]]] = field(default_factory=dict)
    _onto_one: dict[tuple[End, str, bool, End], tuple[Step, ...]] = field(default_factory=dict)
    _measures: dict[tuple[str, bool, bool], tuple[float, float, float]] = field(default_factory=dict)
    _uses: Uses = field(default_factory=Uses)

    def between(
        self, start: End, goal: End, need: Need = MEETING, bores_m: tuple[float, float] = (0.0, 0.0)
    ) -> tuple[Chain, ...]:
        """Return the efficient chains from one end to another, cheapest first; none when there is no way.

        `bores_m` are those of the two parts that are joined, 0 where one is not known.
        """
        key = (start, goal, need, bores_m)
        if key not in self._between:
            found = tuple(self._find(start, goal, need, bores_m, _least_mm(start, goal)))
            if not found and self.end_graph.max_pieces < MOST_PIECES:
                found = self._longer.between(start, goal, need, bores_m)
            elif not found:
                found = tuple(self._find(start, goal, need, bores_m, 0.0))
            self._between[key] = found
        return self._between[key]

    def least_cents(self, start: End, goal: End) -> int | None:
        """Return the price of the cheapest chain of `between`, where nothing but the price counts; None: no way."""
        least = self._least_cents(start, goal, _least_mm(start, goal))
        if least is None and self.end_graph.max_pieces < MOST_PIECES:
            return self._longer.least_cents(start, goal)
        return self._least_cents(start, goal, 0.0) if least is None else least

    def _least_cents(self, start: End, goal: End, least_mm: float) -> int | None:
        plain, allowed = _limits(start, goal)
        most = 2 if plain else self.end_graph.max_pieces
        least: int | None = None
        edge = {(start, ""): 0}  # by the open end and what it is made of: the price up to there
        for pieces in range(most + 1):
            for (far, material), cents in edge.items():
                if mating(far, goal) is not None and not material_refusal(far, material, goal, ""):
                    least = cents if least is None else min(least, cents)
            longer: dict[tuple[End, str], int] = {}
            for (end, material), cents in edge.items() if pieces < most else ():
                for step in self._last_or_any(end, material, goal, pieces == most - 1):
                    total = cents + step.cents
                    state = step.state[0], material_of(step.part)
                    if state[0].system not in allowed or (step.union and plain) or _is_narrow(state[0], least_mm):
                        continue
                    if least is None or total < least:
                        longer[state] = min(total, longer.get(state, total))
            edge = longer
        return least

    def _last_or_any(self, end: End, material: str, goal: End, last: bool) -> Iterator[Step]:
        """Yield the pieces that go onto an end; as the last ones only those that lead to what the goal takes."""
        if not last:
            for steps in self._steps(end, material, False).values():
                yield from steps
            return
        for far, _ in mates(goal):
            yield from self._steps_to(end, material, False, far)

    @cached_property
    def _longer(self) -> EfficientChains:
        """What finds rows of one piece more, for ends that no shorter row joins."""
        graph = replace(self.end_graph, max_pieces=MOST_PIECES)
        return type(self)(graph, self.measure, self.minutes, self.throats)

    def _find(
        self, start: End, goal: End, need: Need, bores_m: tuple[float, float], least_mm: float
    ) -> Iterable[Chain]:
        backwards = goal.form.is_thread and not start.form.is_thread
        found: list[tuple[Label, Mating]] = []
        kept: list[Label] = []
        for label, step, counts, joint in self._fitting(start, goal, need, bores_m, least_mm):
            if is_beaten(kept, counts):  # even if its joints lost nothing
                continue
            ended = self._whole(label, step, counts, backwards, bores_m)
            if insert(kept, ended):
                found.append((ended, joint))
        yield from cheapest_first(found, kept, backwards)

    def _fitting(
        self, start: End, goal: End, need: Need, bores_m: tuple[float, float], least_mm: float
    ) -> Iterator[tuple[Label, Step | None, Counts, Mating]]:
        """Yield the chains that reach as far as they must, with the last piece, what counts of them, the last joint."""
        backwards = goal.form.is_thread and not start.form.is_thread
        root, other = (goal, start) if backwards else (start, goal)
        for label, step, far, joint in self._onto_goal(root, bores_m[backwards], other, backwards, need, least_mm):
            reach = label.reach if step is None else min(need.reach_m, label.reach + step.length)
            if step is not None and step.joint.method == "stub":
                reach = need.reach_m
            if joint.method != "stub" and reach < need.reach_m:
                continue
            if material_refusal(far, label.material if step is None else material_of(step.part), other, ""):
                continue
            reach = need.reach_m if joint.method == "stub" else reach
            yield label, step, self._ended(label, step, joint, far, reach), joint

    def _whole(
        self, label: Label, step: Step | None, counts: Counts, backwards: bool, bores_m: tuple[float, float]
    ) -> Label:
        """Return a chain with its last piece and all that its joints lose."""
        ended = Label(*counts, 0.0, *((step, label) if step is not None else (label.step, label.before)))
        square = math.fsum([one.square for one in ended.steps()])
        return ended._replace(square=square + self._joints_lost(ended, backwards, bores_m).square_s2_m5)

    def _onto_goal(
        self, root: End, bore_m: float, other: End, backwards: bool, need: Need, least_mm: float
    ) -> Iterator[tuple[Label, Step | None, End, Mating]]:
        """Yield chains with the last piece that leads to the last joint (None: they lead there), its end, the joint."""
        plain, allowed = _limits(root, other)
        last = mates(other)
        onto: dict[tuple[End, str], list[tuple[Step, End, Mating]]] = {}
        for (far, _, _), labels in self._walk(root, bore_m, backwards, allowed, need, least_mm).items():
            joint = mating(far, other)
            for label in labels:
                if joint is not None and not (need.between and label.step is None):
                    yield label, None, far, joint
                material = label.material
                if (far, material) not in onto:
                    onto[far, material] = [
                        (step, end, last_joint)
                        for end, last_joint in last
                        for step in self._steps_to(far, material, backwards, end)
                        if not (step.union and plain)
                    ]
                for step, end, last_joint in onto[far, material]:
                    yield label, step, end, last_joint

    def _ended(self, label: Label, step: Step | None, joint: Mating, far: End, reach: float) -> Counts:
        """Return what counts of a chain with its last piece and joint, but for what its joints lose."""
        cents, linear, _, water, minutes, uses, _, separable, throat, *_ = label
        minutes, separable, alone = minutes + self.minutes.get(joint.method, 0), separable or joint.unbolts, label.alone
        if step is not None:
            cents, linear, alone = cents + step.cents, linear + step.linear, alone + step.square
            water, minutes, uses = water + step.water, minutes + step.minutes, with_uses(uses, step.uses)
            separable, throat = separable or step.separable, min(throat, step.throat)
        uses = with_uses(uses, self._uses.of(joint, far))
        return cents, linear, alone * (1.0 - _ROUNDING), water, minutes, uses, reach, separable, throat

    def _joints_lost(self, label: Label, backwards: bool, bores_m: tuple[float, float]) -> Steps:
        """Return what the joints of a chain lose between neighbours of these bores [m], and how the water goes on."""
        bores = [step.bores for step in label.steps()]
        if backwards:
            bores = [(far, near) for near, far in reversed(bores)]
        inside = past(Approach(bores_m[0]), bores)
        if bores_m[1] <= 0.0:
            return inside
        last = into_opening(inside.after, bores_m[1], turns=False)
        return last._replace(square_s2_m5=inside.square_s2_m5 + last.square_s2_m5)

    def _walk(
        self, root: End, bore_m: float, backwards: bool, systems: frozenset[SizeSystem], need: Need, least_mm: float
    ) -> dict[State, list[Label]]:
        """Return the efficient labels of every end that few enough pieces reach, with one to spare."""
        key = (root, bore_m, backwards, systems, need, least_mm)
        if key in self._outwards:
            return self._outwards[key]
        plain = SizeSystem.THREAD not in systems
        most = 2 if plain else self.end_graph.max_pieces
        bare = Label(bore=bore_m)
        reached: dict[State, list[Label]] = {(root, False, bore_m): [bare]}
        edge = [(root, bare)]
        for _ in range(most - 1):
            fresh: list[tuple[End, Label]] = []
            for at, label in edge:
                for far, steps in self._steps(at, label.material, backwards).items():
                    if far.system not in systems or _is_narrow(far, least_mm):
                        continue
                    for step in steps:
                        if step.union and plain:
                            continue
                        longer = longer_by(label, step, need.reach_m, backwards)
                        if self._goes_on(reached.setdefault(step.state, []), longer):
                            fresh.append((far, longer))
            edge = fresh
        self._outwards[key] = reached
        return reached

    def _goes_on(self, labels: list[Label], label: Label) -> bool:
        """Put a chain among those that end alike, unless one of them is no worse; return whether it went in."""
        return insert(labels, label)

    def _steps(self, end: End, material: str, backwards: bool) -> Mapping[End, list[Step]]:
        """Return every piece that goes onto an open end, with what it adds, by the end that it leads to."""
        key = (end, material, backwards)
        if key not in self._onto:
            found: dict[End, list[Step]] = {}
            for step in self._make_steps(end, material, backwards):
                found.setdefault(step.state[0], []).append(step)
            self._onto[key] = found
        return self._onto[key]

    def _steps_to(self, end: End, material: str, backwards: bool, far: End) -> Sequence[Step]:
        """Return the pieces that go onto an open end and lead to one other end, without making all the others."""
        if (end, material, backwards) in self._onto:
            return self._onto[end, material, backwards].get(far, ())
        key = (end, material, backwards, far)
        if key not in self._onto_one:
            self._onto_one[key] = tuple(self._make_steps(end, material, backwards, far))
        return self._onto_one[key]

    def _make_steps(self, end: End, material: str, backwards: bool, far: End | None = None) -> Iterator[Step]:
        for joint, part in self.end_graph.pieces_onto(end, material, far):
            assert part.item is not None
            yield Step(
                part,
                joint,
                (part.ends[1], is_metal(material_of(part)), part.end_bores_m[1]),
                part.kind is Kind.UNION,
                part.kind is Kind.UNION or joint.unbolts,
                part.item.price_cents,
                *self._measured(part, backwards),
                self.minutes.get(joint.method, 0),
                self._uses.of(joint, end),
                sum(part.item.take_outs_m),
                (part.end_bores_m[0], part.end_bores_m[1]),
                min(part.end_bores_m) if self.throats else math.inf,
            )

    def _measured(self, part: Part, backwards: bool) -> tuple[float, float, float]:
        if self.measure is None:
            return _NOTHING
        assert part.item is not None
        key = (part.item.item_id, part.reverse, backwards)
        if key not in self._measures:
            self._measures[key] = self.measure(reversed_part(part) if backwards else part)
        return self._measures[key]


def cheapest_first(found: Iterable[tuple[Label, Mating]], kept: Iterable[Label], backwards: bool) -> Iterator[Chain]:
    """Yield those of the chains found that are kept in the end."""
    alive = {id(label) for label in kept}
    ordered = sorted((pair for pair in found if id(pair[0]) in alive), key=lambda pair: (pair[0].cents, pair[0].square))
    for label, joint in ordered:
        yield chain_of(label, joint, backwards)


def _limits(root: End, other: End) -> tuple[bool, frozenset[SizeSystem]]:
    """Return whether two ends are plain pipe of one table, and the size systems that a chain between them may go by."""
    systems = frozenset({root.system, other.system})
    plain = SizeSystem.THREAD not in systems and len(systems) == 1 and _is_pipe(root) and _is_pipe(other)
    return plain, systems if plain else systems | _THREADS


def _least_mm(start: End, goal: End) -> float:
    """Return below which size no piece between two ends may be [mm]."""
    return _AS_WIDE * min(about_as_wide_mm(end.size) for end in (start, goal))


def _is_narrow(end: End, least_mm: float) -> bool:
    return about_as_wide_mm(end.size) < least_mm


def _is_pipe(end: End) -> bool:
    return not end.form.is_thread
