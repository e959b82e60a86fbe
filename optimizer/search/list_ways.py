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
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial
from operator import itemgetter
from typing import Any, NamedTuple

import numpy as np

from optimizer.choices.alternatives import AlternativeTable
from optimizer.choices.graph import FREE, Arc, EndState
from optimizer.choices.tees import TeeOption
from optimizer.model.catalog import CatalogItem
from optimizer.model.network import LEGS
from optimizer.program.problem import LOSS_UNIT_M
from optimizer.program.through import Rest
from optimizer.search.list_costs import RunPrices
from optimizer.takeoff.cutting import UNIT_M
from optimizer.takeoff.fitted import Straight, Tape
from optimizer.takeoff.list_price import KERF, Pieces, counted, grouped, uncovered, units_of

_ToGo = Sequence[Sequence[tuple[float, int, int]]]  # for every node the ways on: loss [m], cost, packs
_BITS = 10  # of a count of equal pieces or joints, packed with others into one number
_MASK = (1 << _BITS) - 1
_SAVED_M = 0.1  # of pipe: a label that costs less than nothing by more than this is kept whatever is to come
_MOST_LABELS = 40_000  # above this many the ways are not told: a proof would take too long


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


class _Mark(NamedTuple):
    """Where a label's tape stands: which straight is open, and the first one where its fitting is not settled yet."""

    tape: Tape
    number: int
    start: EndState
    first: Straight | None


# least so far, loss [m], packs, cents, used, mark, pieces, pieces as stated, joints, the label before, the step,
# what all but pipe costs at the least, what settled pieces cost: as cut, as stated
_Label = tuple[float, float, int, int, int, int, int, int, int, Any, Any, int, float, float]

_BY_COST = itemgetter(0, 1, 3)


class _Step(NamedTuple):
    """What a step adds behind a mark: the mark there, the pieces that its corners settle, as cut and as stated.

    With what those cost, and what all pipe that is not settled costs at the least there [thousandths of a cent].
    """

    mark: int
    cut: int
    stated: int
    cut_cost: float
    stated_cost: float
    unsettled: float


@dataclass
class _Numbers:
    """Numbers things as they come, and packs counts of them into one whole number."""

    known: dict[Any, int] = field(default_factory=dict)
    _guard: int = 0  # the highest bit of every count, which none reaches
    _guarded: int = 0

    def one(self, key: Any) -> int:
        return 1 << _BITS * self.known.setdefault(key, len(self.known))

    def within(self, fewer: int, more: int) -> bool:
        """Return whether there are no more of anything in the first than in the second."""
        if fewer == more:
            return True
        while len(self.known) > self._guarded:
            self._guard |= 1 << _BITS * (self._guarded + 1) - 1
            self._guarded += 1
        return ((more | self._guard) - fewer) & self._guard == self._guard

    def counts(self, packed: int) -> Iterator[tuple[Any, int]]:
        for key, place in self.known.items():
            count = packed >> _BITS * place & _MASK
            if count:
                yield key, count


class TooManyWaysError(Exception):
    """There are more labels than a proof is worth."""


@dataclass
class WayFinder:
    """Finds the ways of one run below a limit.

    `rests` is by packs opened what all the rest of a plan costs at least, packs and all, by what this run loses [loss
    units]; only ways matter that leave the whole below `below`, in thousandths of a cent.
    """

    prices: RunPrices
    table: AlternativeTable
    rests: Mapping[int, Rest]
    below: float
    until: float = math.inf
    _marks: list[_Mark] = field(default_factory=list)
    _mark_index: dict[Any, int] = field(default_factory=dict)
    _steps: dict[tuple[int, int], _Step] = field(default_factory=dict)
    _lengths_of: dict[int, Mapping[str, Pieces]] = field(default_factory=dict)
    _firsts: list[Straight] = field(default_factory=list)
    _first_costs: dict[int, float] = field(default_factory=dict)  # by id of a straight that a mark holds
    _takes: dict[EndState, list[float]] = field(default_factory=dict)
    _last_costs: dict[tuple[int, EndState], float] = field(default_factory=dict)
    _pieces: _Numbers = field(default_factory=_Numbers)
    _joints: _Numbers = field(default_factory=_Numbers)
    _items: dict[str, CatalogItem] = field(default_factory=dict)
    _pairs_of: dict[tuple[EndState, EndState], dict[tuple[float, float], list[tuple[int, int]]]] = field(
        default_factory=dict
    )
    _count: int = 0

    def __post_init__(self) -> None:
        self._saved = _SAVED_M / UNIT_M * self.prices.dearest
        self._fewer_joints = self.prices.shop.joints.fewer_cost_no_more()
        self._goals = {node: state for state, node in self.prices.graph.ends.items()}
        self._rests: dict[int, tuple[Any, Any]] = {}
        self._stairs: dict[tuple[int, int], tuple[list[float], list[float]]] = {}

    def find(self) -> list[Way]:
        """Return the ways; TooManyWaysError where they are too many to be told."""
        prices, graph = self.prices, self.prices.graph
        self._to_go = self.table.to_go()
        waiting: list[list[_Label]] = [[] for _ in graph.nodes]
        for state, node in graph.starts.items():
            mark = self._mark(_Mark(prices.measure(state, FREE).start(), 0, state, None))
            waiting[node].append((0.0, 0.0, 0, 0, 0, mark, 0, 0, 0, None, None, 0, 0.0, 0.0))
        goals = self._goals
        found: list[Way] = []
        for node, labels in enumerate(waiting):
            if not labels:
                continue
            waiting[node] = []
            kept = self._unbeaten(self._worth(node, _alike(labels)))
            self._count += len(kept)
            if self._count > _MOST_LABELS or time.monotonic() > self.until:
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
        graph = self.prices.graph
        mark = self._mark(_Mark(self.prices.measure(start, FREE).start(), 0, start, None))
        label: _Label = (0.0, 0.0, 0, 0, 0, mark, 0, 0, 0, None, None, 0, 0.0, 0.0)
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
        even, goal = not self.prices.uneven, self._goals.get(arc.head)
        for label in labels:
            step = self._step(label[5], node, arc)
            so_far, cut_cost = label[11] + fixed, label[12] + step.cut_cost
            if not even:
                bound = label[0] + least
            elif goal is None:
                bound = so_far + cut_cost + step.unsettled
            else:
                bound = so_far + cut_cost + self._last_cost(step.mark, goal)
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
        if self.table.sides.weighs_money:
            return labels
        groups: dict[int, list[_Label]] = {}
        for label in labels:
            groups.setdefault(label[5], []).append(label)
        found: list[_Label] = []
        for same in groups.values():
            if len(same) > 1:
                same.sort(key=_BY_COST)
                kept: list[_Label] = []
                for label in same:
                    if not any(self._beats(one, label) for one in kept):
                        kept.append(label)
                same = kept
            found += same
        return found

    def _beats(self, one: _Label, other: _Label) -> bool:
        return (
            one[1] <= other[1]
            and one[3] <= other[3]
            and (one[8] == other[8] or (self._fewer_joints and self._joints.within(one[8], other[8])))
            and self.table.sides.no_more(one[4], other[4])
            and self._cut_from(one[6], other[6], other[3] - one[3])
            and self._cut_from(one[7], other[7], other[3] - one[3])
        )

    def _cut_from(self, wanted: int, pieces: int, spare_cents: int) -> bool:
        """Return whether those pieces that can not be cut from others, one from one, cost no more than this."""
        if self._pieces.within(wanted, pieces):
            return True
        own, single = self._lengths(pieces), self.prices.shop.pipes.single_cents
        for key, lengths in self._lengths(wanted).items():
            for units in uncovered(lengths, own.get(key, ())):
                spare_cents -= single(self._items[key], units)
                if spare_cents < 0:
                    return False
        return True

    def _lengths(self, packed: int) -> Mapping[str, Pieces]:
        """Return packed pieces by item, longest first."""
        if packed not in self._lengths_of:
            found: dict[str, list[int]] = {}
            for (item, units), count in self._pieces.counts(packed):
                found.setdefault(item, []).extend([units] * count)
            self._lengths_of[packed] = {item: tuple(sorted(each, reverse=True)) for item, each in found.items()}
        return self._lengths_of[packed]

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

    # lengths

    def _step(self, mark: int, node: int, arc: Arc) -> _Step:
        """Return what a step adds behind a mark."""
        key = (mark, id(arc))
        if key not in self._steps:
            at = self._marks[mark]
            measure, places = self.prices.measure(at.start, FREE), self.prices.places(node, arc)
            number, first, cut, stated, cut_cost, stated_cost = at.number, at.first, 0, 0, 0.0, 0.0
            tape = at.tape
            for one in measure.lay(at.tape, arc.parts, places, 0):
                if isinstance(one, Tape):
                    tape = one
                    continue
                if number == 0 and self._open_start(at.start):
                    first = one
                else:
                    pieces = one.cut(self._stood(number))
                    cut, cut_cost = cut + self._packed(pieces), cut_cost + self._cost(pieces)
                if self.prices.uneven:
                    pieces = one.cut(None)
                    stated, stated_cost = stated + self._packed(pieces), stated_cost + self._cost(pieces)
                number += 1
            there = _Mark(tape, number, at.start, first)
            unsettled = (
                0.0 if self.prices.uneven else self._unsettled(there, self.prices.graph.nodes[arc.head].position)
            )
            self._steps[key] = _Step(self._mark(there), cut, stated, cut_cost, stated_cost, unsettled)
        return self._steps[key]

    def _unsettled(self, mark: _Mark, position: int) -> float:
        """Return what the pipe in the straights that are not settled costs at the least [thousandths of a cent].

        In the one that is open whatever is longer than what stood there may be saved, at the dearest pipe's rate.
        """
        takes = self._takes_at(mark.start)
        straight = mark.tape.straight
        longer_m = max(takes) - takes[0] if mark.number == 0 else 0.0
        stood_m = self.prices.stood_m
        more_m = straight.length_m + longer_m - stood_m[min(position, len(stood_m) - 1)]
        cost = self.prices.stated(straight) - self.prices.dearest * max(0.0, more_m) / UNIT_M
        if mark.first is not None:
            if id(mark.first) not in self._first_costs:
                first, stood = mark.first, self._stood(0)
                each = [first.as_long(first.length_m + take_m - takes[0]).cut(stood) for take_m in takes]
                self._firsts.append(first)  # kept, so that its id stays its own
                self._first_costs[id(first)] = min(map(self._cost, each))
            cost += self._first_costs[id(mark.first)]
        return cost

    def _stood(self, number: int) -> Straight | None:
        stood = self.prices.stood
        return stood[number] if number < len(stood) else None

    def _open_start(self, start: EndState) -> bool:
        """Return whether fittings of different lengths may stand at the run's start in this state."""
        return len(set(self._takes_at(start))) > 1

    def _takes_at(self, start: EndState) -> list[float]:
        """Return what each fitting takes up that may stand at the run's start in this state [m]."""
        if start not in self._takes:
            self._takes[start] = [self._take_m(option, True) for option in self.prices.options_at(start, True)]
        return self._takes[start]

    def _take_m(self, option: TeeOption | None, at_start: bool) -> float:
        leg = (self.prices.run.start if at_start else self.prices.run.end).leg
        return 0.0 if option is None or leg not in LEGS else option.item.take_outs_m[LEGS.index(leg)]

    def _packed(self, pieces: Sequence[tuple[CatalogItem, float]]) -> int:
        packed = 0
        for item, length_m in pieces:
            self._items[item.item_id] = item
            packed += self._pieces.one((item.item_id, units_of(length_m)))
        return packed

    def _mark(self, mark: _Mark) -> int:
        tape = mark.tape
        last = tape.last
        part = None if last is None else (last.item.item_id if last.item else last.name, last.reverse, last.existing)
        key = (_key(tape.straight), part, tape.place, mark.number, mark.start, mark.first and _key(mark.first))
        if key not in self._mark_index:
            self._mark_index[key] = len(self._marks)
            self._marks.append(mark)
        return self._mark_index[key]

    # the ways

    def _way(self, label: _Label, end: EndState) -> Way:
        mark = self._marks[label[5]]
        arcs: list[Arc] = []
        at: Any = label
        while at is not None and at[10] is not None:
            arcs.append(at[10])
            at = at[9]
        joints = dict(self._joints.counts(label[8]))
        least = label[11] + math.floor(self._least_pipe(label, mark, end))
        used = self.table.sides.units(label[4], label[3])
        cut = partial(self._cut, label, mark, end)
        return Way(tuple(reversed(arcs)), mark.start, end, label[1], label[3], label[2], joints, least, used, cut)

    def _pairs(self, mark: _Mark, end: EndState) -> dict[tuple[float, float], list[tuple[int, int]]]:
        """Return the pairs of fittings that may stand at the run's ends by what they take up [m]."""
        key = (mark.start, end)
        if key not in self._pairs_of:
            found: dict[tuple[float, float], list[tuple[int, int]]] = {}
            for i, first in enumerate(self.prices.options_at(mark.start, True)):
                for k, last in enumerate(self.prices.options_at(end, False)):
                    found.setdefault((self._take_m(first, True), self._take_m(last, False)), []).append((i, k))
            self._pairs_of[key] = found
        return self._pairs_of[key]

    def _least_pipe(self, label: _Label, mark: _Mark, end: EndState) -> float:
        """Return what a way's pipe costs at the least over the fittings at its ends [thousandths of a cent]."""
        settled = label[12] if mark.number + 1 == len(self.prices.stood) else label[13]
        return settled + self._last_cost(label[5], end)

    def _last_cost(self, number: int, end: EndState) -> float:
        """Return what the pipe that the fittings at the ends decide costs at the least."""
        key = (number, end)
        if key not in self._last_costs:
            mark = self._marks[number]
            pairs = self._pairs(mark, end).values()
            self._last_costs[key] = min(self._cost(self._last_pieces(mark, end, *pair[0])) for pair in pairs)
        return self._last_costs[key]

    def _cut(
        self, label: _Label, mark: _Mark, end: EndState
    ) -> dict[tuple[int, int], Mapping[str, tuple[CatalogItem, Pieces]]]:
        """Return the pieces of pipe for every pair of fittings that may stand at the run's ends."""
        packed = label[6] if mark.number + 1 == len(self.prices.stood) else label[7]
        settled = [
            piece
            for (key, units), count in self._pieces.counts(packed)
            for piece in [(self._items[key], units * UNIT_M)] * count
        ]
        found: dict[tuple[int, int], Mapping[str, tuple[CatalogItem, Pieces]]] = {}
        for pairs in self._pairs(mark, end).values():
            told = grouped([*settled, *self._last_pieces(mark, end, *pairs[0])])
            found.update(dict.fromkeys(pairs, told))
        return found

    def _last_pieces(self, mark: _Mark, end: EndState, i: int, k: int) -> list[tuple[CatalogItem, float]]:
        """Return the pieces of the straights that the fittings at the run's ends decide."""
        starts = self.prices.options_at(mark.start, True)
        measure = self.prices.measure_at(starts[i], self.prices.options_at(end, False)[k])
        more_m = self._take_m(starts[i], True) - self._take_m(starts[0], True)
        straight = measure.close(mark.tape)
        if mark.number == 0:
            straight = straight.as_long(straight.length_m + more_m)
        fits = mark.number + 1 == len(self.prices.stood)
        pieces = straight.cut(self._stood(mark.number) if fits else None)
        if mark.first is not None and fits:
            pieces += mark.first.as_long(mark.first.length_m + more_m).cut(self._stood(0))
        return pieces

    def _cost(self, pieces: Sequence[tuple[CatalogItem, float]]) -> float:
        rate = self.prices.shop.rate
        return sum(rate(item) * (units_of(length_m) + KERF) for item, length_m in pieces)


def _key(straight: Straight) -> tuple[object, ...]:
    pipes = tuple((p.item.item_id, round(1e6 * p.shows_m), round(1e6 * p.length_m)) for p in straight.pipes)
    stubs = tuple((p.item.item_id, round(1e6 * p.length_m)) for p in straight.stubs)
    return round(1e6 * straight.length_m), pipes, stubs, straight.open


def _stairs(losses: Any, cents: Any) -> tuple[list[float], list[float]]:
    """Return the least of several costs by what was lost, both rising, and endless beyond the last."""
    order = np.lexsort((cents, -losses))  # what may be lost most first
    lowest = np.minimum.accumulate(cents[order])
    keep = np.ones(len(order), dtype=bool)
    keep[1:] = cents[order][1:] < lowest[:-1]
    chosen = order[keep][::-1]
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
        least = math.inf
        for label in same:
            if label[3] < least:
                kept.append(label)
                least = label[3]
    return kept
