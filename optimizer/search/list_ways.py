"""All ways to plumb a run that can be in a plan whose parts list costs less than a known one, alike ones told once.

A forward pass over the run's choice graph. Each label carries what its way puts on the list: the pieces of pipe with
their lengths at the saw, the joints, the cents for all else. A label is dropped where even the cheapest way on, with
the cheapest rest of the plan, comes to as much as the known list; of labels that put the same on the list, those stay
that lose less or cost less.
"""

from __future__ import annotations

import math
import time
from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial
from operator import itemgetter
from typing import Any

import numpy as np

from optimizer.choices.alternatives import AlternativeTable
from optimizer.choices.graph import FREE, Arc, EndState
from optimizer.model.catalog import CatalogItem
from optimizer.program.merge import stairs
from optimizer.program.problem import LOSS_UNIT_M
from optimizer.program.through import Rest
from optimizer.search.list_tapes import Mark, Numbers, Tapes
from optimizer.search.rivals import unbeaten
from optimizer.takeoff.cutting import UNIT_M
from optimizer.takeoff.list_price import Pieces, counted, grouped

_SAVED_M = 0.1  # of pipe: a label that costs less than nothing by more than this is kept whatever is to come
_NOISE_M = 1e-12  # of sums of losses
_MOST_LABELS = 100_000  # above this many the ways are not told: a proof would take too long


@dataclass(frozen=True)
class Way:
    """One way to plumb a run and what it puts on the list.

    `least` is what the way adds to the list at the least, packs of cement and tape apart [thousandths of a cent].
    """

    arcs: tuple[Arc, ...]
    start: EndState
    end: EndState
    loss_m: float
    cents: int  # all but pipe and what seals joints
    packs: int
    joints: Mapping[tuple[str, str], int]
    least: int
    used: tuple[int, ...]
    cut: Callable[[], Mapping[tuple[int, int], Mapping[str, tuple[CatalogItem, Pieces]]]]
    lost_m: Any = None  # in each draw, (n_draws,), where that counts

    @cached_property
    def pieces(self) -> Mapping[tuple[int, int], Mapping[str, tuple[CatalogItem, Pieces]]]:
        """Return the pipe by item [0.1 mm], by the indices of the fittings at the two ends of the run."""
        return self.cut()

    @cached_property
    def least_pieces(self) -> Mapping[str, tuple[CatalogItem, int, int]]:
        """Return of every pipe (item, how many pieces, units of length) at the least over the fittings at the ends."""
        found: dict[str, tuple[CatalogItem, int, int]] = {}
        for key in {key for one in self.pieces.values() for key in one}:
            each = [one.get(key) for one in self.pieces.values()]
            item = next(one[0] for one in each if one is not None)
            lengths = [one[1] if one is not None else () for one in each]
            found[key] = (item, min(map(len, lengths)), min(map(sum, lengths)))
        return found


# least so far, loss [m], packs, cents, used, mark, pieces, pieces as stated, joints, the label before, the step,
# what all but pipe costs at the least, what settled pieces cost: as cut, as stated, loss in each draw [m] (or none)
_Label = tuple[float, float, int, int, int, int, int, int, int, Any, Any, int, float, float, Any]

_BY_COST = itemgetter(0, 1, 3)


class TooManyWaysError(Exception):
    """There are more labels than a proof is worth."""


@dataclass
class WayFinder:
    """Finds the ways of one run below a limit.

    `rests` is by packs opened what all the rest of a plan costs at least, packs and all, by what this run loses [loss
    units]; only ways matter that leave the whole below `below`, in thousandths of a cent. Where `drawn` tells what a
    step loses in each draw [m], a way is needless only where it loses no less than another in every one.
    """

    tapes: Tapes
    table: AlternativeTable
    rests: Mapping[int, Rest]
    below: float
    until: float = math.inf
    most_labels: int = _MOST_LABELS
    drawn: Callable[[Arc], Any] | None = None
    _joints: Numbers = field(default_factory=Numbers)
    _count: int = 0

    def __post_init__(self) -> None:
        self.prices = self.tapes.prices
        self._saved = _SAVED_M / UNIT_M * self.prices.dearest
        self._fewer_joints = self.prices.shop.joints.fewer_cost_no_more()
        self._couples = not self._fewer_joints and any(arc.couplings for arcs in self.prices.graph.arcs for arc in arcs)
        self._goals = {node: state for state, node in self.prices.graph.ends.items()}
        self._rests: dict[int, tuple[Any, Any]] = {}
        self._stairs: dict[tuple[int, int], tuple[list[float], list[float]]] = {}

    def find(self, start: EndState | None = None) -> list[Way]:
        """Return the ways, from one start state where it is given.

        Raises
        ------
        TooManyWaysError
            Where they are too many to be told.
        """
        prices, graph = self.prices, self.table.graph
        self._to_go = self.table.to_go()
        waiting: list[list[_Label]] = [[] for _ in graph.nodes]
        lost = None if self.drawn is None else 0.0
        for state, node in graph.starts.items():
            if start is not None and state != start:
                continue
            mark = self.tapes.mark(Mark(prices.measure(state, FREE).start(), 0, state, None))
            waiting[node].append((0.0, 0.0, 0, 0, 0, mark, 0, 0, 0, None, None, 0, 0.0, 0.0, lost))
        goals = self._goals
        found: list[Way] = []
        for node, labels in enumerate(waiting):
            if not labels:
                continue
            waiting[node] = []
            kept = self._unbeaten(self._worth(node, _alike(labels)))
            self._count += len(kept)
            if self._count > self.most_labels or time.monotonic() > self.until:
                raise TooManyWaysError
            if node in goals:
                found += [self._way(label, goals[node]) for label in kept]
                continue
            for arc in graph.arcs[node] if kept else ():
                worth = self._promising(node, arc, kept)
                if worth:
                    waiting[arc.head] += self._next(node, arc, worth)
        return found

    def one(self, arcs: Sequence[Arc], start: EndState, end: EndState) -> Way:
        """Return the way that these steps make."""
        graph = self.table.graph
        mark = self.tapes.mark(Mark(self.prices.measure(start, FREE).start(), 0, start, None))
        label: _Label = (0.0, 0.0, 0, 0, 0, mark, 0, 0, 0, None, None, 0, 0.0, 0.0, None if self.drawn is None else 0.0)
        node = graph.starts[start]
        for arc in arcs:
            (found,) = self._next(node, arc, [label])
            label, node = found, arc.head
        return self._way(label, end)

    def _next(self, node: int, arc: Arc, labels: Sequence[_Label]) -> list[_Label]:
        """Return the labels one step on; none where a rule forbids it at this flow."""
        loss = self.table.arc_loss(arc)
        if loss == math.inf:
            return []
        into: list[_Label] = []
        packs, least, fixed = self.table.price(arc)[1], self.prices.least[id(arc)], self.prices.fixed[id(arc)]
        cents, used = self.prices.fixed_cents(arc), self.table.sides.packed(arc)
        joints = sum(self._joints.one(joint) * count for joint, count in counted(arc.joints).items())
        drawn = None if self.drawn is None else self.drawn(arc)
        even, goal = not self.prices.uneven, self._goals.get(arc.head)
        for label in labels:
            step = self.tapes.step(label[5], node, arc)
            so_far, cut_cost = label[11] + fixed, label[12] + step.cut_cost
            if not even:
                bound = label[0] + least
            elif goal is None:
                bound = so_far + cut_cost + step.unsettled
            else:
                bound = so_far + cut_cost + self.tapes.last_cost(step.mark, goal)
            into.append(
                (
                    bound,
                    label[1] + loss,
                    label[2] | packs,
                    label[3] + cents,
                    label[4] + used,
                    step.mark,
                    label[6] + step.cut,
                    label[7] + step.stated,
                    label[8] + joints,
                    label,
                    arc,
                    so_far,
                    cut_cost,
                    label[13] + step.stated_cost,
                    None if drawn is None else label[14] + drawn,
                )
            )
        return into

    def _promising(self, node: int, arc: Arc, labels: Sequence[_Label]) -> list[_Label]:
        """Return the labels that may go on with a step: by its price, as it is told without a tape."""
        loss = self.table.arc_loss(arc)
        if not self._to_go[arc.head] or loss == math.inf:
            return []
        packs, least = self.table.price(arc)[1], self.prices.least[id(arc)]
        found = []
        for label in labels:
            losses, cents = self._ahead(arc.head, label[2] | packs)
            so_far = label[0] + least
            if so_far + cents[bisect_left(losses, label[1] + loss)] < self.below or so_far < -self._saved:
                found.append(label)
        return found

    def _worth(self, node: int, labels: Sequence[_Label]) -> list[_Label]:
        """Return the labels that a plan below the limit may still come of."""
        found = []
        for label in labels:
            losses, cents = self._ahead(node, label[2])
            if label[0] + cents[bisect_left(losses, label[1])] < self.below or label[0] < -self._saved:
                found.append(label)
        return found

    def _unbeaten(self, labels: list[_Label]) -> list[_Label]:
        """Return the labels without those that another one makes needless whatever the rest of the plan buys.

        With the same straight open, that one loses no more, costs no more, has no more joints of any kind, and its
        pieces of pipe can all be cut from those of the other: a list is never dearer with it.
        """
        if self.table.sides.weighs_money or self._couples:
            return labels
        groups: dict[int, list[_Label]] = {}
        for label in labels:
            groups.setdefault(label[5], []).append(label)
        return [label for same in groups.values() for label in self._unbeaten_of(same)]

    def _unbeaten_of(self, same: list[_Label]) -> list[_Label]:
        """Return those of labels with the same straight open."""
        if len(same) == 1:
            return same
        same.sort(key=_BY_COST)
        amounts, joints = self.table.sides.amounts, self._joints.table([label[8] for label in same])
        rest = np.array([(label[1], label[3], *amounts(label[4])) for label in same])
        lost = None if self.drawn is None else np.array([label[14] for label in same])
        counts = np.hstack((rest, joints) if self._fewer_joints else (rest, joints, -joints))
        lengths = [(self.tapes.lengths(label[6]), self.tapes.lengths(label[7])) for label in same]
        return [same[k] for k in unbeaten(counts, lost, lengths, self.prices.shop.pipes)]

    def _ahead(self, node: int, packs: int) -> tuple[list[float], list[float]]:
        """Return what is to come behind a node at the least, with the rest of the plan, by what was lost up to there.

        What loses up to `losses[k]` [m], and more than the entry before, has at least `cents[k]` to come.
        """
        key = (node, packs)
        if key not in self._stairs:
            losses, cents = [], []
            for loss, more, opened in self._to_go[node]:
                rest = self.rests[packs | opened]
                dear = bisect_left(rest.cents, self.below + self._saved - more, 0, len(rest.losses))
                if dear:
                    rest_losses, rest_cents = self._rest(packs | opened)
                    losses.append(rest_losses[:dear] - loss)
                    cents.append(rest_cents[:dear] + more)
            self._stairs[key] = _stairs(np.concatenate(losses), np.concatenate(cents)) if losses else ([], [math.inf])
        return self._stairs[key]

    def _rest(self, packs: int) -> tuple[Any, Any]:
        """Return the rest of a plan with these packs opened as columns: losses [m], costs."""
        if packs not in self._rests:
            rest = self.rests[packs]
            self._rests[packs] = ((np.array(rest.losses) + 1e-6) * LOSS_UNIT_M, np.array(rest.cents[:-1], dtype=float))
        return self._rests[packs]

    # the ways

    def _way(self, label: _Label, end: EndState) -> Way:
        mark = self.tapes.marks[label[5]]
        arcs: list[Arc] = []
        at: Any = label
        while at is not None and at[10] is not None:
            arcs.append(at[10])
            at = at[9]
        joints = dict(self._joints.counts(label[8]))
        least = label[11] + math.floor(self._least_pipe(label, mark, end))
        used = self.table.sides.units(label[4], label[3])
        cut = partial(self._cut, label, mark, end)
        along = tuple(reversed(arcs))
        return Way(along, mark.start, end, label[1], label[3], label[2], joints, least, used, cut, label[14])

    def _least_pipe(self, label: _Label, mark: Mark, end: EndState) -> float:
        """Return what a way's pipe costs at the least over the fittings at its ends [thousandths of a cent]."""
        settled = label[12] if mark.number + 1 == len(self.prices.stood) else label[13]
        return settled + self.tapes.last_cost(label[5], end)

    def _cut(
        self, label: _Label, mark: Mark, end: EndState
    ) -> dict[tuple[int, int], Mapping[str, tuple[CatalogItem, Pieces]]]:
        """Return the pieces of pipe for every pair of fittings that may stand at the run's ends."""
        packed = label[6] if mark.number + 1 == len(self.prices.stood) else label[7]
        settled = [
            piece
            for (key, units), count in self.tapes.pieces.counts(packed)
            for piece in [(self.tapes.items[key], units * UNIT_M)] * count
        ]
        found: dict[tuple[int, int], Mapping[str, tuple[CatalogItem, Pieces]]] = {}
        for pairs in self.tapes.pairs(mark, end).values():
            told = grouped([*settled, *self.tapes.last_pieces(mark, end, *pairs[0])])
            found.update(dict.fromkeys(pairs, told))
        return found


def _stairs(losses: Any, cents: Any) -> tuple[list[float], list[float]]:
    """Return the least of several costs by what was lost, both rising, and endless beyond the last."""
    chosen = stairs(-losses, cents)[::-1]
    return losses[chosen].tolist(), [*cents[chosen].tolist(), math.inf]


def _alike(labels: list[_Label]) -> list[_Label]:
    """Return the labels without those that lose as much and cost as much as one that puts the same on the list."""
    groups: dict[tuple[int, ...], list[_Label]] = {}
    for label in labels:
        groups.setdefault((label[5], label[6], label[7], label[8], label[4]), []).append(label)
    kept: list[_Label] = []
    for same in groups.values():
        if len(same) == 1:
            kept += same
            continue
        same.sort(key=lambda label: (label[1], label[3]))
        few: list[_Label] = []
        for label in same:
            if not any(one[3] <= label[3] and _no_more(one, label) for one in reversed(few)):
                few.append(label)
        kept += few
    return kept


def _no_more(one: _Label, other: _Label) -> bool:
    """Return whether a label loses no more than another in any draw; of those that count one loss, the caller knows."""
    return one[14] is None or bool((one[14] <= other[14] + _NOISE_M).all())
