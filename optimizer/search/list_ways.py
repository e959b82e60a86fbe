"""All ways to plumb a run that can be in a plan whose parts list costs less than a known one, alike ones told once.

A forward pass over the run's choice graph. Each label carries what its way puts on the list: the pieces of pipe with
their lengths at the saw, the joints, the cents for all else. A label is dropped where even the cheapest way on, with
the cheapest rest of the plan, comes to as much as the known list; of labels that put the same on the list, those stay
that lose less or cost less.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial
from typing import Any, NamedTuple

import numpy as np

from optimizer.choices.alternatives import AlternativeTable
from optimizer.choices.graph import FREE, Arc, EndState
from optimizer.choices.tees import TeeOption
from optimizer.model.catalog import CatalogItem
from optimizer.program.problem import LOSS_UNIT_M
from optimizer.program.through import Rest
from optimizer.search.list_costs import RunPrices
from optimizer.takeoff.cutting import UNIT_M
from optimizer.takeoff.fitted import LEGS, Straight, Tape
from optimizer.takeoff.list_price import KERF, MILLICENTS, Pieces, counted, grouped, units_of

_BITS = 10  # of a count of equal pieces or joints, packed with others into one number
_MASK = (1 << _BITS) - 1
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
# what waits for pipe in the open straight, the rate of pipe in it, what settled pieces cost: as cut, as stated
_Label = tuple[float, float, int, int, int, int, int, int, int, Any, Any, float, float, float, float]


@dataclass
class _Numbers:
    """Numbers things as they come, and packs counts of them into one whole number."""

    known: dict[Any, int] = field(default_factory=dict)

    def one(self, key: Any) -> int:
        return 1 << _BITS * self.known.setdefault(key, len(self.known))

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
    _steps: dict[tuple[int, int], tuple[int, int, int, float, float]] = field(default_factory=dict)
    _pieces: _Numbers = field(default_factory=_Numbers)
    _joints: _Numbers = field(default_factory=_Numbers)
    _items: dict[str, CatalogItem] = field(default_factory=dict)
    _pairs_of: dict[tuple[EndState, EndState], dict[tuple[float, float], list[tuple[int, int]]]] = field(
        default_factory=dict
    )
    _count: int = 0

    def find(self) -> list[Way]:
        """Return the ways; TooManyWaysError where they are too many to be told."""
        prices, graph = self.prices, self.prices.graph
        to_go = self.table.to_go()
        waiting: list[list[_Label]] = [[] for _ in graph.nodes]
        for state, node in graph.starts.items():
            mark = self._mark(_Mark(prices.measure(state, FREE).start(), 0, state, None))
            waiting[node].append((0.0, 0.0, 0, 0, 0, mark, 0, 0, 0, None, None, 0.0, 0.0, 0.0, 0.0))
        goals = {node: state for state, node in graph.ends.items()}
        found: list[Way] = []
        for node, labels in enumerate(waiting):
            if not labels:
                continue
            waiting[node] = []
            kept = self._worth(_alike(labels), to_go[node])
            self._count += len(kept)
            if self._count > _MOST_LABELS or time.monotonic() > self.until:
                raise TooManyWaysError
            if node in goals:
                found += [self._way(label, goals[node]) for label in kept]
                continue
            for arc in graph.arcs[node]:
                worth = self._promising(arc, kept, to_go[arc.head])
                if worth:
                    waiting[arc.head] += self._next(node, arc, worth)
        return found

    def one(self, arcs: Sequence[Arc], start: EndState, end: EndState) -> Way:
        """Return the way that these steps make."""
        graph = self.prices.graph
        mark = self._mark(_Mark(self.prices.measure(start, FREE).start(), 0, start, None))
        label: _Label = (0.0, 0.0, 0, 0, 0, mark, 0, 0, 0, None, None, 0.0, 0.0, 0.0, 0.0)
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
        step, together = self.prices.steps[id(arc)], self.prices.together.get(id(arc), True)
        packs = self.table.price(arc)[1]
        cents, used = self.prices.fixed_cents(arc), self.table.sides.packed(arc)
        joints = sum(self._joints.one(joint) * count for joint, count in counted(arc.joints).items())
        for label in labels:
            mark, cut, stated, cut_cost, stated_cost = self._step(label[5], node, arc)
            cost, waits, rate = self.prices.follow(step, label[11], label[12], together)
            into.append(
                (
                    label[0] + cost,
                    label[1] + loss,
                    label[2] | packs,
                    label[3] + cents,
                    label[4] + used,
                    mark,
                    label[6] + cut,
                    label[7] + stated,
                    label[8] + joints,
                    label,
                    arc,
                    waits,
                    rate,
                    label[13] + cut_cost,
                    label[14] + stated_cost,
                )
            )
        return into

    def _promising(self, arc: Arc, labels: Sequence[_Label], to_go: Sequence[tuple[float, int, int]]) -> list[_Label]:
        """Return the labels that a step may go on from, by a bound that is quick to tell."""
        loss = self.table.arc_loss(arc)
        if not to_go or loss == math.inf:
            return []
        step, together, dearest = (
            self.prices.steps[id(arc)],
            self.prices.together.get(id(arc), True),
            self.prices.dearest,
        )
        loss += min(one[0] for one in to_go)
        least, rest = min(one[1] for one in to_go), self.rests[0]
        found = []
        for label in labels:
            cost, waits, _ = self.prices.follow(step, label[11], label[12], together)
            ahead = rest.least((label[1] + loss) / LOSS_UNIT_M - 1e-6)
            if label[0] + cost - dearest * max(0.0, waits) + least + ahead < self.below:
                found.append(label)
        return found

    def _worth(self, labels: list[_Label], to_go: Sequence[tuple[float, int, int]]) -> list[_Label]:
        """Return the labels that a plan below the limit may still come of."""
        if not to_go:
            return []
        ahead_loss = np.array([one[0] for one in to_go])
        ahead_cents = np.array([one[1] for one in to_go], dtype=float)
        ahead_packs = [one[2] for one in to_go]
        least = np.full(len(labels), math.inf)
        losses = np.array([label[1] for label in labels])
        masks = np.array([label[2] for label in labels])
        for mask in sorted(set(masks.tolist())):
            rows = np.flatnonzero(masks == mask)
            for more in sorted(set(ahead_packs)):
                columns = [i for i, packs in enumerate(ahead_packs) if packs == more]
                units = (losses[rows][:, None] + ahead_loss[columns][None, :]) / LOSS_UNIT_M - 1e-6
                rest = self._rest(int(mask) | more, units) + ahead_cents[columns][None, :]
                least[rows] = np.minimum(least[rows], rest.min(axis=1))
        dearest = self.prices.dearest
        return [
            label
            for label, rest in zip(labels, least.tolist(), strict=True)
            if label[0] - dearest * max(0.0, label[11]) + rest < self.below
        ]

    def _rest(self, packs: int, units: Any) -> Any:
        rest = self.rests[packs]
        return np.array(rest.cents)[np.searchsorted(np.array(rest.losses, dtype=float), units, side="left")]

    # lengths

    def _step(self, mark: int, node: int, arc: Arc) -> tuple[int, int, int, float, float]:
        """Return the mark behind a step, the pieces that its corners settle as cut and as stated, and their cost."""
        if not arc.parts:
            return mark, 0, 0, 0.0, 0.0
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
            mark_there = self._mark(_Mark(tape, number, at.start, first))
            self._steps[key] = (mark_there, cut, stated, cut_cost, stated_cost)
        return self._steps[key]

    def _stood(self, number: int) -> Straight | None:
        stood = self.prices.stood
        return stood[number] if number < len(stood) else None

    def _open_start(self, start: EndState) -> bool:
        """Return whether fittings of different lengths may stand at the run's start in this state."""
        return len({self._take_m(option, True) for option in self.prices.options_at(start, True)}) > 1

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
        sealed = sum(self.prices.shop.joints.piece_rate(*joint) * count for joint, count in joints.items())
        beside = sum(self.prices.beside.get(id(arc), 0.0) for arc in arcs)
        least = MILLICENTS * label[3] + sealed + math.floor(self._least_pipe(label, mark, end) + beside)
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
        settled = label[13] if mark.number + 1 == len(self.prices.stood) else label[14]
        pairs = self._pairs(mark, end).values()
        return settled + min(self._cost(self._last_pieces(mark, end, *pair[0])) for pair in pairs)

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
        rate = self.prices.shop.pipes.rate
        return sum(rate(item) * (units_of(length_m) + KERF) for item, length_m in pieces)


def _key(straight: Straight) -> tuple[object, ...]:
    pipes = tuple((p.item.item_id, round(1e6 * p.shows_m), round(1e6 * p.length_m)) for p in straight.pipes)
    stubs = tuple((p.item.item_id, round(1e6 * p.length_m)) for p in straight.stubs)
    return round(1e6 * straight.length_m), pipes, stubs, straight.open


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
