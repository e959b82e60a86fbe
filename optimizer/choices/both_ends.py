"""The alternatives of a run whose flow is not known: efficient over a range of flow, at both ends of what it may lose.

Two passes of label setting over the run's choice graph. The first keeps what no other beats in money and in loss at
both ends of the flow range; the second what none beats in money and in *resisting*, for a branch without a valve can
be asked to lose more. What lies between (dearer than a less lossy way and than a more lossy one) is left out, but for
small runs, of which all ways are told (`all_ways`).

Where a sump is so small that the water in the pipe counts, the same is done at several prices of water, from none to
more than any part costs: so there are ways that hold less, and the one that holds least. What is no cheapest way at
any of these prices is left out.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter, le
from typing import Any

import numpy as np

from optimizer.choices.alternatives import AlternativeTable, Pack
from optimizer.choices.effort import Effort
from optimizer.choices.graph import Arc, ChoiceGraph, EndState
from optimizer.choices.loss_basis import ArcRows, Floats
from optimizer.choices.side_resources import Sides
from optimizer.clock import look
from optimizer.model.network import Part


@dataclass(frozen=True, slots=True)
class RangedAlternative:
    """One way to plumb a run: cents, packs (bits), its loss as a row over the run's laws, where it may be used.

    `most_m3_s` is the flow at which one of its parts reaches a velocity limit; `used` has the whole units of each side
    resource.
    """

    cents: int
    packs: int
    arcs: tuple[Arc, ...]
    row: Floats
    most_m3_s: float
    start: EndState
    end: EndState
    used: tuple[int, ...] = ()

    @property
    def parts(self) -> tuple[Part, ...]:
        return tuple(part for arc in self.arcs for part in arc.parts)


# losses at the two ends of the flow range (negative in the pass that wants resistance), cents, packs (bits), the most
# flow that is allowed, the label before, the arc that led here, side resources used (packed)
_Label = tuple[float, float, float, int, float, Any, Any, int]
_Priced = tuple[int, int, int]  # of a step: cents, packs (bits), side resources used (packed)
_MOST_WAYS, _MOST_UNLIMITED = 1000, 60  # as are told of a small run, within a limit of cost and without one
_DRY = 100.0  # cents for a µL of water: what holds least is the cheapest then
_SHARES = (0.1, 0.3, 1.0, 3.0)
_ROUNDED_M = 1e-9  # a hair of head: sums in another order differ by less
_BY_LOSS = itemgetter(0, 1, 2)


@dataclass
class _Stairs:
    """The least cents so far by second loss: rising loss, falling cents."""

    losses: list[float] = field(default_factory=list)
    cents: list[float] = field(default_factory=list)

    def least(self, second: float) -> float:
        at = bisect_right(self.losses, second)
        return self.cents[at - 1] if at else math.inf

    def put(self, second: float, cents: float) -> None:
        at = bisect_left(self.losses, second)
        end = at
        while end < len(self.losses) and self.cents[end] >= cents:
            end += 1
        self.losses[at:end], self.cents[at:end] = [second], [cents]


@dataclass(frozen=True)
class Weighing:
    """What the passes weigh by: packs that all runs share, work, the two flows [m³/s].

    `loss_limit_m` is what a run may lose at its least flow; a run that may stand still has no such limit. `sides` are
    what a plan may use only so much of; where water `is_water_scarce` ways that hold less of it are wanted too. Only
    ways matter whose cents, with what the rest of a plan costs at least, come to no more than `most_cents`: `rest` has
    losses at the lower flow [m], rising, and those costs of what loses less than each, with one more for all others.
    """

    packs: tuple[Pack, ...]
    effort: Effort
    low_m3_s: float
    high_m3_s: float
    loss_limit_m: float = math.inf
    sides: Sides = field(default_factory=Sides)
    most_cents: float = math.inf
    rest: tuple[Sequence[float], Sequence[float]] | None = None
    is_water_scarce: bool = False
    least: Mapping[int, int] | None = None  # as of `AlternativeTable`

    @property
    def flows_m3_s(self) -> tuple[float, float]:
        """Return the two flows at which ways are compared; next to rest nothing can be told apart."""
        low, high = self.low_m3_s, self.high_m3_s
        if 0.0 <= low < 0.05 * high:
            return 0.05 * high, high
        return low, high if high > 0.0 or high < 0.05 * low else 0.05 * low

    @property
    def surely_flows(self) -> bool:
        """Return whether the first of the two flows is the least there is: what a way loses there it surely loses."""
        return 0.0 < self.low_m3_s == self.flows_m3_s[0]

    @property
    def largest_m3_s(self) -> float:
        return max(abs(self.low_m3_s), abs(self.high_m3_s))

    @property
    def least_size_m3_s(self) -> float:
        """Return the smallest flow, without sign, that the range holds."""
        return 0.0 if self.low_m3_s <= 0.0 <= self.high_m3_s else min(abs(self.low_m3_s), abs(self.high_m3_s))


def ranged_alternatives(
    graph: ChoiceGraph, rows: ArcRows, weighing: Weighing, both_ends: bool = False
) -> tuple[RangedAlternative, ...]:
    """Return the alternatives of a run over a range of flow; with `both_ends` the most resisting ones as well.

    Where several passes find the same way it is listed once.
    """
    found: dict[tuple[object, ...], RangedAlternative] = {}
    priced = _priced(graph, weighing)

    def look_at(cents_a_grain: float) -> None:
        for sign in (+1.0, -1.0) if both_ends else (+1.0,):
            for way in _Pass(graph, rows, weighing, sign, cents_a_grain, priced).run():
                found.setdefault((way.start, way.end, tuple(map(id, way.arcs))), way)

    look_at(0.0)
    if weighing.is_water_scarce and found:
        look_at(_DRY)
        for price in _prices(list(found.values()), weighing.sides):
            look_at(price)
    return tuple(found.values())


def all_ways(graph: ChoiceGraph, rows: ArcRows, weighing: Weighing) -> tuple[RangedAlternative, ...] | None:
    """Return every way of a run within the limits, of those that lose the same the cheapest; None: they are too many.

    So it is where anything else has a limit besides, too.
    """
    if weighing.sides.counted:
        return None
    try:
        return tuple(_All(graph, rows, weighing, +1.0, 0.0, _priced(graph, weighing)).run())
    except _TooManyError:
        return None


def _priced(graph: ChoiceGraph, weighing: Weighing) -> list[_Priced]:
    """Return what every step of a graph costs [cents], the packs that it opens (bits), the side resources it uses."""
    own, least, counted = weighing.effort, weighing.least, bool(weighing.sides.counted)
    key = weighing.packs, own
    known = graph.priced.get(key) if least is None and not counted else None
    if known is None:
        pricing = AlternativeTable(graph, weighing.packs, _none, _none, _none, effort=own, least=least)
        packed = weighing.sides.packed if counted else _uses_nothing
        known = [(*pricing.price(arc), packed(arc)) for arcs in graph.arcs for arc in arcs]
        if least is None and not counted:
            graph.priced[key] = known
    return known


def _uses_nothing(_: Arc) -> int:
    return 0


def _prices(found: Sequence[RangedAlternative], sides: Sides) -> list[float]:
    """Return prices of water [cents a grain] about the one at which the dearest ways are worth the water they save."""
    at = sides.priced
    cents, grains = [way.cents for way in found], [way.used[at] * sides.resources[at].grains for way in found]
    if max(grains) == min(grains):
        return []
    about = (max(cents) - min(cents)) / (max(grains) - min(grains))
    return [share * about for share in _SHARES if about > 0.0]


class _Pass:
    """One label setting: with `sign` +1 less loss is better, with -1 more.

    It goes from the end of the run that may be in fewer states, once from each, and drops a label as soon as the rest
    of the way can not be had for what is left.
    """

    def __init__(
        self,
        graph: ChoiceGraph,
        rows: ArcRows,
        weighing: Weighing,
        sign: float,
        cents_a_grain: float,
        priced: Sequence[_Priced],
    ) -> None:
        self.graph, self.rows, self.w, self.sign = graph, rows, weighing, sign
        self.plain = not weighing.sides.labelled
        self.price = cents_a_grain  # of water; labels count it in their cents
        masks = range(1 << len(weighing.packs))
        self.opening = [sum(p.cents for i, p in enumerate(weighing.packs) if mask >> i & 1) for mask in masks]
        self.limit = weighing.loss_limit_m if sign > 0.0 and weighing.surely_flows else math.inf
        self.backwards = len(graph.ends) < len(graph.starts)
        self.roots, self.leaves = (graph.ends, graph.starts) if self.backwards else (graph.starts, graph.ends)
        self.steps = self._steps(priced)
        self.to_go = self._to_go()

    def _steps(self, priced: Sequence[_Priced]) -> list[list[tuple[int, _Label]]]:
        """Return the steps on from every node, without those that may not carry even the least flow."""
        weighing = self.w
        first, second = (
            (self.sign * math.copysign(1.0, flow) * self.rows.losses_m(flow)).tolist() for flow in weighing.flows_m3_s
        )
        may_carry = self.rows.most_m3_s
        most = np.where(may_carry >= weighing.largest_m3_s, math.inf, may_carry).tolist()
        least_size = weighing.least_size_m3_s
        arcs = [(tail, arc) for tail, found in enumerate(self.graph.arcs) for arc in found]
        groups: dict[tuple[int, int], list[_Label]] = {}
        for (tail, arc), loss, other, (cents, packs, used), able in zip(arcs, first, second, priced, most, strict=True):
            if able >= least_size:
                paid = cents + self._paid(used) if self.price else cents
                label = (loss, other, paid, packs, able, None, arc, used)
                groups.setdefault((arc.head, tail) if self.backwards else (tail, arc.head), []).append(label)
        steps: list[list[tuple[int, _Label]]] = [[] for _ in self.graph.nodes]
        for (node, after), group in groups.items():
            steps[node] += [(after, label) for label in (self._efficient(group) if len(group) > 1 else group)]
        return steps

    def _to_go(self) -> list[tuple[float, float]]:
        """Return by node what the rest of a way costs and loses at the least [cents, m], each by itself."""
        found = [(math.inf, math.inf)] * len(self.steps)
        for node in self.leaves.values():
            found[node] = (0.0, 0.0)
        order = range(len(self.steps))
        for node in order if self.backwards else reversed(order):
            for after, (loss, _, cents, _, _, _, _, used) in self.steps[node]:
                least = found[after]
                own = cents - self._paid(used) if self.price else cents
                found[node] = min(found[node][0], least[0] + own), min(found[node][1], least[1] + self.sign * loss)
        return found

    def _paid(self, used: int) -> float:
        """Return what the water of a label costs [cents]."""
        return self.price * self.w.sides.priced_grains(used)

    def run(self) -> list[RangedAlternative]:
        found = []
        for state, node in self.roots.items():
            labels = self._from(node)
            for other, leaf in self.leaves.items():
                ends = (other, state) if self.backwards else (state, other)
                found += [self._trace(label, *ends) for label in labels[leaf]]
        return found

    def _from(self, root: int) -> list[list[_Label]]:
        waiting: list[list[_Label]] = [[] for _ in self.graph.nodes]
        waiting[root] = [(0.0, 0.0, 0, 0, math.inf, None, None, 0)]
        for index in range(root, -1, -1) if self.backwards else range(root, len(waiting)):
            if not waiting[index]:
                continue
            look()
            labels = waiting[index] = self._efficient(self._affordable(waiting[index], index))
            for after, (first, second, cents, packs, most, _, arc, used) in self.steps[index]:
                limit = self.limit - self.to_go[after][1] + _ROUNDED_M - first
                waiting[after] += [
                    (a + first, b + second, c + cents, p | packs, m if m < most else most, label, arc, u + used)
                    for label in labels
                    for a, b, c, p, m, _, _, u in (label,)
                    if a <= limit
                ]
        return waiting

    def _affordable(self, labels: list[_Label], node: int) -> list[_Label]:
        """Return the labels that a plan within the limit can have, with what the rest of the way takes at least."""
        if self.w.rest is None:
            return labels
        (losses_m, cents), most, sign = self.w.rest, self.w.most_cents - self.to_go[node][0], self.sign
        ahead_m = self.to_go[node][1] - _ROUNDED_M
        if self.price:
            paid, most = self._paid, most + 1e-3
            return [
                each
                for each in labels
                if each[2] - paid(each[7]) + cents[bisect_right(losses_m, sign * each[0] + ahead_m)] <= most
            ]
        return [each for each in labels if each[2] + cents[bisect_right(losses_m, sign * each[0] + ahead_m)] <= most]

    def _efficient(self, labels: list[_Label]) -> list[_Label]:
        """Return the labels that no other makes needless."""
        labels.sort(key=_BY_LOSS)
        stairs: dict[tuple[int, float, tuple[int, ...]], _Stairs] = {}
        if self.plain:
            return self._efficient_alone(labels)
        sides = self.w.sides
        kept = []
        opening = self.opening
        for label in labels:
            _, second, cents, packs, most, _, _, used = label
            split = sides.split(used)
            if sides.exceeded(split):
                continue
            for (other, reach, less), steps in stairs.items():
                if (
                    reach >= most
                    and steps.least(second) + opening[other & ~packs] <= cents
                    and all(map(le, less, split))
                ):
                    break
            else:
                stairs.setdefault((packs, most, split), _Stairs()).put(second, cents)
                kept.append(label)
        return kept

    def _efficient_alone(self, labels: list[_Label]) -> list[_Label]:
        """Return the same of labels, by loss, that use nothing else of which there is only so much."""
        if len(labels) == 1:
            return labels
        stairs: dict[tuple[int, float], _Stairs] = {}
        told: list[tuple[int, float, list[float], list[float]]] = []  # the same, at hand: this is where the time goes
        kept, opening = [], self.opening
        for label in labels:
            _, second, cents, packs, most, _, _, _ = label
            for other, reach, losses, least in told:
                at = bisect_right(losses, second)
                if at and reach >= most and least[at - 1] + opening[other & ~packs] <= cents:
                    break
            else:
                own = stairs.get((packs, most))
                if own is None:
                    own = stairs[packs, most] = _Stairs()
                    told.append((packs, most, own.losses, own.cents))
                if not own.losses or second > own.losses[-1]:  # as nearly always: what `put` does then
                    own.losses.append(second)
                    own.cents.append(cents)
                else:
                    own.put(second, cents)
                kept.append(label)
        return kept

    def _trace(self, label: _Label, start: EndState, end: EndState) -> RangedAlternative:
        arcs: list[Arc] = []
        at: Any = label
        while at is not None and at[6] is not None:
            arcs.append(at[6])
            at = at[5]
        if not self.backwards:
            arcs.reverse()
        cents = round(label[2] - self._paid(label[7])) if self.price else int(label[2])
        used = self.w.sides.units(label[7], cents)
        return RangedAlternative(cents, label[3], tuple(arcs), self.rows.row(arcs), label[4], start, end, used)


class _TooManyError(Exception):
    """There are more ways than are told one by one."""


class _All(_Pass):
    """The pass that drops a label only for a cheaper one that loses the same."""

    def _efficient(self, labels: list[_Label]) -> list[_Label]:
        best: dict[tuple[int, int, int, float], _Label] = {}
        for label in labels:
            first, second, cents, packs, most, *_ = label
            key = round(first / _ROUNDED_M), round(second / _ROUNDED_M), packs, most
            if key not in best or cents < best[key][2]:
                best[key] = label
        if len(best) > (_MOST_UNLIMITED if self.w.rest is None else _MOST_WAYS):
            raise _TooManyError
        return list(best.values())


def _none(_: Part) -> float:
    return 0.0
