"""Every efficient chain from an end to all others, by label setting over the end graph.

A chain is efficient if no other with the same faults is at least as good in price, loss at the flow asked for, number
of joints that can leak, length and being unboltable, and better in one. Fewer pieces may be as good; one is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

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
                for longer in self._longer(at, label)
                if insert(reached.setdefault(_state(longer), []), longer)
            ]
            edge = [(at, label) for at, label in fresh if label in reached[_state(label)]]
        return reached

    def _longer(self, at: End, label: Label) -> Iterable[Label]:
        """Yield the chain with one more piece, for each that goes on from its open end."""
        own = last_material(label.chain)
        for joint, part in self.end_graph.pieces_onto(at, own):
            assert part.item is not None
            why = material_refusal(at, own, part.ends[0], part.item.material)
            step = through(label.approach, part)
            yield Label(
                Chain((*label.chain.pieces, part), (*label.chain.matings, joint)),
                label.cents + part.item.price_cents,
                label.loss_m + self._loss(part) + step.square_s2_m5 * self.per_square_m,
                label.joints + joint.joints + (part.kind is Kind.UNION),
                label.length_m + joint_length_m(joint) + piece_length_m(part),
                label.unbolts or part.kind is Kind.UNION or joint.unbolts,
                label.faults | set(self.end_graph.why_refused(part.item)) | ({why} if why else set()),
                step.after,
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
    if any(other.as_good_as(label) for other in labels):
        return False
    labels[:] = [other for other in labels if not label.as_good_as(other)]
    labels.append(label)
    return True


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
