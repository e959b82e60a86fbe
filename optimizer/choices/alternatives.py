"""The efficient alternatives of a run at a known flow, by label-setting dynamic programming on its choice graph.

An alternative is dropped only if another is at least as good in every plan: no more head lost, and no more money
whatever the other runs buy. Pipe is sold in whole lengths that runs share, and the first can of cement serves all, so
"no more money" counts the whole lengths that the other one could add, and the first can where only the other one
needs it.
"""

from __future__ import annotations

import math
from bisect import insort
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from optimizer.choices.graph import SAW_CUT_M, Arc, ChoiceGraph, EndState
from optimizer.model.catalog import PIPES, CatalogItem
from optimizer.model.network import Part

LossOfPart = Callable[[Part], float]


@dataclass(frozen=True, slots=True)
class Shared:
    """What runs buy in common: pipe by whole sale lengths, and one pack of each consumable."""

    pipes: tuple[CatalogItem, ...]
    packs: tuple[tuple[str, int], ...]  # (method, price in cents of what the first such joint needs)

    def pipe_cents(self, used_mm: Sequence[int]) -> int:
        return sum(
            self.lengths(i, mm) * pipe.price_cents for i, (pipe, mm) in enumerate(zip(self.pipes, used_mm, strict=True))
        )

    def lengths(self, index: int, mm: int) -> int:
        """Return how many sale lengths give this much pipe."""
        return -(-mm // round(self.pipes[index].sale_length_m * 1000))


@dataclass(frozen=True, slots=True)
class Alternative:
    """One way to plumb a run: whole cents without pipe, head lost [m], pipe used [mm], packs that it opens (bits)."""

    cents: int
    loss_m: float
    pipe_mm: tuple[int, ...]
    packs: int
    arcs: tuple[Arc, ...]

    @property
    def parts(self) -> tuple[Part, ...]:
        return tuple(part for arc in self.arcs for part in arc.parts)


@dataclass(slots=True)
class _Label:
    cents: int
    loss_m: float
    pipe_mm: tuple[int, ...]
    packs: int
    back: _Label | None
    arc: Arc | None

    def __lt__(self, other: _Label) -> bool:
        return (self.loss_m, self.cents) < (other.loss_m, other.cents)


@dataclass(frozen=True, slots=True)
class _ArcNumbers:
    cents: int
    loss_m: float
    pipe_mm: tuple[int, ...]
    packs: int


@dataclass
class AlternativeTable:
    """Finds the efficient alternatives of one run for every pair of end states.

    Parameters
    ----------
    graph
        The run's choice graph.
    shared
        Pipe and packs that all runs share.
    loss_of_part
        Head lost [m] in a part at the run's flow; infinite where a rule forbids the part at that flow.
    entrance_loss, exit_loss
        Head lost [m] where the run's first part draws from, or its last part opens into, a free surface.
    loss_limit_m
        Alternatives that lose more than this are of no use to any plan.
    """

    graph: ChoiceGraph
    shared: Shared
    loss_of_part: LossOfPart
    entrance_loss: LossOfPart
    exit_loss: LossOfPart
    loss_limit_m: float = math.inf
    labels_made: int = 0
    _numbers: list[list[tuple[Arc, _ArcNumbers]]] = field(init=False)
    _loss_memo: dict[tuple[object, ...], float] = field(init=False, default_factory=dict)

    def table(self) -> Mapping[tuple[EndState, EndState], tuple[Alternative, ...]]:
        """Return {(start state, end state): alternatives, least loss first}; pairs that no path joins are left out."""
        self._numbers = [self._price(arcs) for arcs in self.graph.arcs]
        found: dict[tuple[EndState, EndState], tuple[Alternative, ...]] = {}
        for state, node in self.graph.starts.items():
            labels = self._run_from(node)
            for end_state, end_node in self.graph.ends.items():
                if labels[end_node]:
                    found[state, end_state] = tuple(_trace(label) for label in labels[end_node])
        return found

    def _run_from(self, start: int) -> list[list[_Label]]:
        waiting: list[list[_Label]] = [[] for _ in self.graph.nodes]
        waiting[start] = [_Label(0, 0.0, (0,) * len(self.shared.pipes), 0, None, None)]
        for index in range(start, len(waiting)):
            if not waiting[index]:
                continue
            labels = waiting[index] = self._efficient(waiting[index])
            for arc, numbers in self._numbers[index]:
                into = waiting[arc.head]
                for label in labels:
                    loss = label.loss_m + numbers.loss_m
                    if loss <= self.loss_limit_m:
                        pipe = tuple(map(int.__add__, label.pipe_mm, numbers.pipe_mm))
                        into.append(
                            _Label(label.cents + numbers.cents, loss, pipe, label.packs | numbers.packs, label, arc)
                        )
        return waiting

    def _efficient(self, labels: list[_Label]) -> list[_Label]:
        self.labels_made += len(labels)
        kept: list[_Label] = []
        for label in sorted(labels):
            if not any(self._dominates(other, label) for other in kept):
                kept.append(label)
        return kept

    def _dominates(self, first: _Label, second: _Label) -> bool:
        """Return whether the first, which loses no more head, never makes a plan dearer than the second does."""
        dearer = first.cents - second.cents
        if first.pipe_mm != second.pipe_mm:
            for i, (mine, other) in enumerate(zip(first.pipe_mm, second.pipe_mm, strict=True)):
                if mine != other:
                    dearer += self.shared.lengths(i, mine - other) * self.shared.pipes[i].price_cents
        missing = first.packs & ~second.packs
        if missing:
            dearer += sum(price for i, (_, price) in enumerate(self.shared.packs) if missing >> i & 1)
        return dearer <= 0

    def _price(self, arcs: Sequence[Arc]) -> list[tuple[Arc, _ArcNumbers]]:
        """Return the arcs with their numbers, without those that a parallel arc makes needless."""
        groups: dict[int, list[_Label]] = {}
        for arc in arcs:
            numbers = self._arc_numbers(arc)
            if numbers.loss_m < math.inf:
                insort(
                    groups.setdefault(arc.head, []),
                    _Label(numbers.cents, numbers.loss_m, numbers.pipe_mm, numbers.packs, None, arc),
                )
        out: list[tuple[Arc, _ArcNumbers]] = []
        for group in groups.values():
            for label in self._efficient(group):
                assert label.arc is not None
                out.append((label.arc, _ArcNumbers(label.cents, label.loss_m, label.pipe_mm, label.packs)))
        return out

    def _arc_numbers(self, arc: Arc) -> _ArcNumbers:
        cents, loss, packs = 0, 0.0, 0
        pipe = [0] * len(self.shared.pipes)
        for part in arc.parts:
            loss += self._loss(part)
            if not part.existing and part.item is not None:
                if part.kind in PIPES:
                    self._use(pipe, part.item, part.length_m + SAW_CUT_M)
                else:
                    cents += part.item.price_cents
        for item, length_m in arc.extra_pipe:
            self._use(pipe, item, length_m)
        for method, _ in arc.joints:
            packs |= sum(1 << i for i, (name, _) in enumerate(self.shared.packs) if name == method)
        if arc.first and arc.parts:
            loss += self.entrance_loss(arc.parts[0])
        if arc.last and arc.parts:
            loss += self.exit_loss(arc.parts[-1])
        return _ArcNumbers(cents, loss, tuple(pipe), packs)

    def _use(self, pipe: list[int], item: CatalogItem, length_m: float) -> None:
        pipe[self.shared.pipes.index(item)] += math.ceil(1000 * length_m)

    def _loss(self, part: Part) -> float:
        key = (part.item.item_id if part.item else part.name, part.kind, part.reverse, part.length_m, part.opening)
        if part.item is None or key not in self._loss_memo:
            self._loss_memo[key] = self.loss_of_part(part)
        return self._loss_memo[key]


def _trace(label: _Label) -> Alternative:
    arcs: list[Arc] = []
    at: _Label | None = label
    while at is not None and at.arc is not None:
        arcs.append(at.arc)
        at = at.back
    return Alternative(label.cents, label.loss_m, label.pipe_mm, label.packs, tuple(reversed(arcs)))
