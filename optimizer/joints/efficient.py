"""The efficient adapter chains between two ends: label setting in the end graph.

A chain is dropped only if another is no worse in price, in both loss coefficients, in stubs of pipe, in what seals its
joints and in being separable.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

from optimizer.joints.chains import Chain, EndGraph, material_of
from optimizer.joints.mating import METALS, material_refusal, mating
from optimizer.model.catalog import Kind
from optimizer.model.ends import End, SizeSystem
from optimizer.model.network import Part

_State = tuple[End, bool]  # an open end, and whether metal offers it
# (linear, square) loss coefficients of a piece, for flow in the order of its ends
Measure = Callable[[Part], tuple[float, float]]


@dataclass(frozen=True, slots=True)
class _Label:
    chain: Chain
    cents: int = 0
    linear: float = 0.0
    square: float = 0.0
    stubs: int = 0

    def dominates(self, other: _Label) -> bool:
        return (
            self.cents <= other.cents
            and self.linear <= other.linear
            and self.square <= other.square
            and self.stubs <= other.stubs
            and (self.chain.separable or not other.chain.separable)
            and _seals(self.chain) <= _seals(other.chain)
        )


def _material(label: _Label) -> str:
    """Return what the label's open end is made of; empty at the end that it set out from."""
    return material_of(label.chain.pieces[-1]) if label.chain.pieces else ""


def _seals(chain: Chain) -> frozenset[str]:
    return frozenset(joint.method for joint in chain.matings)


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

    def between(self, start: End, goal: End, direct: bool = True) -> tuple[Chain, ...]:
        """Return the efficient chains from one end to another, cheapest first; none when there is no way.

        Without `direct` the two ends can not meet even if they mate (a pipe was cut too short): at least one piece goes
        between them.
        """
        key = (start, goal, direct)
        if key not in self._between:
            self._between[key] = tuple(label.chain for label in self._find(start, goal, direct))
        return self._between[key]

    def _find(self, start: End, goal: End, direct: bool) -> Iterable[_Label]:
        systems = frozenset({start.system, goal.system})
        plain = SizeSystem.THREAD not in systems and len(systems) == 1 and _is_pipe(start) and _is_pipe(goal)
        backwards = goal.form.is_thread and not start.form.is_thread
        root, other = (goal, start) if backwards else (start, goal)
        reached = self._walk(root, backwards, systems if plain else systems | {SizeSystem.THREAD})
        found: list[_Label] = []
        for (far, _), labels in reached.items():
            joint = mating(far, other)
            if joint is None:
                continue
            for label in labels:
                if (not direct and not label.chain.pieces) or material_refusal(far, _material(label), other, ""):
                    continue
                chain = Chain(label.chain.pieces, (*label.chain.matings, joint))
                stubs = label.stubs + (joint.method == "stub")
                _insert(found, _Label(chain, label.cents, label.linear, label.square, stubs))
        ordered = sorted(found, key=lambda label: (label.cents, label.square))
        return [_turned(label) for label in ordered] if backwards else ordered

    def _walk(self, root: End, backwards: bool, systems: frozenset[SizeSystem]) -> dict[_State, list[_Label]]:
        """Return the efficient labels of every end that few enough pieces reach; unions only beside threads."""
        key = (root, backwards, systems)
        if key in self._outwards:
            return self._outwards[key]
        plain = SizeSystem.THREAD not in systems
        most = 2 if plain else self.end_graph.max_pieces
        reached: dict[_State, list[_Label]] = {(root, False): [_Label(Chain((), ()))]}
        edge = [(root, reached[root, False][0])]
        for _ in range(most):
            fresh: list[tuple[End, _Label]] = []
            for at, label in edge:
                for joint, part in self.end_graph.pieces_onto(at, _material(label)):
                    far = part.ends[1]
                    if far.system not in systems or (part.kind is Kind.UNION and (plain or label.chain.separable)):
                        continue
                    longer = self._longer(label, joint.method, Chain((part,), (joint,)), backwards)
                    if _insert(reached.setdefault((far, material_of(part) in METALS), []), longer):
                        fresh.append((far, longer))
            edge = fresh
        self._outwards[key] = reached
        return reached

    def _longer(self, label: _Label, method: str, step: Chain, backwards: bool) -> _Label:
        part = step.pieces[0]
        assert part.item is not None
        linear, square = self.measure(_reversed(part) if backwards else part)
        return _Label(
            Chain((*label.chain.pieces, part), (*label.chain.matings, *step.matings)),
            label.cents + part.item.price_cents,
            label.linear + linear,
            label.square + square,
            label.stubs + (method == "stub"),
        )


def _insert(labels: list[_Label], label: _Label) -> bool:
    """Put a label among its equals unless one of them is no worse; return whether it went in."""
    if any(other.dominates(label) for other in labels):
        return False
    labels[:] = [other for other in labels if not label.dominates(other)]
    labels.append(label)
    return True


def _is_pipe(end: End) -> bool:
    return not end.form.is_thread


def _reversed(part: Part) -> Part:
    return replace(part, ends=part.ends[::-1], end_bores_m=part.end_bores_m[::-1], reverse=not part.reverse)


def _turned(label: _Label) -> _Label:
    chain = Chain(tuple(_reversed(part) for part in reversed(label.chain.pieces)), label.chain.matings[::-1])
    return _Label(chain, label.cents, label.linear, label.square, label.stubs)
