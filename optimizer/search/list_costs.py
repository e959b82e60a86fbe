"""What every step along a run adds to the parts list at the least, so that a sum of steps never exceeds the list.

A piece of pipe costs its share of the cheapest length, a washer its share of a pack. Where new fittings are longer
than what they replace, the pipe beside them may be that much shorter: that is taken off, at the dearest pipe's rate.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Any, NamedTuple

from optimizer.choices.alternatives import Alternative, AlternativeTable
from optimizer.choices.effort import Effort
from optimizer.choices.graph import FREE, KEPT, Arc, ChoiceGraph, EndState
from optimizer.choices.tees import TeeOption
from optimizer.joints.chains import STUB_CLEARANCE_M
from optimizer.model.catalog import PIPES, Kind
from optimizer.model.ends import End
from optimizer.model.network import Network, Part, Run
from optimizer.takeoff.cutting import UNIT_M
from optimizer.takeoff.fitted import LEGS, Measure, NewPipe, RunEnds, Straight, Tape
from optimizer.takeoff.list_price import KERF, MILLICENTS, JointShop, PipeShop

Last = tuple[Part | None, int | None]  # the part laid last (None: the tee), and its place in the old run


@dataclass(frozen=True)
class Shop:
    """How everything is bought, and what the owner's work is worth."""

    pipes: PipeShop
    joints: JointShop
    effort: Effort
    depths_m: Mapping[End, float]


_UNTOUCHED = 0.001 / UNIT_M  # what is less is not made up for [units]
_STUB_M = STUB_CLEARANCE_M + 1e-6  # pipe that shows no more than this is as short as it gets


class Segment(NamedTuple):
    """What a step adds to one straight: units by which it is longer than what stood there; the rate of pipe it lays.

    `rate` is that of pipe that can be made shorter [thousandths of a cent a unit]; none laid: 0.
    """

    more: float
    rate: float


class Step(NamedTuple):
    """What a step costs at the least [thousandths of a cent] with its pipe as stated, and what it does to straights.

    `alone` is a cost for whoever does not follow the straights: what pipe may be saved elsewhere is taken off.
    """

    cents: float
    segments: tuple[Segment, ...]
    alone: int


@dataclass
class RunPrices:
    """Lower prices of a run's steps, in thousandths of a cent, and how its lengths are measured for each end state."""

    graph: ChoiceGraph
    network: Network
    tees: Mapping[str, list[TeeOption]]
    shop: Shop
    lasts: list[dict[tuple[int, int | None], Last]] = field(init=False)
    steps: dict[int, Step] = field(init=False, default_factory=dict)  # by id of a step
    together: dict[int, bool] = field(init=False, default_factory=dict)  # by id of a step: more than one pipe
    beside: dict[int, float] = field(init=False, default_factory=dict)  # by id of a step: of its cost, what is no money
    _measures: dict[tuple[EndState, EndState], Measure] = field(init=False, default_factory=dict)
    _between: dict[tuple[int, int], Measure] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        run = self.graph.run
        self.run = run
        self.stands = Measure(run, _ends_now(self.network, run), self.shop.depths_m)
        self.stood = self.stands.stood() if run.is_plumbed else []
        self.takes_m = self._old_lengths() if run.is_plumbed else []
        self.lasts = self._lasts()
        self.uneven = self._is_uneven()
        self.company = self._in_company()
        rates = list(self._rates())
        self.dearest, self.cheapest = max(rates, default=0.0), min(rates, default=0.0)
        tees = [self.network.tees.get(point) for point in (run.start.point, run.end.point)]
        self.closed = all(tee is None or tee.item is not None for tee in tees) and all(
            part.kind is not Kind.OPEN_JOINT for part in run.parts
        )
        self.exact = self.closed and not self.uneven
        self._price_all()

    def measure(self, start: EndState, end: EndState) -> Measure:
        """Return what measures the run with fittings of these states at its ends: of several the first."""
        if (start, end) not in self._measures:
            self._measures[start, end] = self.measure_at(self._option(start, True), self._option(end, False))
        return self._measures[start, end]

    def measure_at(self, start: TeeOption | None, end: TeeOption | None) -> Measure:
        """Return what measures the run between two fittings (None: there is none)."""
        if (id(start), id(end)) not in self._between:
            self._between[id(start), id(end)] = self._made(start, end)
        return self._between[id(start), id(end)]

    def _made(self, start: TeeOption | None, end: TeeOption | None) -> Measure:
        points = (self.run.start.point, self.run.end.point)
        water = (self.network.tees.get(points[0]) is None, self.network.tees.get(points[1]) is None)
        options = (start, end)
        items = tuple(
            (self.network.tees[point].item if point in self.network.tees else None) if one is None else one.tee.item
            for point, one in zip(points, options, strict=True)
        )
        kept = tuple(one is None or one.tee.existing for one in options)
        return Measure(self.run, RunEnds((items[0], items[1]), water, (kept[0], kept[1])), self.shop.depths_m)

    def options_at(self, state: EndState, at_start: bool) -> list[TeeOption | None]:
        """Return the fittings that give the run this state at one end."""
        end = self.run.start if at_start else self.run.end
        found: list[TeeOption | None] = [o for o in self.tees.get(end.point, []) if o.states.get(end.leg) == state]
        return found or [None]

    def places(self, tail: int, arc: Arc) -> list[int | None]:
        """Return where the parts of a step stood in the old run."""
        at = self.graph.nodes[tail].position
        old = self.run.parts[at] if at < len(self.run.parts) else None
        return [at if part is old else None for part in arc.parts]

    def fixed_cents(self, arc: Arc) -> int:
        """Return what a step's parts other than pipe cost, and the work on it [cents]."""
        parts = (part for part in arc.parts if not part.existing and part.item is not None and part.kind not in PIPES)
        return sum(part.item.price_cents for part in parts if part.item) + self.shop.effort.cents(arc)

    def _option(self, state: EndState, at_start: bool) -> TeeOption | None:
        return self.options_at(state, at_start)[0]

    def _rates(self) -> Iterable[float]:
        items = {id(part.item): part.item for arcs in self.graph.arcs for arc in arcs for part in _new_pipe(arc)}
        return (self.shop.pipes.rate(item) for item in items.values() if item is not None)

    def _old_lengths(self) -> list[list[float]]:
        """Return what every part takes up with the joint before it [m], corner by corner, and last the run's end."""
        found, tape = [], self.stands.start()
        for place, part in enumerate(self.run.parts):
            lengths, before_m = [], tape.straight.length_m
            for one in self.stands.lay(tape, [part], [place], place):
                if isinstance(one, Tape):
                    tape = one
                    lengths.append(one.straight.length_m - before_m)
                else:
                    lengths.append(one.length_m - before_m)
                    before_m = 0.0
            found.append(lengths)
        found.append([self.stands.close(tape).length_m - tape.straight.length_m])
        return found

    def _in_company(self) -> list[bool]:
        """Return for every place of the run, and its end, whether its straight has more than one pipe."""
        number, numbers, pipes = 0, [], Counter[int]()
        for part, lengths in zip(self.run.parts, self.takes_m, strict=False):
            numbers.append(number)
            pipes[number] += part.kind in PIPES
            number += len(lengths) - 1
        return [pipes[number] > 1 for number in [*numbers, number]]

    def _is_uneven(self) -> bool:
        """Return whether a step may leave out or add a bend, so that nothing is made up for."""
        if not self.takes_m:
            return True
        graph = self.graph
        for tail, arcs in enumerate(graph.arcs):
            for arc in arcs:
                if not arc.parts and not arc.removed:
                    continue
                laid = self.stands.lay(Tape(Straight()), arc.parts, self.places(tail, arc), 0)
                past = min(graph.nodes[arc.head].position, len(self.run.parts))
                old = self.takes_m[graph.nodes[tail].position : past]
                if sum(isinstance(one, Straight) for one in laid) != sum(len(one) - 1 for one in old):
                    return True
        return False

    def _lasts(self) -> list[dict[tuple[int, int | None], Last]]:
        """Return for every node what may have been laid last there."""
        found: list[dict[tuple[int, int | None], Last]] = [{} for _ in self.graph.nodes]
        for node in self.graph.starts.values():
            found[node][0, -1] = (None, -1)
        for tail, arcs in enumerate(self.graph.arcs):
            for arc in arcs:
                if not arc.parts:
                    found[arc.head].update(found[tail])
                    continue
                part, place = arc.parts[-1], self.places(tail, arc)[-1:]
                at = place[0] if place else None
                key = (id(part.item) if at is None else -1, at if at is not None else -2 - part.reverse)
                found[arc.head].setdefault(key, (part, at))
        return found

    def follow(self, step: Step, waiting: float, rate: float, together: bool) -> tuple[float, float, float]:
        """Return what a step costs behind others, and the straight that is open then: (cost, units that wait, rate).

        Until pipe is laid in a straight, what parts are longer than the old ones waits; pipe then is so much shorter,
        or longer. `rate` is that of pipe laid there already, none: 0. With several pipes in a straight any may be it.
        """
        cost = step.cents
        for i, (more, laid) in enumerate(step.segments):
            if i:
                waiting, rate = 0.0, 0.0
            if laid:
                rate = max(rate, laid)
                cost -= self._shorter(waiting + more, rate, together)
                waiting = 0.0
            elif rate:
                cost -= self._shorter(more, rate, together)
            else:
                waiting += more
        return cost, waiting, rate

    def _shorter(self, units: float, rate: float, together: bool) -> float:
        """Return what is saved where pipe is so much shorter, or costs more where it is longer (below 0)."""
        if units >= 0.0:
            return units * (self.dearest if together else rate)
        if not self.exact:
            return 0.0
        return (units + _UNTOUCHED) * (self.cheapest if together else rate) if units < -_UNTOUCHED else 0.0

    def _price_all(self) -> None:
        starts = {node: state for state, node in self.graph.starts.items()}
        ends = {node: state for state, node in self.graph.ends.items()}
        for tail, arcs in enumerate(self.graph.arcs):
            at = min(self.graph.nodes[tail].position, len(self.run.parts))
            together = self.company[at]
            for arc in arcs:
                start, end = starts.get(tail), ends.get(arc.head)
                measure = self.measure(start if start is not None else FREE, end if end is not None else FREE)
                told = [self._pipe(tail, arc, last, measure, start, end) for last in self.lasts[tail].values()]
                cents = float(MILLICENTS * self.fixed_cents(arc))
                cents += sum(self.shop.joints.piece_rate(method, size) for method, size in arc.joints)
                if not told:
                    self.steps[id(arc)] = Step(cents, (Segment(0.0, 0.0),), int(cents))
                    continue
                pipe, segments = told[0]
                for other, more in told[1:]:
                    pipe = min(pipe, other)
                    segments = tuple(
                        Segment(max(a.more, b.more), max(a.rate, b.rate)) for a, b in zip(segments, more, strict=True)
                    )
                saved = self.dearest * sum(max(0.0, one.more) for one in segments)
                self.steps[id(arc)] = Step(cents + pipe, segments, math.floor(cents + pipe - saved))
                self.together[id(arc)] = together

    def _pipe(
        self,
        tail: int,
        arc: Arc,
        last: Last,
        measure: Measure,
        start: EndState | None,
        end: EndState | None,
    ) -> tuple[float, tuple[Segment, ...]]:
        """Return what a step's pipe costs as stated behind this last part, and what it does to straights."""
        part, place = last
        own: tuple[NewPipe, ...] = ()
        if part is not None and part.kind in PIPES and not part.existing and part.item is not None:
            own = (NewPipe(-1, part.item, 0.0, 0.0),)
        tape = Tape(Straight(0.0, own), part, place)
        straights: list[Straight] = []
        for one in measure.lay(tape, arc.parts, self.places(tail, arc), 0):
            if isinstance(one, Tape):
                tape = one
            else:
                straights.append(one)
        straights.append(measure.close(tape) if end is not None else tape.straight)
        rate, cost = self.shop.pipes.rate, 0.0
        for straight in straights:
            for pipe in (*straight.pipes, *straight.stubs):
                cost += rate(pipe.item) * (pipe.length_m / UNIT_M + (KERF if pipe.place >= 0 else 0))
        more_m = [one.length_m for one in straights]
        old = self._segments(tail, arc, end)
        if len(old) == len(more_m):
            more_m = [new - length_m for new, length_m in zip(more_m, old, strict=True)]
        else:
            more_m = [max(0.0, sum(more_m) - sum(old)), *[0.0] * (len(more_m) - 1)]
        more_m[0] += self._tee_more_m(start, True)
        more_m[-1] += self._tee_more_m(end, False)
        if not self.takes_m:
            more_m = [0.0] * len(more_m)
        rates = [
            max((rate(p.item) for p in one.pipes if p.place >= 0 and p.shows_m > _STUB_M), default=0.0)
            for one in straights
        ]
        return cost, tuple(Segment(more / UNIT_M, laid) for more, laid in zip(more_m, rates, strict=True))

    def _segments(self, tail: int, arc: Arc, end: EndState | None) -> list[float]:
        """Return what stood in a step's place, corner by corner [m]."""
        found = [0.0]
        for lengths in self._stood_m(tail, arc, end):
            found[-1] += lengths[0]
            found += lengths[1:]
        return found

    def _stood_m(self, tail: int, arc: Arc, end: EndState | None) -> list[list[float]]:
        first, past = self.graph.nodes[tail].position, self.graph.nodes[arc.head].position
        if end is not None:
            return [[sum(lengths) - self._end_take_m(self.stands)] for lengths in self.takes_m[-1:]]
        return self.takes_m[first:past]

    def _end_take_m(self, measure: Measure) -> float:
        item, leg = measure.ends.items[1], self.run.end.leg
        return 0.0 if item is None or leg not in LEGS else item.take_outs_m[LEGS.index(leg)]

    def _tee_more_m(self, state: EndState | None, at_start: bool) -> float:
        """Return how much longer a new tee may be than the old one towards this run [m]; its own length at its end."""
        if state is None:
            return 0.0
        end = self.run.start if at_start else self.run.end
        if end.leg not in LEGS:
            return 0.0
        leg, old = LEGS.index(end.leg), self.stands.ends.items[0 if at_start else 1]
        old_m = old.take_outs_m[leg] if old is not None else 0.0
        options = [one for one in self.options_at(state, at_start) if one is not None]
        longest_m = max((one.item.take_outs_m[leg] for one in options), default=old_m)
        if at_start:
            return 0.0 if state == KEPT else longest_m - old_m
        # the closing step was measured with the first of these fittings
        first_m = options[0].item.take_outs_m[leg] if options else old_m
        return longest_m - first_m - old_m


def _new_pipe(arc: Arc) -> Iterable[Part]:
    return (part for part in arc.parts if part.kind in PIPES and not part.existing)


def _ends_now(network: Network, run: Run) -> RunEnds:
    tees = [network.tees.get(point) for point in (run.start.point, run.end.point)]
    first, last = (tee.item if tee is not None else None for tee in tees)
    return RunEnds((first, last), (tees[0] is None, tees[1] is None))


class ListTable(AlternativeTable):
    """The alternatives of a run by what they add to the parts list at the least, straight by straight.

    A label has two numbers more: what waits for pipe in the straight that is open, and the rate of pipe laid in it.
    """

    prices: RunPrices

    def table(self) -> Mapping[tuple[EndState, EndState], tuple[Alternative, ...]]:
        """Return {(start state, end state): alternatives, least loss first}."""
        masks = range(1 << len(self.packs))
        opening = [sum(p.cents for i, p in enumerate(self.packs) if mask >> i & 1) for mask in masks]
        self._opening_cents = opening
        self._opening_beyond = [[opening[packs & ~mask] for mask in masks] for packs in masks]
        found: dict[tuple[EndState, EndState], tuple[Alternative, ...]] = {}
        steps = self._onward()
        for state, node in self.graph.starts.items():
            passes = self._forward(node, steps)
            for end_state, end_node in self.graph.ends.items():
                labels = self._efficient([label[:6] for label in passes[end_node]]) if passes[end_node] else []
                if labels:
                    found[state, end_state] = tuple(self._trace(label, False) for label in labels)
        return found

    def _onward(self) -> list[list[tuple[float, int, Arc, int, Step, bool]]]:
        prices = self.prices
        return [
            [
                (
                    loss,
                    self._arc_packs(arc),
                    arc,
                    self.sides.packed(arc),
                    prices.steps[id(arc)],
                    prices.together[id(arc)],
                )
                for arc in arcs
                if id(arc) in prices.together and (loss := self.arc_loss(arc)) < math.inf
            ]
            for arcs in self.graph.arcs
        ]

    def _forward(
        self, root: int, steps: Sequence[Sequence[tuple[float, int, Arc, int, Step, bool]]]
    ) -> list[list[Any]]:
        prices, most = self.prices, self.loss_limit_m
        waiting: list[list[Any]] = [[] for _ in self.graph.nodes]
        waiting[root] = [(0.0, 0, 0, None, None, 0, 0.0, 0.0)]
        for index in range(root, len(waiting)):
            if not waiting[index]:
                continue
            labels = waiting[index] = self._kept(waiting[index])
            for loss, packs, arc, used, step, together in steps[index]:
                there = waiting[arc.head]
                for label in labels:
                    if label[0] + loss <= most:
                        cost, waits, rate = prices.follow(step, label[6], label[7], together)
                        cents = label[1] + math.floor(cost)
                        there.append(
                            (label[0] + loss, cents, label[2] | packs, label, arc, label[5] + used, waits, rate)
                        )
        return waiting

    def _kept(self, labels: list[Any]) -> list[Any]:
        """Return the labels that no other makes needless, least loss first, those with the same pipe among themselves.

        What waits for pipe counts as saved already where others are judged by a label, at the dearest pipe's rate.
        """
        groups: dict[float, list[Any]] = defaultdict(list)
        for label in labels:
            groups[label[7]].append(label)
        kept = []
        for rate, same in groups.items():
            if rate or self.sides.labelled:
                alike: dict[float, list[Any]] = defaultdict(list)
                for label in same:
                    alike[label[6]].append(label)
                for each in alike.values():
                    kept += self._efficient(each)
                continue
            alone = all(label[6] == same[0][6] for label in same)
            kept += self._efficient(same) if alone else self._efficient_waiting(same)
        kept.sort(key=itemgetter(0, 1))
        return kept

    def _efficient_waiting(self, labels: list[Any]) -> list[Any]:
        dearest, opening = self.prices.dearest, self._opening_cents
        labels.sort(key=itemgetter(0, 1))
        kept: list[Any] = []
        for label in labels:
            cents, packs, waits = label[1], label[2], label[6]
            for one in kept:
                more = waits - one[6]
                least = one[1] + dearest * more if more > 0.0 else one[1]
                if least <= cents and least + opening[one[2] & ~packs] <= cents:
                    break
            else:
                kept.append(label)
        return kept
