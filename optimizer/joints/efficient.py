"""The efficient adapter chains between two ends: label setting in the end graph.

A chain is dropped only if another is no worse in price, in both loss coefficients, in stubs of pipe, in what seals its
joints and in being separable.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from optimizer.joints.chains import Chain, EndGraph, material_of
from optimizer.joints.mating import Mating, material_refusal, mating
from optimizer.model.catalog import Kind
from optimizer.model.ends import End, SizeSystem
from optimizer.model.materials import is_metal
from optimizer.model.network import Part

_State = tuple[End, bool]  # an open end, and whether metal offers it
# (linear, square) loss coefficients of a piece, for flow in the order of its ends
Measure = Callable[[Part], tuple[float, float]]


class _Step(NamedTuple):
    """One piece put onto an open end: how it mates there, the state that it offers then, what it adds."""

    part: Part
    joint: Mating
    state: _State
    union: bool
    cents: int
    linear: float
    square: float
    seal: int  # bit of what seals the joint


class _Label(NamedTuple):
    """A chain by its last step and the label before: only those that are asked for are ever written out."""

    cents: int = 0
    linear: float = 0.0
    square: float = 0.0
    stubs: int = 0
    seals: int = 0  # bits of what seals the joints
    separable: bool = False
    step: _Step | None = None
    before: _Label | None = None

    @property
    def material(self) -> str:
        """What the open end is made of; empty at the end that the label set out from."""
        return material_of(self.step.part) if self.step is not None else ""

    def steps(self) -> list[_Step]:
        """Return the steps from the first to the last."""
        found: list[_Step] = []
        at: _Label | None = self
        while at is not None and at.step is not None:
            found.append(at.step)
            at = at.before
        return found[::-1]


@dataclass
class EfficientChains:
    """Finds and remembers the efficient chains of an end graph for one measure of loss.

    Pieces stay in the size systems of the two ends and of threads. From a threaded end the search walks outwards,
    whichever way the water goes, so that it runs once per port and not once per pipe size.
    """

    end_graph: EndGraph
    measure: Measure
    _outwards: dict[tuple[End, bool, frozenset[SizeSystem]], dict[_State, list[_Label]]] = field(default_factory=dict)
    _between: dict[tuple[End, End, bool], tuple[Chain, ...]] = field(default_factory=dict)
    _onto: dict[tuple[End, str, bool], tuple[_Step, ...]] = field(default_factory=dict)
    _measures: dict[tuple[str, bool, bool], tuple[float, float]] = field(default_factory=dict)
    _seal_bits: dict[str, int] = field(default_factory=dict)

    def between(self, start: End, goal: End, direct: bool = True) -> tuple[Chain, ...]:
        """Return the efficient chains from one end to another, cheapest first; none when there is no way.

        Without `direct` the two ends can not meet even if they mate (a pipe was cut too short): at least one piece goes
        between them.
        """
        key = (start, goal, direct)
        if key not in self._between:
            self._between[key] = tuple(self._find(start, goal, direct))
        return self._between[key]

    def _find(self, start: End, goal: End, direct: bool) -> Iterable[Chain]:
        systems = frozenset({start.system, goal.system})
        plain = SizeSystem.THREAD not in systems and len(systems) == 1 and _is_pipe(start) and _is_pipe(goal)
        backwards = goal.form.is_thread and not start.form.is_thread
        root, other = (goal, start) if backwards else (start, goal)
        reached = self._walk(root, backwards, systems if plain else systems | {SizeSystem.THREAD})
        found: list[tuple[_Label, Mating]] = []
        kept: list[_Label] = []
        for (far, _), labels in reached.items():
            joint = mating(far, other)
            if joint is None:
                continue
            for label in labels:
                if (not direct and label.step is None) or material_refusal(far, label.material, other, ""):
                    continue
                ended = label._replace(
                    stubs=label.stubs + (joint.method == "stub"),
                    seals=label.seals | self._seal(joint),
                    separable=label.separable or joint.unbolts,
                )
                if _insert(kept, ended):
                    found.append((ended, joint))
        alive = {id(label) for label in kept}
        ordered = sorted(
            (pair for pair in found if id(pair[0]) in alive), key=lambda pair: (pair[0].cents, pair[0].square)
        )
        for label, joint in ordered:
            yield _chain(label, joint, backwards)

    def _walk(self, root: End, backwards: bool, systems: frozenset[SizeSystem]) -> dict[_State, list[_Label]]:
        """Return the efficient labels of every end that few enough pieces reach; unions only beside threads."""
        key = (root, backwards, systems)
        if key in self._outwards:
            return self._outwards[key]
        plain = SizeSystem.THREAD not in systems
        most = 2 if plain else self.end_graph.max_pieces
        reached: dict[_State, list[_Label]] = {(root, False): [_Label()]}
        edge = [(root, reached[root, False][0])]
        for _ in range(most):
            fresh: list[tuple[End, _Label]] = []
            for at, label in edge:
                for step in self._steps(at, label.material, backwards):
                    far = step.state[0]
                    if far.system not in systems or (step.union and (plain or label.separable)):
                        continue
                    longer = _longer(label, step)
                    if _insert(reached.setdefault(step.state, []), longer):
                        fresh.append((far, longer))
            edge = fresh
        self._outwards[key] = reached
        return reached

    def _steps(self, end: End, material: str, backwards: bool) -> tuple[_Step, ...]:
        """Return every piece that goes onto an open end, with what it adds."""
        key = (end, material, backwards)
        if key not in self._onto:
            self._onto[key] = tuple(self._make_steps(end, material, backwards))
        return self._onto[key]

    def _make_steps(self, end: End, material: str, backwards: bool) -> Iterator[_Step]:
        for joint, part in self.end_graph.pieces_onto(end, material):
            assert part.item is not None
            linear, square = self._measured(part, backwards)
            state = (part.ends[1], is_metal(material_of(part)))
            union = part.kind is Kind.UNION
            yield _Step(part, joint, state, union, part.item.price_cents, linear, square, self._seal(joint))

    def _measured(self, part: Part, backwards: bool) -> tuple[float, float]:
        assert part.item is not None
        key = (part.item.item_id, part.reverse, backwards)
        if key not in self._measures:
            self._measures[key] = self.measure(_reversed(part) if backwards else part)
        return self._measures[key]

    def _seal(self, joint: Mating) -> int:
        return self._seal_bits.setdefault(joint.method, 1 << len(self._seal_bits))


def _longer(label: _Label, step: _Step) -> _Label:
    return _Label(
        label.cents + step.cents,
        label.linear + step.linear,
        label.square + step.square,
        label.stubs + (step.joint.method == "stub"),
        label.seals | step.seal,
        label.separable or step.union or step.joint.unbolts,
        step,
        label,
    )


def _insert(labels: list[_Label], label: _Label) -> bool:
    """Put a label among its equals unless one of them is no worse; return whether it went in."""
    cents, linear, square, stubs, seals, separable, _, _ = label
    for c, low, sq, st, se, sep, _, _ in labels:  # the innermost loop of the search: no calls in it
        if c <= cents and low <= linear and sq <= square and st <= stubs and not se & ~seals and (sep or not separable):
            return False
    labels[:] = [
        other
        for other in labels
        if cents > other[0]
        or linear > other[1]
        or square > other[2]
        or stubs > other[3]
        or seals & ~other[4]
        or (other[5] and not separable)
    ]
    labels.append(label)
    return True


def _chain(label: _Label, last: Mating, backwards: bool) -> Chain:
    """Write a label out as a chain in the direction of the water."""
    steps = label.steps()
    pieces, matings = [step.part for step in steps], [*(step.joint for step in steps), last]
    if backwards:
        return Chain(tuple(_reversed(part) for part in reversed(pieces)), tuple(reversed(matings)))
    return Chain(tuple(pieces), tuple(matings))


def _is_pipe(end: End) -> bool:
    return not end.form.is_thread


def _reversed(part: Part) -> Part:
    return replace(part, ends=part.ends[::-1], end_bores_m=part.end_bores_m[::-1], reverse=not part.reverse)
