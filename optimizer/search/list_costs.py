"""What every step along a run adds to the parts list at the least, so that a sum of steps never exceeds the list.

A piece of pipe costs its share of the cheapest length, a washer its share of a pack. Where new fittings are longer
than what they replace, the pipe beside them may be that much shorter: that is taken off, at the dearest pipe's rate.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from optimizer.choices.effort import Effort
from optimizer.choices.graph import FREE, KEPT, Arc, ChoiceGraph, EndState
from optimizer.choices.tees import TeeOption
from optimizer.joints.chains import STUB_CLEARANCE_M
from optimizer.model.catalog import PIPES, CatalogItem
from optimizer.model.ends import End
from optimizer.model.network import LEGS, Network, Part, Run
from optimizer.takeoff.cutting import UNIT_M
from optimizer.takeoff.fitted import Measure, NewPipe, RunEnds, Straight, Tape, is_pair
from optimizer.takeoff.list_price import KERF, MILLICENTS, JointShop, PipeShop

_LastKey = tuple[int, int]  # of a new part its item and which way round, of an old one its place
_FAR = 20.0  # times the cheapest pipe's rate: what is dearer is not weighed as the pipe that is saved
_NOISE = 1e-6  # of sums that are whole
_START: _LastKey = (0, -1)


class _Last(NamedTuple):
    """The part laid last (None: the tee at the start), and its place in the old run."""

    part: Part | None
    place: int | None


class _Laid(NamedTuple):
    """What laying one part adds: the cost of its pipe as stated, and length to the straights that it is in [m]."""

    cost: float
    lengths_m: tuple[float, ...]


_NOTHING = _Laid(0.0, (0.0,))
# of a step what it lays first with its old place, what it lays last, and what all behind the first adds
_PartsLaid = tuple[tuple[Sequence[Part], int | None] | None, tuple[_LastKey, _Last] | None, _Laid]


@dataclass(frozen=True)
class Shop:
    """How everything is bought, and what the owner's work is worth."""

    pipes: PipeShop
    joints: JointShop
    effort: Effort
    depths_m: Mapping[End, float]
    opened: frozenset[str] = frozenset()  # pipes of which a first length is a pack of its own, and more costs nothing
    sealing: Mapping[tuple[str, str], int] = field(default_factory=dict)  # a joint's share of cement, primer or tape

    def joint_rate(self, method: str, size: str) -> int:
        """Return what a joint of a size costs at least, the first of all apart [thousandths of a cent]."""
        return self.joints.piece_rate(method, size) + self.sealing.get((method, size), 0)

    def rate(self, item: CatalogItem) -> float:
        """Return what a unit of a piece costs at least, first lengths apart [thousandths of a cent]."""
        return 0.0 if item.item_id in self.opened else self.pipes.rate(item)


@dataclass
class RunPrices:
    """Lower prices of a run's steps, in thousandths of a cent, and how its lengths are measured for each end state.

    Both are by the id of a step. `least` is for whoever does not follow the straights: what pipe may be saved beside
    the step is taken off. `fixed` leaves pipe out.
    """

    graph: ChoiceGraph
    network: Network
    tees: Mapping[str, list[TeeOption]]
    shop: Shop
    least: dict[int, int] = field(init=False, default_factory=dict)
    fixed: dict[int, int] = field(init=False, default_factory=dict)
    uneven: bool = field(init=False, default=False)  # a step may leave out or add a bend: nothing is made up for
    _measures: dict[tuple[EndState, EndState], Measure] = field(init=False, default_factory=dict)
    _between: dict[tuple[int, int], Measure] = field(init=False, default_factory=dict)
    _options: dict[tuple[EndState, bool], list[TeeOption | None]] = field(init=False, default_factory=dict)
    _laid: dict[tuple[object, ...], _Laid] = field(init=False, default_factory=dict)
    _closed: dict[tuple[_LastKey, EndState], _Laid] = field(init=False, default_factory=dict)
    _alike: dict[tuple[object, ...], int] = field(init=False, default_factory=dict)
    _numbers: dict[int, int] = field(init=False, default_factory=dict)  # by id of a part
    _old: dict[tuple[int, int], list[float]] = field(init=False, default_factory=dict)
    _pipe: dict[tuple[object, ...], float] = field(init=False, default_factory=dict)  # of steps that lay the same
    _laying: dict[tuple[object, ...], int] = field(init=False, default_factory=dict)  # numbers of what is laid alike
    _laid_by: dict[tuple[int, int, bool], int] = field(init=False, default_factory=dict)  # the same by id of the parts
    _behind: dict[tuple[object, ...], tuple[_Laid, ...]] = field(init=False, default_factory=dict)  # all last parts
    _parts_laid: dict[int, _PartsLaid] = field(init=False, default_factory=dict)  # by number of what is laid
    _parts_cents: dict[int, int] = field(init=False, default_factory=dict)  # by id of the parts of a step
    _joints_cost: dict[int, int] = field(init=False, default_factory=dict)  # by id of its joints

    def __post_init__(self) -> None:
        run = self.graph.run
        self.run = run
        self.stands = Measure(run, _ends_now(self.network, run), self.shop.depths_m)
        self.stood = self.stands.stood() if run.is_plumbed else []
        self.takes_m = self._old_lengths() if run.is_plumbed else []
        self.stood_m = self._stood_so_far() if run.is_plumbed else []
        self.uneven = not self.takes_m
        self.lasts = self._lasts()
        rates = [rate for rate in self._rates() if rate > 0.0]
        self.dearest = max((rate for rate in rates if rate <= _FAR * min(rates)), default=0.0)
        self._price_all()

    def measure(self, start: EndState, end: EndState) -> Measure:
        """Return what measures the run with fittings of these states at its ends: of several the first."""
        if (start, end) not in self._measures:
            self._measures[start, end] = self.measure_at(
                self.options_at(start, True)[0], self.options_at(end, False)[0]
            )
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
        if (state, at_start) not in self._options:
            end = self.run.start if at_start else self.run.end
            found: list[TeeOption | None] = [o for o in self.tees.get(end.point, []) if o.states.get(end.leg) == state]
            self._options[state, at_start] = found or [None]
        return self._options[state, at_start]

    def places(self, tail: int, arc: Arc) -> list[int | None]:
        """Return where the parts of a step stood in the old run."""
        at = self.graph.nodes[tail].position
        old = self.run.parts[at] if at < len(self.run.parts) else None
        return [at if part is old else None for part in arc.parts]

    def fixed_cents(self, arc: Arc) -> int:
        """Return what a step's parts other than pipe cost, and the work on it [cents]."""
        if id(arc.parts) not in self._parts_cents:
            new = (part for part in arc.parts if not part.existing and part.kind not in PIPES)
            self._parts_cents[id(arc.parts)] = sum(part.item.price_cents for part in new if part.item is not None)
        return self._parts_cents[id(arc.parts)] + self.shop.effort.cents(arc)

    def _joints_at_least(self, arc: Arc) -> int:
        if id(arc.joints) not in self._joints_cost:
            self._joints_cost[id(arc.joints)] = sum(self.shop.joint_rate(method, size) for method, size in arc.joints)
        return self._joints_cost[id(arc.joints)]

    def _rates(self) -> Iterable[float]:
        items = {id(part.item): part.item for arcs in self.graph.arcs for arc in arcs for part in _new_pipe(arc)}
        return (self.shop.rate(item) for item in items.values() if item is not None)

    # as it stands

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

    def _stood_so_far(self) -> list[float]:
        """Return for every place how long the straight that is open before it was up to there [m]."""
        found = [self.stands.start().straight.length_m]
        for lengths in self.takes_m[:-1]:
            found.append(lengths[-1] + (found[-1] if len(lengths) == 1 else 0.0))
        return found

    # steps

    def _lasts(self) -> list[dict[_LastKey, _Last]]:
        """Return for every node what may have been laid last there."""
        found: list[dict[_LastKey, _Last]] = [{} for _ in self.graph.nodes]
        for node in self.graph.starts.values():
            found[node][_START] = _Last(None, -1)
        for tail, arcs in enumerate(self.graph.arcs):
            at = self.graph.nodes[tail].position
            old = self.run.parts[at] if at < len(self.run.parts) else None
            for arc in arcs:
                if not arc.parts:
                    found[arc.head].update(found[tail])
                    continue
                part = arc.parts[-1]
                last = _Last(part, at if part is old else None)
                found[arc.head].setdefault(_key_of(last), last)
        return found

    def _price_all(self) -> None:
        starts = {node: state for state, node in self.graph.starts.items()}
        ends = {node: state for state, node in self.graph.ends.items()}
        for tail, arcs in enumerate(self.graph.arcs):
            lasts = list(self.lasts[tail].items())
            at = self.graph.nodes[tail].position
            told = self._laying.setdefault((at, starts.get(tail), *self.lasts[tail]), len(self._laying))
            for arc in arcs:
                cents = MILLICENTS * self.fixed_cents(arc) + self._joints_at_least(arc)
                self.fixed[id(arc)] = cents
                laid = self._laid_alike(at, arc)
                alike = (told, self.graph.nodes[arc.head].position, ends.get(arc.head), laid)
                if alike not in self._pipe:
                    step = (tail, arc, laid, told, lasts, starts.get(tail), ends.get(arc.head))
                    self._pipe[alike] = self._least_pipe(*step) if lasts else 0.0
                self.least[id(arc)] = math.floor(cents + self._pipe[alike] + _NOISE)

    def _laid_alike(self, at: int, arc: Arc) -> int:
        """Return a number that all steps have in common that lay the same, at one place where one of it stood there."""
        key = at, id(arc.parts), arc.last
        if key not in self._laid_by:
            old = self.run.parts[at] if at < len(self.run.parts) else None
            laid = (arc.has_tail, *[(at if part is old else None, self._number_of(part)) for part in arc.parts])
            self._laid_by[key] = self._laying.setdefault(laid, len(self._laying))
        return self._laid_by[key]

    def _least_pipe(
        self,
        tail: int,
        arc: Arc,
        alike: int,
        told: int,
        lasts: Sequence[tuple[_LastKey, _Last]],
        start: EndState | None,
        end: EndState | None,
    ) -> float:
        """Return what a step's pipe costs at the least behind any of these last parts, `told` by their number."""
        if alike not in self._parts_laid:
            self._parts_laid[alike] = self._behind_first(tail, arc)
        first, behind, (cost, lengths_m) = self._parts_laid[alike]
        if end is not None and behind is not None:
            close = self._close(*behind, end)
            cost, lengths_m = cost + close.cost, _lengths_joined(lengths_m, close.lengths_m)
        old_m = self._old_m(tail, arc, end)
        tees_m = self._tee_more_m(start, True), self._tee_more_m(end, False)
        least = math.inf
        known = (told, end) if first is None else (told, first[1], *map(self._number_of, first[0]))
        if known not in self._behind:
            if first is not None:
                each = (self._lay(*one, *first, start) for one in lasts)
            else:
                each = (_NOTHING if end is None else self._close(*one, end) for one in lasts)
            self._behind[known] = tuple(dict.fromkeys(each))
        for own in self._behind[known]:
            new_m = _lengths_joined(own.lengths_m, lengths_m)
            if arc.has_tail:  # as long as it is: nothing else is shorter for it
                new_m = (*new_m[:-1], min(new_m[-1], old_m[-1]))
            more = self._more(new_m, old_m, tees_m)
            least = min(least, own.cost + cost - self.dearest * more)
        return least

    def _behind_first(self, tail: int, arc: Arc) -> _PartsLaid:
        """Return what a step lays first with its old place, what it lays last, and what all behind the first adds.

        Parts are laid one by one, or three where two 45s stand for one corner.
        """
        parts, at = arc.parts, self.graph.nodes[tail].position
        if not parts:
            return None, None, _NOTHING
        old = self.run.parts[at] if at < len(self.run.parts) else None
        count = 3 if is_pair(parts, 0) else 1
        part, cost, lengths_m = parts[count - 1], 0.0, _NOTHING.lengths_m
        place = at if part is old else None
        first, index = (parts[:count], place), count
        last = _Last(part, place)
        while index < len(parts):
            count = 3 if is_pair(parts, index) else 1
            part = parts[index + count - 1]
            place = at if part is old else None
            laid = self._lay(_key_of(last), last, parts[index : index + count], place, None)
            cost, lengths_m = cost + laid.cost, _lengths_joined(lengths_m, laid.lengths_m)
            last = _Last(part, place)
            index += count
        return first, (_key_of(last), last), _Laid(cost, lengths_m)

    def _number_of(self, part: Part) -> int:
        """Return the number of all parts that are laid alike where none of them stood before."""
        if id(part) not in self._numbers:
            key = (id(part.item), part.kind, part.reverse, part.existing, part.length_m, part.name)
            self._numbers[id(part)] = self._alike.setdefault(key, len(self._alike))
        return self._numbers[id(part)]

    def _more(self, new_m: Sequence[float], old_m: Sequence[float], tees_m: tuple[float, float]) -> float:
        """Return by how much a step is longer than what stood there, straight by straight [units]."""
        if len(new_m) == 1 == len(old_m):
            more_m = new_m[0] - old_m[0] + tees_m[0] + tees_m[1]
            return more_m / UNIT_M if more_m > 0.0 and self.takes_m else 0.0
        if len(new_m) != len(old_m):
            self.uneven = True
            found = [max(0.0, sum(new_m) - sum(old_m)), *[0.0] * (len(new_m) - 1)]
        else:
            found = [new - old for new, old in zip(new_m, old_m, strict=True)]
        if not self.takes_m:
            return 0.0
        found[0] += tees_m[0]
        found[-1] += tees_m[1]
        return sum(more_m for more_m in found if more_m > 0.0) / UNIT_M

    def _lay(
        self, key: _LastKey, last: _Last, parts: Sequence[Part], place: int | None, start: EndState | None
    ) -> _Laid:
        known = (key, start if last.part is None else None, place, *[self._number_of(part) for part in parts])
        if known not in self._laid:
            measure = self.measure(start if start is not None else FREE, FREE)
            cost, lengths_m = 0.0, []
            for one in measure.lay(_behind(last), parts, [place] * len(parts), 0):
                straight = one.straight if isinstance(one, Tape) else one
                cost += self.stated(straight)
                lengths_m.append(straight.length_m)
            self._laid[known] = _Laid(cost, tuple(lengths_m))
        return self._laid[known]

    def _close(self, key: _LastKey, last: _Last, end: EndState) -> _Laid:
        if (key, end) not in self._closed:
            straight = self.measure(FREE, end).close(_behind(last))
            self._closed[key, end] = _Laid(self.stated(straight), (straight.length_m,))
        return self._closed[key, end]

    def stated(self, straight: Straight) -> float:
        """Return what the pipe of a straight costs as long as it is stated.

        Pipe that is dearer than what `dearest` is told of counts as short as it can get: no more is saved on it.
        """
        cost = 0.0
        for pipe in (*straight.pipes, *straight.stubs):
            rate, length_m = self.shop.rate(pipe.item), pipe.length_m
            if rate > self.dearest:
                length_m -= max(0.0, pipe.shows_m - STUB_CLEARANCE_M)
            cost += rate * (length_m / UNIT_M + (KERF if pipe.place >= 0 else 0))
        return cost

    def _old_m(self, tail: int, arc: Arc, end: EndState | None) -> list[float]:
        """Return what stood in a step's place, corner by corner [m]."""
        first, past = self.graph.nodes[tail].position, self.graph.nodes[arc.head].position
        if (first, past) not in self._old:
            self._old[first, past] = self._lengths_of(first, past, end)
        return self._old[first, past]

    def _lengths_of(self, first: int, past: int, end: EndState | None) -> list[float]:
        if end is not None:
            stood = [[sum(lengths) - self._end_take_m(self.stands)] for lengths in self.takes_m[-1:]]
        else:
            stood = self.takes_m[first:past]
        found = [0.0]
        for lengths in stood:
            found[-1] += lengths[0]
            found += lengths[1:]
        return found

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


def _key_of(last: _Last) -> _LastKey:
    part, place = last
    if part is None:
        return _START
    return (-1, place) if place is not None else (id(part.item), -2 - part.reverse - 2 * part.existing)


def _behind(last: _Last) -> Tape:
    """Return a tape that is measured from behind a part, which may go deeper into what follows."""
    part = last.part
    if part is not None and part.kind in PIPES and not part.existing and part.item is not None:
        return Tape(Straight(0.0, (NewPipe(-1, part.item, 0.0, 0.0),)), part, last.place)
    return Tape(Straight(), part, last.place)


def _lengths_joined(before: tuple[float, ...], after: tuple[float, ...]) -> tuple[float, ...]:
    """Return straights one behind the other: the last of the first goes on in the first of the other."""
    if len(before) == 1 == len(after):
        return (before[0] + after[0],)
    return (*before[:-1], before[-1] + after[0], *after[1:])


def _new_pipe(arc: Arc) -> Iterable[Part]:
    return (part for part in arc.parts if part.kind in PIPES and not part.existing)


def _ends_now(network: Network, run: Run) -> RunEnds:
    tees = [network.tees.get(point) for point in (run.start.point, run.end.point)]
    first, last = (tee.item if tee is not None else None for tee in tees)
    return RunEnds((first, last), (tees[0] is None, tees[1] is None))
