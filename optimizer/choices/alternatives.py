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
from collections.abc import Callable, Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, field
from functools import cached_property, partial
from operator import itemgetter, le
from typing import Any, NamedTuple, Self

import numpy as np

from optimizer.choices.effort import Effort
from optimizer.choices.graph import Arc, ChoiceGraph, EndState
from optimizer.choices.joining import SAW_CUT_M
from optimizer.choices.side_resources import Sides
from optimizer.clock import look
from optimizer.model.catalog import PIPES, CatalogItem
from optimizer.model.network import Part

LossOfPart = Callable[[Part], float]
LossOfArc = Callable[[Arc], float]


_Row = tuple[Any, int, int, int, Any]  # loss [m], cents, packs (bits), side resources used (packed), the step
_BY_LOSS = itemgetter(0, 1, 3)
_ENDLESS = 1 << 60
_APART = 1 << 40  # cents by which groups are told apart: more than any way costs


class _Ways(NamedTuple):
    """The efficient ways to a node as columns, group by group, in each least loss first.

    Ways of one group are compared: those from one root, in one draw. `step` is which of `steps` a way took last, (the
    node before, the priced step), and `before` which of the ways to that node it goes on from.
    """

    loss_m: Any
    cents: Any
    packs: Any
    used: Any
    group: Any
    step: Any
    before: Any
    steps: Sequence[tuple[int, _Row]] = ()

    def of(self, group: int) -> range:
        """Return the places of the ways of a group."""
        return range(*np.searchsorted(self.group, (group, group + 1)).tolist())

    def told(self, group: int) -> list[tuple[float, int, int]]:
        at = self.of(group)
        columns = (column[at.start : at.stop].tolist() for column in (self.loss_m, self.cents, self.packs))
        return list(zip(*columns, strict=True))


@dataclass(frozen=True, slots=True)
class Pack:
    """What the first use of it opens for all runs: a method of joints, or a pipe by its id; price in whole cents."""

    method: str
    cents: int


@dataclass(frozen=True)
class Alternative:
    """One way to plumb a run: whole cents, pipe by the length used; head lost [m]; packs that it opens (bits)."""

    cents: int
    loss_m: float
    packs: int
    traced: Callable[[], tuple[Arc, ...]]  # of many alternatives few are ever asked for their steps
    used: tuple[int, ...] = ()  # whole units of each side resource that the table was asked for

    @classmethod
    def of(cls, cents: int, loss_m: float, packs: int, arcs: tuple[Arc, ...], used: tuple[int, ...] = ()) -> Self:
        """Return the alternative that these steps make."""
        return cls(cents, loss_m, packs, lambda: arcs, used)

    @cached_property
    def arcs(self) -> tuple[Arc, ...]:
        """Return the steps of the way, in the order of the run."""
        return self.traced()

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
    losses: dict[int, float] = field(default_factory=dict)  # of steps, by id, as far as they are known
    least: Mapping[int, int] | None = None  # by id of a step: what it costs, where that is not its price in whole cents
    drawn: Mapping[int, Any] | None = None  # by id of a step: in place of that, its losses in several draws [m]
    draw: int = 0  # the one of them that is told of
    _arcs: list[list[_Row]] = field(init=False)
    _backwards: bool = field(init=False, default=False)
    _reached: list[_Ways | None] = field(init=False)
    _together: list[list[_Ways | None]] = field(init=False, default_factory=list)  # ways on to any end, once asked for
    _told_to_go: list[list[tuple[float, int, int]]] | None = field(init=False, default=None)
    _opening_cents: list[int] = field(init=False)
    _opening_beyond: list[list[int]] = field(init=False)  # by packs opened, and packs that are open already
    _beyond: Any = field(init=False)  # the same as an array
    _loss_by_id: dict[int, float] = field(init=False, default_factory=dict)  # of the parts of the graph
    _loss_memo: dict[tuple[object, ...], float] = field(init=False, default_factory=dict)
    _packs_memo: dict[tuple[int, int], int] = field(init=False, default_factory=dict)  # by ids of parts and joints
    _has_effort: bool = field(init=False)

    def __post_init__(self) -> None:
        self._has_effort = self.effort != Effort()

    def table(self) -> Mapping[tuple[EndState, EndState], tuple[Alternative, ...]]:
        """Return {(start state, end state): alternatives, least loss first}; pairs that no path joins are left out."""
        self.find()
        return self.alternatives()

    def find(self) -> None:
        """Work out what `alternatives` tells."""
        masks = range(1 << len(self.packs))
        self._opening_cents = [sum(p.cents for i, p in enumerate(self.packs) if mask >> i & 1) for mask in masks]
        self._opening_beyond = [[self._opening_cents[packs & ~mask] for mask in masks] for packs in masks]
        self._beyond = np.array(self._opening_beyond)
        self._arcs = [self._priced(arcs) for arcs in self.graph.arcs]
        starts, ends = self.graph.starts, self.graph.ends
        self._backwards = len(ends) < len(starts)  # one pass for all states of the end that has fewer
        self._reached = self._run_from([*(ends if self._backwards else starts).values()], self._backwards)

    def in_draw(self, draw: int) -> AlternativeTable:
        """Return the same table as it is in one of several draws, of which all were worked out together."""
        there = copy(self)
        there.draw, there._told_to_go, there.losses = draw, None, {}
        return there

    def alternatives(self) -> Mapping[tuple[EndState, EndState], tuple[Alternative, ...]]:
        """Return what was found, in the draw that is told of."""
        found: dict[tuple[EndState, EndState], tuple[Alternative, ...]] = {}
        roots = list(dict.fromkeys((self.graph.ends if self._backwards else self.graph.starts).values()))
        for start, node in self.graph.starts.items():
            for end, end_node in self.graph.ends.items():
                there, root = (node, end_node) if self._backwards else (end_node, node)
                ways, group = self._reached[there], roots.index(root) * self._draws + self.draw
                if ways is not None and ways.of(group):
                    found[start, end] = tuple(self._alternatives(ways, group))
        return found

    @cached_property
    def _draws(self) -> int:
        return len(next(iter(self.drawn.values()), (0.0,))) if self.drawn is not None else 1

    def to_go(self) -> list[list[tuple[float, int, int]]]:
        """Return for every node the efficient ways on to any end, as (loss [m], cost, packs); after `find` only."""
        if self._told_to_go is None:
            self._told_to_go = [[] if ways is None else ways.told(self.draw) for ways in self._ways_on]
        return self._told_to_go

    @property
    def _ways_on(self) -> list[_Ways | None]:
        if self._backwards and len(self.graph.ends) == 1:
            return self._reached
        if not self._together:
            self._together.append(self._run_from(list(self.graph.ends.values()), True, apart=False))
        return self._together[0]

    def so_far(self) -> list[list[tuple[float, int, int]]]:
        """Return for every node the efficient ways from any start, as (loss [m], cost, packs); after `find` only."""
        reached = self._run_from(list(self.graph.starts.values()), False, apart=False)
        return [[] if ways is None else ways.told(self.draw) for ways in reached]

    def _run_from(self, roots: Sequence[int], backwards: bool, apart: bool = True) -> list[_Ways | None]:
        """Return the efficient ways from each root, or from any, to every node, or, backwards, from every node."""
        steps: list[list[tuple[int, _Row]]] = [[] for _ in self._arcs]
        for tail, rows in enumerate(self._arcs):
            for row in rows:
                steps[tail if backwards else row[4].head].append((row[4].head if backwards else tail, row))
        found: list[_Ways | None] = [None] * len(steps)
        nothing = np.zeros(self._draws, dtype=np.int64)
        for i, root in enumerate(dict.fromkeys(roots)):
            groups = np.arange(self._draws) + (i * self._draws if apart else 0)
            found[root] = _Ways(np.zeros(self._draws), nothing, nothing, nothing, groups, nothing, nothing)
        for index in range(max(roots, default=-1), -1, -1) if backwards else range(min(roots, default=0), len(steps)):
            own = [step for step in steps[index] if found[step[0]] is not None]
            if own and found[index] is None:
                look()
                own.sort(key=itemgetter(0), reverse=backwards)
                found[index] = self._joined(own, [ways for other, _ in own if (ways := found[other]) is not None])
        return found

    def _joined(self, steps: Sequence[tuple[int, _Row]], before: Sequence[_Ways]) -> _Ways | None:
        """Return the efficient ways that end with one of these steps, each behind the ways to where it begins."""
        if len(steps) == 1 and not self.sides.labelled and not (steps[0][1][2] & ~before[0].packs).any():
            return self._behind_one(steps, before[0])
        counts = np.array([len(ways.loss_m) for ways in before])
        step = np.repeat(np.arange(len(steps)), counts)
        losses, cents, packs, used, _ = zip(*(row for _, row in steps), strict=True)
        group = np.concatenate([ways.group for ways in before])
        lost = np.array(losses)[step] if self.drawn is None else np.array(losses)[step, group % self._draws]
        columns = (
            np.concatenate([ways.loss_m for ways in before]) + lost,
            np.concatenate([ways.cents for ways in before]) + np.array(cents)[step],
            np.concatenate([ways.packs for ways in before]) | np.array(packs)[step],
            np.concatenate([ways.used for ways in before]) + np.array(used, dtype=self._whole)[step],
            group,
        )
        kept = np.flatnonzero(columns[0] <= self.loss_limit_m)
        if len(kept) < len(step):
            kept = kept[self._best(*(column[kept] for column in columns))]
        else:
            kept = self._best(*columns)
        if not len(kept):
            return None
        begun = np.cumsum(counts) - counts
        step = step[kept]
        return _Ways._make([*(column[kept] for column in columns), step, kept - begun[step], steps])

    def _behind_one(self, steps: Sequence[tuple[int, _Row]], before: _Ways) -> _Ways | None:
        """Return the ways that go on with the only step there is: it makes none of them needless."""
        loss, cents, _, used, _ = steps[0][1]
        loss_m = before.loss_m + (loss if self.drawn is None else loss[before.group % self._draws])
        places = np.flatnonzero(loss_m <= self.loss_limit_m)
        uses = before.used[places] + np.array(used, dtype=self._whole)
        columns = (loss_m[places], before.cents[places] + cents, before.packs[places], uses, before.group[places])
        return _Ways(*columns, np.zeros_like(places), places, steps) if len(places) else None

    @property
    def _whole(self) -> Any:
        """Return the kind of number that holds several uses packed."""
        return object if len(self.sides.counted) > 1 else np.int64

    def _best(self, loss_m: Any, cents: Any, packs: Any, used: Any, group: Any) -> Any:
        """Return which ways no other of their group makes needless, group by group, least loss first."""
        if self.sides.labelled:
            columns = (loss_m.tolist(), cents.tolist(), packs.tolist(), used.tolist(), range(len(cents)))
            rows = list(zip(*columns, strict=True))
            each = ([rows[at] for at in np.flatnonzero(group == one).tolist()] for one in np.unique(group))
            return np.array([row[4] for own in each for row in self._efficient(own)], dtype=np.int64)
        order = np.argsort(loss_m, kind="stable")
        if group.any() and (group != group[0]).any():
            order = order[np.argsort(group[order], kind="stable")]
            cents = cents - _APART * group  # of each group all cost less than those before
        kept = self._undercut(order, cents, packs)
        lost = loss_m[kept]
        if not (lost[1:] == lost[:-1]).any():
            return kept
        few = used[kept]
        if few.dtype == object:
            few = np.unique(few, return_inverse=True)[1]
        return self._undercut(kept[np.lexsort((few, cents[kept], lost, group[kept]))], cents, packs)

    def _undercut(self, order: Any, cents: Any, packs: Any) -> Any:
        """Return of ways in an order those that cost less than each before, with what it opens beyond that one."""
        cents, packs = cents[order], packs[order]
        kept = np.ones(len(order), dtype=bool)
        least = np.empty(len(order), dtype=np.int64)
        for opened in np.flatnonzero(np.bincount(packs)):
            least[:1] = _ENDLESS
            np.minimum.accumulate(np.where(packs == opened, cents, _ENDLESS)[:-1], out=least[1:])
            kept &= cents < least + self._beyond[opened][packs]
        return order[kept]

    def _efficient(self, labels: list[_Row]) -> list[_Row]:
        """Return the steps or ways that no other makes needless, least loss first."""
        labels.sort(key=_BY_LOSS)
        if self.sides.labelled:
            return self._efficient_beside(labels)
        least = [math.inf] * len(self._opening_cents)  # by packs opened: what a label must cost less than, to be kept
        kept: list[_Row] = []
        for label in labels:
            cents, packs = label[1], label[2]
            if cents < least[packs]:
                kept.append(label)
                least = [
                    cents + more if cents + more < other else other
                    for more, other in zip(self._opening_beyond[packs], least, strict=True)
                ]
        return kept

    def _efficient_beside(self, labels: list[_Row]) -> list[_Row]:
        """Return those, sorted by loss, that none before makes needless in cost and all side resources."""
        opening = self._opening_cents
        stairs: dict[tuple[int, tuple[int, ...]], _Stairs] = {}  # by packs opened and all resources used but the last
        kept: list[_Row] = []
        for label in labels:
            cents, packs, split = label[1], label[2], self.sides.split(label[3])
            first, last = split[:-1], split[-1]
            if self.sides.exceeded(split) or any(
                steps.least_at(last) + opening[other & ~packs] <= cents and all(map(le, less, first))
                for (other, less), steps in stairs.items()
            ):
                continue
            stairs.setdefault((packs, first), _Stairs()).add(last, cents)
            kept.append(label)
        return kept

    def _priced(self, arcs: Sequence[Arc]) -> list[_Row]:
        """Return the arcs with their numbers, without those that a parallel arc makes needless."""
        groups: dict[int, list[_Row]] = defaultdict(list)
        for arc in arcs:
            loss = self.arc_loss(arc)
            if loss < math.inf:
                lost = loss if self.drawn is None else self.drawn[id(arc)]
                groups[arc.head].append((lost, *self.price(arc), self.sides.packed(arc), arc))
        alone = self.drawn is None
        return [r for group in groups.values() for r in (self._efficient(group) if alone and len(group) > 1 else group)]

    def arc_loss(self, arc: Arc) -> float:
        """Return what a step loses [m], endless where a rule forbids it."""
        if self.drawn is not None:
            return float(self.drawn[id(arc)][self.draw])
        if id(arc) not in self.losses:
            self.losses[id(arc)] = (self.loss_of_arc or self._loss_of)(arc)
        return self.losses[id(arc)]

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
        known, key = self.graph.cents, (id(arc.parts), id(arc.extra_pipe), id(arc.couplings))
        if key not in known:
            known[key] = parts_cents(arc)
        return known[key] + self.effort.cents(arc) if self._has_effort else known[key]

    def _arc_packs(self, arc: Arc) -> int:
        key = id(arc.parts), id(arc.joints)
        if key not in self._packs_memo:
            pipes = {part.item.item_id for part in arc.parts if part.kind in PIPES and part.item and not part.existing}
            used = pipes.union(method for method, _ in arc.joints)
            self._packs_memo[key] = sum(1 << i for i, pack in enumerate(self.packs) if pack.method in used)
        return self._packs_memo[key]

    def _alternatives(self, ways: _Ways, group: int) -> Iterator[Alternative]:
        """Yield the ways of a group to a node, or, backwards, those from it."""
        for number, (loss_m, cents, packs) in zip(ways.of(group), ways.told(group), strict=True):
            used = self.sides.units(int(ways.used[number]), cents)
            yield Alternative(
                cents, loss_m, packs, partial(_traced, self._reached, ways, number, self._backwards), used
            )

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


def _traced(reached: Sequence[_Ways | None], ways: _Ways, number: int, backwards: bool) -> tuple[Arc, ...]:
    """Return the steps of one of the ways to a node, or, backwards, from it."""
    arcs: list[Arc] = []
    while ways.steps:
        other, row = ways.steps[ways.step[number]]
        arcs.append(row[4])
        before = reached[other]
        assert before is not None
        ways, number = before, ways.before[number]
    return tuple(arcs if backwards else reversed(arcs))


def parts_cents(arc: Arc) -> int:
    """Return what the parts and the pipe of a step cost in whole cents, without the work."""
    cents = sum([item.price_cents for item in arc.couplings])
    for part in arc.parts:
        if part.item is not None and not part.existing and part.kind not in PIPES:
            cents += part.item.price_cents
    return cents + sum([pipe_cents(item, length_m) for item, length_m in pipe_of(arc)])


def pipe_of(arc: Arc) -> Sequence[tuple[CatalogItem, float]]:
    """Return the new pipe that an arc takes [m], with saw cuts and what goes into sockets and over gaps."""
    pieces = [
        (part.item, part.length_m + SAW_CUT_M)
        for part in arc.parts
        if part.kind in PIPES and part.item is not None and not part.existing
    ]
    pieces += arc.extra_pipe
    if len(pieces) < 2:
        return pieces
    used: dict[str, tuple[CatalogItem, float]] = {}
    for item, length_m in pieces:
        used[item.item_id] = (item, used.get(item.item_id, (item, 0.0))[1] + length_m)
    return list(used.values())


def pipe_cents(item: CatalogItem, length_m: float) -> int:
    """Return what a length of pipe costs in whole cents, rounded up, as a share of a sale length."""
    return math.ceil(length_m / item.sale_length_m * item.price_cents - 1e-9)
