"""The efficient alternatives of a run at a known flow, by label-setting dynamic programming on its choice graph.

An alternative is dropped only if another is at least as good in every plan: no more head lost, no more used of any side
resource (saw cuts, water) that counts, and no more money whatever the other runs buy. The first can of cement and the
first roll of tape serve all runs, so "no more money" counts the pack that only the other one would open. Pipe counts by
the length used: whole lengths are the take-off's business.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter, le
from typing import Any

from optimizer.choices.effort import Effort
from optimizer.choices.graph import Arc, ChoiceGraph, EndState
from optimizer.choices.joining import SAW_CUT_M
from optimizer.choices.side_resources import Sides
from optimizer.clock import look
from optimizer.model.catalog import PIPES, CatalogItem
from optimizer.model.network import Part

LossOfPart = Callable[[Part], float]
LossOfArc = Callable[[Arc], float]


# loss [m], cents, packs (bits), the label before, the arc that led here, side resources used (packed)
_Label = tuple[float, int, int, Any, Any, int]
_BY_LOSS = itemgetter(0, 1, 5)


@dataclass(frozen=True, slots=True)
class Pack:
    """What the first use of it opens for all runs: a method of joints, or a pipe by its id; price in whole cents."""

    method: str
    cents: int


@dataclass(frozen=True, slots=True)
class Alternative:
    """One way to plumb a run: whole cents, pipe by the length used; head lost [m]; packs that it opens (bits)."""

    cents: int
    loss_m: float
    packs: int
    arcs: tuple[Arc, ...]
    used: tuple[int, ...] = ()  # whole units of each side resource that the table was asked for

    @property
    def parts(self) -> tuple[Part, ...]:
        return tuple(part for arc in self.arcs for part in arc.parts)


class _Stairs:
    """The least cost at each use of a side resource: uses rise, costs fall."""

    def __init__(self) -> None:
        self._used: list[int] = []
        self._cents: list[int] = []

    def least_at(self, used: int) -> float:
        """Return the least cost of what uses no more than this; endless where nothing does."""
        at = bisect_right(self._used, used)
        return self._cents[at - 1] if at else math.inf

    def add(self, used: int, cents: int) -> None:
        """Add a step that `least_at` does not undercut, and drop those that it makes needless."""
        at = bisect_right(self._used, used)
        end = at
        while end < len(self._cents) and self._cents[end] >= cents:
            end += 1
        self._used[at:end] = [used]
        self._cents[at:end] = [cents]


@dataclass
class AlternativeTable:
    """Finds the efficient alternatives of one run for every pair of end states.

    Parameters
    ----------
    graph
        The run's choice graph.
    packs
        Consumables that all runs share.
    loss_of_part
        Head lost [m] in a part at the run's flow; infinite where a rule forbids the part at that flow.
    entrance_loss, exit_loss
        Head lost [m] where the run's first part draws from, or its last part opens into, a free surface.
    sides
        Side resources of which a plan may use only so much: ways that use less are kept for it.
    effort
        What the owner's work is worth; nothing unless stated.
    loss_limit_m
        Alternatives that lose more than this are of no use to any plan.
    """

    graph: ChoiceGraph
    packs: tuple[Pack, ...]
    loss_of_part: LossOfPart
    entrance_loss: LossOfPart
    exit_loss: LossOfPart
    loss_limit_m: float = math.inf
    effort: Effort = field(default_factory=Effort)
    sides: Sides = field(default_factory=Sides)
    loss_of_arc: LossOfArc | None = None  # of whole steps, in place of the sum over their parts
    per_square_m: float = 0.0  # what the joints of steps lose: their b times this, Q² and the loss factor [m⁶/s²]
    least: Mapping[int, int] | None = None  # by id of a step: what it costs, where that is not its price in whole cents
    _arcs: list[list[_Label]] = field(init=False)
    _to_go: list[list[_Label]] | None = field(init=False, default=None)
    _losses: dict[int, float] = field(init=False, default_factory=dict)  # of steps, by id
    _opening_cents: list[int] = field(init=False)
    _opening_beyond: list[list[int]] = field(init=False)  # by packs opened, and packs that are open already
    _loss_by_id: dict[int, float] = field(init=False, default_factory=dict)  # of the parts of the graph
    _loss_memo: dict[tuple[object, ...], float] = field(init=False, default_factory=dict)
    _packs_memo: dict[tuple[object, ...], int] = field(init=False, default_factory=dict)

    def table(self) -> Mapping[tuple[EndState, EndState], tuple[Alternative, ...]]:
        """Return {(start state, end state): alternatives, least loss first}; pairs that no path joins are left out."""
        masks = range(1 << len(self.packs))
        self._opening_cents = [sum(p.cents for i, p in enumerate(self.packs) if mask >> i & 1) for mask in masks]
        self._opening_beyond = [[self._opening_cents[packs & ~mask] for mask in masks] for packs in masks]
        self._arcs = [self._priced(arcs) for arcs in self.graph.arcs]
        starts, ends = self.graph.starts, self.graph.ends
        backwards = len(ends) < len(starts)  # one pass for each state of the end that has fewer
        steps = self._steps(backwards)
        passes = {node: self._run_from([node], steps, backwards) for node in (ends if backwards else starts).values()}
        self._to_go = next(iter(passes.values())) if backwards and len(ends) == 1 else None
        found: dict[tuple[EndState, EndState], tuple[Alternative, ...]] = {}
        for state, node in starts.items():
            for end_state, end_node in ends.items():
                labels = passes[end_node][node] if backwards else passes[node][end_node]
                if labels:
                    found[state, end_state] = tuple(self._trace(label, backwards) for label in labels)
        return found

    def to_go(self) -> list[list[tuple[float, int, int]]]:
        """Return for every node the efficient ways on to any end, as (loss [m], cost, packs); after `table` only."""
        if self._to_go is None:
            self._to_go = self._run_from(list(self.graph.ends.values()), self._steps(True), True)
        return [[(label[0], label[1], label[2]) for label in labels] for labels in self._to_go]

    def so_far(self) -> list[list[tuple[float, int, int]]]:
        """Return for every node the efficient ways from any start, as (loss [m], cost, packs); after `table` only."""
        steps = self._steps(False)
        waiting: list[list[_Label]] = [[] for _ in self.graph.nodes]
        for node in self.graph.starts.values():
            waiting[node].append((0.0, 0, 0, None, None, 0))
        for index in range(len(waiting)):
            labels = waiting[index] = self._efficient(waiting[index]) if waiting[index] else []
            for there, (loss, cents, packs, _, arc, used) in steps[index] if labels else ():
                waiting[there] += [(b[0] + loss, b[1] + cents, b[2] | packs, None, arc, b[5] + used) for b in labels]
        return [[(label[0], label[1], label[2]) for label in labels] for labels in waiting]

    def _steps(self, backwards: bool) -> list[list[tuple[int, _Label]]]:
        """Return for each node where its priced arcs lead, or, backwards, where those that end in it come from."""
        steps: list[list[tuple[int, _Label]]] = [[] for _ in self._arcs]
        for tail, arcs in enumerate(self._arcs):
            for label in arcs:
                if backwards:
                    steps[label[4].head].append((tail, label))
                else:
                    steps[tail].append((label[4].head, label))
        return steps

    def _run_from(
        self, roots: Sequence[int], steps: Sequence[Sequence[tuple[int, _Label]]], backwards: bool
    ) -> list[list[_Label]]:
        waiting: list[list[_Label]] = [[] for _ in self.graph.nodes]
        for root in roots:
            waiting[root] = [(0.0, 0, 0, None, None, 0)]
        most = self.loss_limit_m
        for index in range(max(roots), -1, -1) if backwards else range(min(roots), len(waiting)):
            if not waiting[index]:
                continue
            look()
            labels = waiting[index] = self._efficient(waiting[index])
            for there, (loss, cents, packs, _, arc, used) in steps[index]:
                waiting[there] += [
                    (label[0] + loss, label[1] + cents, label[2] | packs, label, arc, label[5] + used)
                    for label in labels
                    if label[0] + loss <= most
                ]
        return waiting

    def _efficient(self, labels: list[_Label]) -> list[_Label]:
        """Return the labels that no other makes needless, least loss first."""
        labels.sort(key=_BY_LOSS)
        if self.sides.labelled:
            return self._efficient_beside(labels)
        least = [math.inf] * len(self._opening_cents)  # by packs opened: what a label must cost less than, to be kept
        kept: list[_Label] = []
        for label in labels:
            cents, packs = label[1], label[2]
            if cents < least[packs]:
                kept.append(label)
                least = [
                    cents + more if cents + more < other else other
                    for more, other in zip(self._opening_beyond[packs], least, strict=True)
                ]
        return kept

    def _efficient_beside(self, labels: list[_Label]) -> list[_Label]:
        """Return the labels, sorted by loss, that none before makes needless in cost and all side resources."""
        opening = self._opening_cents
        stairs: dict[tuple[int, tuple[int, ...]], _Stairs] = {}  # by packs opened and all resources used but the last
        kept: list[_Label] = []
        for label in labels:
            cents, packs, split = label[1], label[2], self.sides.split(label[5])
            first, last = split[:-1], split[-1]
            if self.sides.exceeded(split) or any(
                steps.least_at(last) + opening[other & ~packs] <= cents and all(map(le, less, first))
                for (other, less), steps in stairs.items()
            ):
                continue
            stairs.setdefault((packs, first), _Stairs()).add(last, cents)
            kept.append(label)
        return kept

    def _priced(self, arcs: Sequence[Arc]) -> list[_Label]:
        """Return the arcs with their numbers, without those that a parallel arc makes needless."""
        groups: dict[int, list[_Label]] = defaultdict(list)
        for arc in arcs:
            loss = self.arc_loss(arc)
            if loss < math.inf:
                cents, packs = self.price(arc)
                groups[arc.head].append((loss, cents, packs, None, arc, self.sides.packed(arc)))
        return [label for group in groups.values() for label in self._efficient(group)]

    def arc_loss(self, arc: Arc) -> float:
        """Return what a step loses [m], endless where a rule forbids it."""
        if id(arc) not in self._losses:
            self._losses[id(arc)] = (self.loss_of_arc or self._loss_of)(arc)
        return self._losses[id(arc)]

    def _loss_of(self, arc: Arc) -> float:
        loss, known = arc.joint_s2_m5 * self.per_square_m, self._loss_by_id
        for part in arc.parts:
            if id(part) not in known:
                known[id(part)] = self._loss(part)
            loss += known[id(part)]
        if arc.first and arc.parts:
            loss += self.entrance_loss(arc.parts[0])
        if arc.last and arc.parts:
            loss += self.exit_loss(arc.parts[-1])
        return loss

    def price(self, arc: Arc) -> tuple[int, int]:
        """Return what a step costs [cents], and the packs that it opens (bits)."""
        cents = self._arc_cents(arc) if self.least is None else self.least[id(arc)]
        return cents, self._arc_packs(arc)

    def _arc_cents(self, arc: Arc) -> int:
        return parts_cents(arc) + self.effort.cents(arc)

    def _arc_packs(self, arc: Arc) -> int:
        pipes = {part.item.item_id for part in arc.parts if part.kind in PIPES and part.item and not part.existing}
        key = (arc.joints, *sorted(pipes))
        if key not in self._packs_memo:
            used = pipes.union(method for method, _ in arc.joints)
            self._packs_memo[key] = sum(1 << i for i, pack in enumerate(self.packs) if pack.method in used)
        return self._packs_memo[key]

    def _trace(self, label: _Label, backwards: bool) -> Alternative:
        arcs: list[Arc] = []
        at: Any = label
        while at is not None and at[4] is not None:
            arcs.append(at[4])
            at = at[3]
        along = tuple(arcs if backwards else reversed(arcs))
        return Alternative(label[1], label[0], label[2], along, self.sides.units(label[5], label[1]))

    def _loss(self, part: Part) -> float:
        item = part.item.item_id if part.item else part.name
        key = (
            item,
            part.kind,
            part.existing,
            part.reverse,
            part.length_m,
            part.opening,
        )  # a limit is for new pipe
        if key not in self._loss_memo:
            self._loss_memo[key] = self.loss_of_part(part)
        return self._loss_memo[key]


def parts_cents(arc: Arc) -> int:
    """Return what the parts and the pipe of a step cost in whole cents, without the work."""
    cents, pipe = 0, bool(arc.extra_pipe)
    for part in arc.parts:
        if part.existing or part.item is None:
            continue
        if part.kind in PIPES:
            pipe = True
        else:
            cents += part.item.price_cents
    cents += sum(item.price_cents for item in arc.couplings)
    return cents + sum(pipe_cents(item, length_m) for item, length_m in pipe_of(arc)) if pipe else cents


def pipe_of(arc: Arc) -> list[tuple[CatalogItem, float]]:
    """Return the new pipe that an arc takes [m], with saw cuts and what goes into sockets and over gaps."""
    used: dict[str, tuple[CatalogItem, float]] = {}
    for item, length_m in _pieces(arc):
        used[item.item_id] = (item, used.get(item.item_id, (item, 0.0))[1] + length_m)
    return list(used.values())


def _pieces(arc: Arc) -> Iterable[tuple[CatalogItem, float]]:
    for part in arc.parts:
        if part.kind in PIPES and not part.existing and part.item is not None:
            yield part.item, part.length_m + SAW_CUT_M
    yield from arc.extra_pipe


def pipe_cents(item: CatalogItem, length_m: float) -> int:
    """Return what a length of pipe costs in whole cents, rounded up, as a share of a sale length."""
    return math.ceil(length_m / item.sale_length_m * item.price_cents - 1e-9)
