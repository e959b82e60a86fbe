"""Every efficient chain from an end to all others, by label setting over the end graph.

A chain is efficient if no other with the same faults is at least as good in price, loss at the flow asked for, number
of joints that can leak, length and being unboltable, and better in one. Fewer pieces may be as good; one is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from optimizer.joints.bores import UNKNOWN, Approach, aftermath, into_opening, through
from optimizer.joints.chains import STUB_CLEARANCE_M, Chain, EndGraph, material_of
from optimizer.joints.mating import Mating, material_refusal, mating
from optimizer.model.catalog import PIPES, Kind
from optimizer.model.ends import End
from optimizer.model.kinds import MACHINES
from optimizer.model.materials import is_metal
from optimizer.model.network import Part

LossAtFlow = Callable[[Part], float]  # head that a piece takes [m], for water in the order of its ends
_SAME = 1e-12


@dataclass(frozen=True, slots=True)
class Label:
    """A chain with all that it is judged by. `faults` are the reasons why it must not be used; none: allowed.

    `joints` counts every place that can leak: two for two sockets on a stub, one more for the O-ring inside a union.
    """

    chain: Chain
    cents: int = 0
    loss_m: float = 0.0
    joints: int = 0
    length_m: float = 0.0
    unbolts: bool = False
    faults: frozenset[str] = frozenset()
    approach: Approach = UNKNOWN

    def as_good_as(self, other: Label) -> bool:
        """Return whether the other is not better in anything."""
        return (
            self.faults == other.faults
            and self.cents <= other.cents
            and self.joints <= other.joints
            and self.loss_m <= other.loss_m + _SAME
            and self.length_m <= other.length_m + _SAME
            and (self.unbolts or not other.unbolts)
            and self.approach.bore_m == other.approach.bore_m
            and aftermath(self.approach) <= aftermath(other.approach)
        )


State = tuple[End, bool]  # an open end, and whether metal offers it


class _Step(NamedTuple):
    """One piece put onto an open end: the state that it offers then, and what it adds."""

    part: Part
    joint: Mating
    state: State
    cents: int
    loss_m: float
    joints: int
    length_m: float
    unbolts: bool
    faults: frozenset[str]


@dataclass
class Labels:
    """Finds and remembers what can be reached from each end.

    With the end graph's `refused`, chains with faults are found beside the sound ones. `loss` is what a piece takes
    alone at a flow, `per_square_m` the square of that flow [m⁶/s²] by which its joints lose; the bores of the two ends
    that are joined are those of the catalog's rows with such ends.
    """

    end_graph: EndGraph
    loss: LossAtFlow
    per_square_m: float = 0.0
    _from: dict[End, dict[State, list[Label]]] = field(default_factory=dict)
    _losses: dict[tuple[str, bool], float] = field(default_factory=dict)
    _bores: dict[End, float] = field(default_factory=dict)
    _steps: dict[tuple[End, str], list[_Step]] = field(default_factory=dict)

    def between(self, start: End, goal: End) -> tuple[Label, ...]:
        """Return the efficient chains from one end to another: sound ones first, then by price."""
        found: list[Label] = []
        for (far, _), labels in self._reached(start).items():
            joint = mating(far, goal)
            if joint is None:
                continue
            for label in labels:
                closed = self._closed(label, joint, far, goal)
                if closed is not None:
                    insert(found, closed)
        return tuple(sorted(found, key=lambda label: (bool(label.faults), label.cents, label.joints, label.loss_m)))

    def _reached(self, start: End) -> dict[State, list[Label]]:
        if start not in self._from:
            self._from[start] = self._walk(start)
        return self._from[start]

    def _walk(self, start: End) -> dict[State, list[Label]]:
        first = Label(Chain((), ()), approach=Approach(self._bore_m(start)))
        reached: dict[State, list[Label]] = {(start, False): [first]}
        edge: list[tuple[End, Label]] = [(start, first)]
        for _ in range(self.end_graph.max_pieces):
            fresh = [
                (longer.chain.pieces[-1].ends[1], longer)
                for at, label in edge
                for longer in self._longer(at, label, reached)
            ]
            edge = [(at, label) for at, label in fresh if label in reached[_state(label)]]
        return reached

    def _longer(self, at: End, label: Label, reached: dict[State, list[Label]]) -> Iterator[Label]:
        """Yield the chain with one more piece, for each that goes on from its open end and is put among the reached."""
        chain, approach = label.chain, label.approach
        for step in self._onto(at, last_material(chain)):
            bores = through(approach, step.part)
            judged = (
                label.cents + step.cents,
                label.loss_m + step.loss_m + bores.square_s2_m5 * self.per_square_m,
                label.joints + step.joints,
                label.length_m + step.length_m,
                label.unbolts or step.unbolts,
                label.faults | step.faults,
                bores.after,
            )
            others = reached.setdefault(step.state, [])
            if not _dropped(others, Label(chain, *judged)):  # as it is judged; written out where it stays
                longer = Label(Chain((*chain.pieces, step.part), (*chain.matings, step.joint)), *judged)
                _put(others, longer)
                yield longer

    def _onto(self, at: End, material: str) -> list[_Step]:
        """Return every piece that goes onto an open end of a material, with what it adds."""
        if (at, material) not in self._steps:
            self._steps[at, material] = [
                self._step(at, material, *found) for found in self.end_graph.pieces_onto(at, material)
            ]
        return self._steps[at, material]

    def _step(self, at: End, material: str, joint: Mating, part: Part) -> _Step:
        assert part.item is not None
        why = material_refusal(at, material, part.ends[0], part.item.material)
        return _Step(
            part,
            joint,
            (part.ends[1], is_metal(part.item.material)),
            part.item.price_cents,
            self._loss(part),
            joint.joints + (part.kind is Kind.UNION),
            joint_length_m(joint) + piece_length_m(part),
            part.kind is Kind.UNION or joint.unbolts,
            frozenset(self.end_graph.why_refused(part.item)) | ({why} if why else set()),
        )

    def _closed(self, label: Label, joint: Mating, far: End, goal: End) -> Label | None:
        """Return the chain with its last joint made; None where that joint is refused and not asked for."""
        why = material_refusal(far, last_material(label.chain), goal, "")
        if why and not self.end_graph.refused:
            return None
        bore_m = self._bore_m(goal)
        lost = into_opening(label.approach, bore_m, turns=False).square_s2_m5 if bore_m else 0.0
        return Label(
            Chain(label.chain.pieces, (*label.chain.matings, joint)),
            label.cents,
            label.loss_m + lost * self.per_square_m,
            label.joints + joint.joints,
            label.length_m + joint_length_m(joint),
            label.unbolts or joint.unbolts,
            label.faults | ({why} if why else set()),
        )

    def narrower_m(self, first: End, second: End) -> float:
        """Return the narrower of the usual bores of two ends [m]."""
        return min(self._bore_m(first), self._bore_m(second))

    def _bore_m(self, end: End) -> float:
        """Return the widest bore of what has such an end in the catalog, pipe and machines only where nothing else."""
        if end not in self._bores:
            rows = [
                (item, at)
                for item in self.end_graph.catalog.items.values()
                for at, one in enumerate(item.ends)
                if one == end
            ]
            pieces = [(item, at) for item, at in rows if item.kind not in PIPES | MACHINES]
            self._bores[end] = max((item.end_bores_m[at] for item, at in pieces or rows), default=0.0)
        return self._bores[end]

    def _loss(self, part: Part) -> float:
        assert part.item is not None
        key = (part.item.item_id, part.reverse)
        if key not in self._losses:
            self._losses[key] = self.loss(part)
        return self._losses[key]


def insert(labels: list[Label], label: Label) -> bool:
    """Put a label among others unless one of them is as good; return whether it went in."""
    if _dropped(labels, label):
        return False
    _put(labels, label)
    return True


def _dropped(labels: list[Label], label: Label) -> bool:
    cents = label.cents  # asked before all else: most others are left at that
    return any(other.cents <= cents and other.as_good_as(label) for other in labels)


def _put(labels: list[Label], label: Label) -> None:
    cents = label.cents
    labels[:] = [other for other in labels if cents > other.cents or not label.as_good_as(other)]
    labels.append(label)


def piece_length_m(part: Part) -> float:
    """Return what a piece adds to the line [m]: its take-outs, or the length of a hose."""
    if part.kind in PIPES or part.item is None:
        return part.length_m
    return sum(part.item.take_outs_m)


def joint_length_m(joint: Mating) -> float:
    """Return what a joint adds to the line [m]: the pipe that shows between two hubs, else nothing."""
    return STUB_CLEARANCE_M if joint.method == "stub" else 0.0


def last_material(chain: Chain) -> str:
    """Return what a chain's open end is made of; empty where it has no piece yet."""
    return material_of(chain.pieces[-1]) if chain.pieces else ""


def _state(label: Label) -> State:
    last = label.chain.pieces[-1]
    return last.ends[1], is_metal(material_of(last))
