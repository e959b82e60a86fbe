"""A run's straights while ways are walked: where a tape stands, what a step settles, what pieces of pipe come of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from optimizer.choices.graph import FREE, Arc, EndState
from optimizer.choices.tees import TeeOption
from optimizer.model.catalog import CatalogItem
from optimizer.model.network import LEGS
from optimizer.search.list_costs import RunPrices
from optimizer.search.rivals import Lengths
from optimizer.takeoff.cutting import UNIT_M
from optimizer.takeoff.fitted import Straight, Tape
from optimizer.takeoff.list_price import KERF, units_of

_COUNT = np.dtype("<u2")  # of equal pieces or joints, packed with others into one number
_BITS = 8 * _COUNT.itemsize


class Mark(NamedTuple):
    """Where a label's tape stands: which straight is open, and the first one where its fitting is not settled yet."""

    tape: Tape
    number: int
    start: EndState
    first: Straight | None


class Step(NamedTuple):
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
class Numbers:
    """Numbers things as they come, and packs counts of them into one whole number."""

    known: dict[Any, int] = field(default_factory=dict)

    def one(self, key: Any) -> int:
        return 1 << _BITS * self.known.setdefault(key, len(self.known))

    def table(self, packed: Sequence[int]) -> npt.NDArray[np.uint16]:
        """Return a row of counts for each of several packed numbers."""
        size = _COUNT.itemsize * len(self.known)
        told = b"".join(one.to_bytes(size, "little") for one in packed)
        return np.frombuffer(told, _COUNT).reshape(len(packed), len(self.known))

    def counts(self, packed: int) -> Iterator[tuple[Any, int]]:
        (row,) = self.table([packed])
        names = list(self.known)
        for place in np.flatnonzero(row).tolist():
            yield names[place], int(row[place])


@dataclass
class Tapes:
    """Measures one run for all its ways; marks, steps and pieces that are alike are told once."""

    prices: RunPrices
    marks: list[Mark] = field(default_factory=list)
    _mark_index: dict[Any, int] = field(default_factory=dict)
    _steps: dict[tuple[int, int], Step] = field(default_factory=dict)
    _lengths_of: dict[int, Lengths] = field(default_factory=dict)
    _firsts: list[Straight] = field(default_factory=list)
    _first_costs: dict[int, float] = field(default_factory=dict)  # by id of a straight that a mark holds
    _takes: dict[EndState, list[float]] = field(default_factory=dict)
    _last_costs: dict[tuple[int, EndState], float] = field(default_factory=dict)
    pieces: Numbers = field(default_factory=Numbers)
    items: dict[str, CatalogItem] = field(default_factory=dict)
    _pairs_of: dict[tuple[EndState, EndState], dict[tuple[float, float], list[tuple[int, int]]]] = field(
        default_factory=dict
    )

    def step(self, mark: int, node: int, arc: Arc) -> Step:
        """Return what a step adds behind a mark."""
        key = (mark, id(arc))
        if key not in self._steps:
            at = self.marks[mark]
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
                    pieces = self._cut(one, self._stood(number))
                    cut, cut_cost = cut + self._packed(pieces), cut_cost + self._cost(pieces)
                if self.prices.uneven:
                    pieces = self._cut(one, None)
                    stated, stated_cost = stated + self._packed(pieces), stated_cost + self._cost(pieces)
                number += 1
            there = Mark(tape, number, at.start, first)
            unsettled = (
                0.0 if self.prices.uneven else self._unsettled(there, self.prices.graph.nodes[arc.head].position)
            )
            self._steps[key] = Step(self.mark(there), cut, stated, cut_cost, stated_cost, unsettled)
        return self._steps[key]

    def _unsettled(self, mark: Mark, position: int) -> float:
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
                each = [self._cut(first.as_long(first.length_m + take_m - takes[0]), stood) for take_m in takes]
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
            self.items[item.item_id] = item
            packed += self.pieces.one((item.item_id, units_of(length_m)))
        return packed

    def mark(self, mark: Mark) -> int:
        tape = mark.tape
        last = tape.last
        part = None if last is None else (last.item.item_id if last.item else last.name, last.reverse, last.existing)
        key = (_key(tape.straight), part, tape.place, mark.number, mark.start, mark.first and _key(mark.first))
        if key not in self._mark_index:
            self._mark_index[key] = len(self.marks)
            self.marks.append(mark)
        return self._mark_index[key]

    def lengths(self, packed: int) -> Lengths:
        """Return packed pieces by item, longest first."""
        if packed not in self._lengths_of:
            found: dict[str, list[int]] = {}
            for (item, units), count in self.pieces.counts(packed):
                found.setdefault(item, []).extend([units] * count)
            told = {item: (self.items[item], tuple(sorted(each, reverse=True))) for item, each in found.items()}
            self._lengths_of[packed] = told
        return self._lengths_of[packed]

    def pairs(self, mark: Mark, end: EndState) -> dict[tuple[float, float], list[tuple[int, int]]]:
        """Return the pairs of fittings that may stand at the run's ends by what they take up [m]."""
        key = (mark.start, end)
        if key not in self._pairs_of:
            found: dict[tuple[float, float], list[tuple[int, int]]] = {}
            for i, first in enumerate(self.prices.options_at(mark.start, True)):
                for k, last in enumerate(self.prices.options_at(end, False)):
                    found.setdefault((self._take_m(first, True), self._take_m(last, False)), []).append((i, k))
            self._pairs_of[key] = found
        return self._pairs_of[key]

    def last_cost(self, number: int, end: EndState) -> float:
        """Return what the pipe that the fittings at the ends decide costs at the least."""
        key = (number, end)
        if key not in self._last_costs:
            mark = self.marks[number]
            pairs = self.pairs(mark, end).values()
            self._last_costs[key] = min(self._cost(self.last_pieces(mark, end, *pair[0])) for pair in pairs)
        return self._last_costs[key]

    def last_pieces(self, mark: Mark, end: EndState, i: int, k: int) -> list[tuple[CatalogItem, float]]:
        """Return the pieces of the straights that the fittings at the run's ends decide."""
        starts = self.prices.options_at(mark.start, True)
        measure = self.prices.measure_at(starts[i], self.prices.options_at(end, False)[k])
        more_m = self._take_m(starts[i], True) - self._take_m(starts[0], True)
        straight = measure.close(mark.tape)
        if mark.number == 0:
            straight = straight.as_long(straight.length_m + more_m)
        fits = mark.number + 1 == len(self.prices.stood)
        pieces = self._cut(straight, self._stood(mark.number) if fits else None)
        if mark.first is not None and fits:
            pieces += self._cut(mark.first.as_long(mark.first.length_m + more_m), self._stood(0))
        return pieces

    def _cut(self, straight: Straight, stood: Straight | None) -> list[tuple[CatalogItem, float]]:
        """Return the pieces of a straight as they are bought, what is too long for a length coupled."""
        return self.prices.shop.pipes.joined(straight.cut(stood))

    def _cost(self, pieces: Sequence[tuple[CatalogItem, float]]) -> float:
        rate = self.prices.shop.rate
        return sum(rate(item) * (units_of(length_m) + KERF) for item, length_m in pieces)


def _key(straight: Straight) -> tuple[object, ...]:
    pipes = tuple((p.item.item_id, round(1e6 * p.shows_m), round(1e6 * p.length_m)) for p in straight.pipes)
    stubs = tuple((p.item.item_id, round(1e6 * p.length_m)) for p in straight.stubs)
    return round(1e6 * straight.length_m), pipes, stubs, straight.open
