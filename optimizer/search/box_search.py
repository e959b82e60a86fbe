"""The cheapest combination of a tree or small ring whose flows are not known: tables over flow and head, in boxes.

In a box the tables give a bound, and the cheapest combination that has flows and heads in common cells. The network
solution says whether it stands. Read outwards the tables drop every way, fitting and flow that no plan cheaper than the
best can have in the box; what is left is looked at again in finer cells. Where few combinations are left each is tried
as a network, and what valves leave open waits for a search of its own; else the box is cut in two. Boxes wait in the
order of their bounds. A ring is cut open (`box_tree`): its boxes are ranges of flow and of the head at the cut. Where
several modes share the plumbing each has tables of its own, which drop what no plan can have in that mode.
"""

from __future__ import annotations

import heapq
import itertools
import math
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from optimizer.choices.loss_basis import Floats
from optimizer.clock import look
from optimizer.program.head_tables import HeadTables
from optimizer.program.head_tree import Traced
from optimizer.search.box_choices import choices_below, meets, ways_by_end
from optimizer.search.box_tree import Kept, Shape, TreeBuilder, shape_of
from optimizer.search.box_water import MONEY_ALONE, WATER_ALONE, BoxWater, Weights, worth_of_water
from optimizer.search.flow_bound import busiest
from optimizer.search.flow_posing import Choice, FlowCase, cents_of, duties_of, has_valves, single
from optimizer.search.flow_ranges import Range, by_mass
from optimizer.search.flow_search import TIME_CAME, FlowSearch, Price, Progress, SearchState
from optimizer.search.flow_tightening import ROOT_ROUNDS, Box, tightened
from optimizer.search.one_position import positioned, surely_fails
from optimizer.verify.allowance import settle_held

_FEW = 24  # so many combinations are tried one by one
_OWN_ROUNDS = 10  # after so many boxes the cheapest that valves leave open is looked at by itself
_COUNTED = 3000  # so many are told one by one, to see how many cost little enough
_PRICED = 30_000  # as there, where the price of each is looked up: most of them cost too much
_AGAIN = 0.75  # a box that shrank below this share of a range is looked at again before it is cut
_NARROW = 1e-7  # of the largest flow: boxes are not cut finer
_EPS = 1e-6
_NEAR_M = 0.12  # a combination whose losses are known so well in a box is tried on the network
_HEAD_SHARE = 1.0  # of what a way's loss leaves open in a box: a range of heads that is wider is cut first
_DEARER = 1.3  # so much more is water worth where the cheapest plan of the tables holds too much
_LAX = 0.03  # of a span counts in a mode that others ask more than, or where a valve takes what is left over ...
_LAXER = 2.0  # ... and so much more of it each time that a cut leaves the bound as it is


@dataclass(order=True)
class _Box:
    bound: float
    number: int
    ranges: dict[tuple[str, int], Range] = field(compare=False)  # by run and mode
    opened: int = field(compare=False)
    ways: dict[str, list[int]] = field(compare=False)
    fittings: dict[str, list[int]] = field(compare=False)
    settings: list[int] = field(compare=False)
    heads: Mapping[tuple[str, int], Range] = field(compare=False, default_factory=dict)  # at the inlets [m]
    water: float = field(compare=False, default=0.0)  # what a µL is worth beside money [cents]
    lax: float = field(compare=False, default=_LAX)  # what a span counts where a cut seems to help less


class BoxSearch:
    """One search, told and read like `FlowSearch`."""

    def __init__(
        self,
        case: FlowCase,
        shape: Shape,
        *,
        solver: str | None = None,
        time_limit_s: float = 60.0,
        progress: Progress | None = None,
        start: Choice | None = None,
        cutoff_cents: int | None = None,
        any_plan: bool = False,
        price: Price | None = None,
    ) -> None:
        self.price = price  # as of `FlowSearch`
        self.case, self.shape, self.solver = case, shape, solver
        self.until = time.monotonic() + time_limit_s
        self.progress, self.cutoff_cents, self.any_plan = progress, cutoff_cents, any_plan
        self.state = SearchState()
        self.builder, self.water = TreeBuilder(case, shape), BoxWater(case)
        self.tried: dict[Choice, bool] = {}
        self.looked_at: set[Choice] = set()  # with valves, each in a search of its own
        self.left_open: list[tuple[int, int, Choice]] = []  # of these by cents what waits for that
        self.waiting: list[_Box] = []
        self.numbers = 0
        self.modes = [i for i, mode in enumerate(case.modes) if mode.rows] or [0]  # others leave all flows open
        if start is not None:
            self.offer(start)

    def run(self) -> SearchState:
        """Search until the proof, the time limit or an interrupt."""
        with self.state.ending():
            self._search()
        self._update_bound()
        self.state.complete = not self.state.stopped
        return self.state

    def _search(self) -> None:
        root: Box | None = self.case.ranges
        for mode in range(len(self.case.modes)):
            root = None if root is None else tightened(self.case, root, mode, ROOT_ROUNDS)
        if root is None:
            return
        self.narrow_m3_s = _NARROW * max(abs(q) for pair in root.values() for q in pair)
        self.waiting = list(self._roots(root))
        heapq.heapify(self.waiting)
        while (boxes := self._is_open(self.waiting)) or self._is_open(self.left_open):
            if self.any_plan and self.state.best is not None:
                return
            if time.monotonic() > self.until:
                self.state.stopped = TIME_CAME
                return
            if not boxes or (self.state.rounds % _OWN_ROUNDS == 0 and self._is_open(self.left_open)):
                self._settled(self.left_open[0][2])
                heapq.heappop(self.left_open)  # only now: an interrupt must not lose its bound
            if boxes:
                self._round()

    def _is_open(self, waiting: Sequence[_Box] | Sequence[tuple[int, int, Choice]]) -> bool:
        """Return whether what comes first of what waits may be in a plan that costs less than the best."""
        if not waiting or self.state.stopped:
            return False
        first = waiting[0]
        return (first.bound if isinstance(first, _Box) else first[0]) < self._limit()

    def _roots(self, ranges: Box) -> Iterator[_Box]:
        """Yield the box of all flows, once for every set of packs that may be opened."""
        ways = {name: list(range(len(found))) for name, found in self.case.ways.items()}
        fittings = {point: list(range(len(found))) for point, found in self.case.tees.items()}
        for opened in range(1 << len(self.case.packs)):
            kept = self.builder.without_other_packs(ways, opened)
            if all(kept.values()):
                settings = range(len(self.case.modes[0].speeds))
                box = self._box(0.0, dict(ranges), opened, kept, fittings, settings)
                tables = self._tables(box, self.modes[0])
                if tables is not None and math.isfinite(tables.bound):
                    yield self._with_water(replace(box, bound=tables.bound + self._opening(opened)))

    def _opening(self, opened: int) -> int:
        return sum(price for i, price in enumerate(self.case.packs) if opened >> i & 1)

    def _most(self) -> float:
        """Return what a plan must cost less than to be of interest [cents]."""
        known = [cents for cents in (self.state.best_cents, self.cutoff_cents) if cents is not None]
        return min(known, default=math.inf)

    def _limit(self) -> float:
        return self._most() - 0.5

    def _update_bound(self) -> None:
        bounds = [*(box.bound for box in self.waiting[:1]), *(each[0] for each in self.left_open[:1]), self._most()]
        bounds += [cents for cents in (self.state.unproved_cents,) if cents is not None]
        least = min(bounds)
        if math.isfinite(least):
            self.state.bound_cents = max(self.state.bound_cents, math.ceil(least - _EPS))

    def _box(
        self,
        bound: float,
        ranges: dict[tuple[str, int], Range],
        opened: int,
        ways: Kept,
        fittings: Kept,
        settings: Sequence[int],
        heads: Mapping[tuple[str, int], Range] | None = None,
    ) -> _Box:
        kept = [dict(map(_listed, each.items())) for each in (ways, fittings)]
        return _Box(bound, self._next(), ranges, opened, kept[0], kept[1], list(settings), heads or {})

    def _next(self) -> int:
        self.numbers += 1
        return self.numbers

    def _with_water(self, box: _Box) -> _Box:
        """Return a box with what water is worth in it."""
        room, mode = self.water.room_ul(box.ranges), busiest(self.case, box.ranges)
        if not self.water.binds(box.ways, room):
            return box
        return replace(box, water=worth_of_water(partial(self._traced, box, mode), room))

    def _traced(self, box: _Box, mode: int, by: Weights) -> tuple[float, float] | None:
        """Return the cents and the water [µL] of the cheapest combination of tables in which both count so much."""
        tables = self._tables(box, mode, by, math.inf)
        if tables is None or math.isinf(tables.bound):
            return None
        choice = self._choice(box, tables.traced())
        return float(cents_of(self.case, choice)), self.water.of(choice)

    def _tables(self, box: _Box, mode: int, by: Weights = MONEY_ALONE, limit: float | None = None) -> HeadTables | None:
        """Return the tables of a mode, of what costs less than a limit there: what a plan must, if none is given."""
        if not all(box.ways.values()) or not all(box.fittings.values()):
            return None
        ranges = {name: box.ranges[name, mode] for name in self.case.network.runs}
        heads = {name: found for (name, at), found in box.heads.items() if at == mode}
        speeds = self.case.modes[mode].speeds
        offered = [speeds[k] for k in (box.settings if mode == 0 else range(len(speeds)))]
        tree, widths_m = self.builder.tree(ranges, box.ways, box.fittings, offered, heads)
        highs = ([high.max() for _, high in setting.heads_m.values()] for setting in tree.settings)
        if all(any(map(math.isinf, each)) for each in highs):
            return None  # past the last point of every pump curve
        if limit is None:
            limit = self._limit() - self._opening(box.opened)
        return HeadTables(self.water.weighed(tree, box.ways, by), widths_m, limit)

    def _round(self) -> None:
        box = self.waiting[0]
        self.state.rounds += 1
        self._update_bound()
        if self.progress is not None:
            self.progress("search", self.state.best_cents, self.state.bound_cents)
        replacing = self._examined(box)
        # the box leaves the queue only when what replaces it is ready: an interrupt must not lose its bound
        self.waiting = [other for other in self.waiting if other is not box] + replacing
        heapq.heapify(self.waiting)

    def _examined(self, box: _Box) -> list[_Box]:
        look()
        if len(self.case.modes) > 1 and positioned(self.case, box.ranges) is None:  # quicker than any tables
            return []
        dried = self._dried(box)
        if dried is None:
            return []
        left, dearest, leading, choice = dried, -math.inf, 0, None
        by, room = Weights(1.0, dried.water), self.water.room_ul(dried.ranges)
        worth = by.water * room if by.water else 0.0
        for mode in self.modes:
            tables = self._tables(left, mode, by, self._limit() - self._opening(box.opened) + worth)
            if tables is None or math.isinf(tables.bound):
                return []
            tables.read_outwards()
            if tables.bound > dearest:  # of the mode that asks for the most here
                dearest, leading, choice = tables.bound, mode, self._choice(left, tables.traced())
            found = self._left(left, tables, max(left.bound, tables.bound - worth + self._opening(box.opened)), mode)
            if found is None:
                return []
            left = found
        assert choice is not None
        # where cuts leave the bound as it is, what the other modes want of the valves is what is open
        left.lax = _LAX if left.bound > box.bound + _EPS else min(1.0, _LAXER * box.lax)
        if by.water:
            left.water *= _DEARER if self.water.of(choice) > room else 1.0 / _DEARER
        served = positioned(self.case, left.ranges) if len(self.case.modes) > 1 else {}
        if served is None:
            return []
        for name, own in served.items():
            left.ways[name] = sorted(set(own).intersection(left.ways[name]))
        if not all(left.ways.values()):
            return []
        few = self._few_choices(left)
        if few is not None:
            return self._tried_all(few, left)
        if choice not in self.tried and meets(self.case, self.shape, choice) and self._is_near(box, choice):
            self.offer(choice)
        if self._shrank(box, left):
            return [left]
        return self._halves(left, choice, leading)

    def _dried(self, box: _Box) -> _Box | None:
        """Return the box without what leaves the sumps no room; None where nothing does."""
        room = self.water.room_ul(box.ranges)
        if not self.water.binds(box.ways, room):
            return box
        least, left = 0.0, box
        for mode in self.modes:
            tables = self._tables(left, mode, WATER_ALONE, room + 1.0)
            if tables is None or math.isinf(tables.bound):
                return None
            tables.read_outwards()
            found = self._left(left, tables, left.bound, mode)
            if found is None:
                return None
            least, left = max(least, tables.bound), found
        ranges = self.water.with_flows_held(left.ranges, least)
        return None if ranges is None else replace(left, ranges=ranges)

    def _left(self, box: _Box, tables: HeadTables, bound: float, mode: int) -> _Box | None:
        """Return the box without what no plan below the limit can have in it, as far as the tables of a mode tell."""
        most = tables.limit
        cuts = self.shape.cuts
        ways = {name: _below(kept, tables.way_costs[name], most) for name, kept in box.ways.items()}
        fittings = {point: _below(kept, tables.tee_costs[point], most) for point, kept in box.fittings.items()}
        if not all(ways.values()) or not all(fittings.values()):
            return None
        ranges: dict[str, Range] = {}
        for name, run in tables.tree.runs.items():
            cells = [i for i, cents in enumerate(tables.cell_costs[name]) if cents < most]
            if not cells:
                return None
            low, high = float(run.edges_m3_s[cells[0]]), float(run.edges_m3_s[cells[-1] + 1])
            own = cuts.get(name, name)  # told last: what comes out beyond a cut is what its run brings there
            if (name in cuts) != (own in self.shape.against):
                low, high = -high, -low
            before = ranges.get(own, (-math.inf, math.inf))
            ranges[own] = (max(low, before[0]), min(high, before[1]))
            if ranges[own][0] > ranges[own][1]:
                return None
        bounds = by_mass(self.case.network, self.case.modes[mode].rows, ranges)
        if bounds.empty:
            return None
        settings = _below(box.settings, tables.setting_costs, most) if mode == 0 else box.settings
        narrower = box.ranges | {(name, mode): found for name, found in bounds.ranges.items()}
        heads = {**box.heads, **{(name, mode): found for name, found in tables.heads_m.items()}}
        found = self._box(bound, narrower, box.opened, ways, fittings, settings, heads)
        return replace(found, water=box.water, lax=box.lax)

    def _shrank(self, before: _Box, after: _Box) -> bool:
        if sum(map(len, after.ways.values())) < 0.5 * sum(map(len, before.ways.values())):
            return True
        if any(_width(r) < _AGAIN * _width(before.heads[n]) for n, r in self._cut_heads(after) if n in before.heads):
            return True
        return any(_width(after.ranges[n]) < _AGAIN * _width(r) for n, r in before.ranges.items() if _width(r) > 0.0)

    def _cut_heads(self, box: _Box) -> list[tuple[tuple[str, int], Range]]:
        """Return between which heads the rings are cut open in a box, in every mode."""
        return [(key, found) for key, found in box.heads.items() if key[0] in self.shape.cuts]

    def _choice(self, box: _Box, traced: Traced) -> Choice:
        return Choice(
            tuple(box.ways[name][traced.runs[name]] for name in self.case.ways),
            tuple(box.fittings[point][traced.tees[point]] for point in self.case.tees),
            (box.settings[traced.setting], *(0,) * (len(self.case.modes) - 1)),
        )

    def _is_near(self, box: _Box, choice: Choice) -> bool:
        """Return whether a combination is likely to stand: in wide boxes few do, and to find out takes its time."""
        return all(
            self.case.ways[name][k].valved or self._span_m(name, k, box.ranges[name, mode]) < _NEAR_M
            for name, k in zip(self.case.ways, choice.ways, strict=True)
            for mode in self.modes
        )

    def _span_m(self, name: str, k: int, flow_range: Range) -> float:
        """Return by how much more a way loses at one end of a range than at the other."""
        table = self.case.tables[name]
        return float(table.rows[k] @ (table.basis.laws(flow_range[1]) - table.basis.laws(flow_range[0])))

    def _halves(self, left: _Box, choice: Choice, leading: int) -> list[_Box]:
        """Cut a box in the run and mode where a combination loses the most more at one end of its range than the other.

        That is mostly the leading mode, which asks for the most: in others a cut helps less.

        Where the two sides of a ring that is cut open do not meet at the same end there, the box is cut by these ends;
        where the head there is what is known least of all, by that.
        """
        apart = ways_by_end(self.case, self.shape, choice, left.ways)
        if apart:
            return [replace(left, number=self._next(), ways=ways) for ways in apart]
        spans, taken = {}, dict(zip(self.case.ways, choice.ways, strict=True))
        for name, mode in itertools.product(taken, self.modes):
            if _width(left.ranges[name, mode]) > self.narrow_m3_s:
                # what a valve holds back is hardly less certain for a wide range
                less = mode != leading, self.case.ways[name][taken[name]].valved
                spans[name, mode] = self._span_m(name, taken[name], left.ranges[name, mode]) * left.lax ** sum(less)
        if not spans:  # nothing is left to cut: each combination is tried
            return self._tried_all(self._choices_of(left), left)
        name, mode = max(spans, key=spans.__getitem__)
        for cut, (low, high) in self._cut_heads(left):
            if high - low > _HEAD_SHARE * max(spans.values()):
                return [
                    replace(left, number=self._next(), heads={**left.heads, cut: part})
                    for part in ((low, 0.5 * (low + high)), (0.5 * (low + high), high))
                ]
        low, high = left.ranges[name, mode]
        now, halves = {run: left.ranges[run, mode] for run in self.case.network.runs}, []
        for part in ((low, 0.5 * (low + high)), (0.5 * (low + high), high)):
            bounds = by_mass(self.case.network, self.case.modes[mode].rows, {**now, name: part})
            if not bounds.empty:
                ranges = left.ranges | {(run, mode): found for run, found in bounds.ranges.items()}
                halves.append(replace(left, number=self._next(), ranges=ranges))
        return halves

    def _tried_all(self, choices: Iterable[Choice], box: _Box) -> list[_Box]:
        """Try each combination of a box on the true network, those that heads leave some flows of the box.

        Those whose valves that leaves open wait for a search of their own: others may stand that cost no more.
        """
        for choice in choices:
            look()
            dear = cents_of(self.case, choice) >= self._most()
            if dear or self._is_known(choice) or surely_fails(self.case, choice, box.ranges) or self._stands(choice):
                continue  # what heads leave some flows of the box they leave some
            if has_valves(self.case, choice):
                self.looked_at.add(choice)
                heapq.heappush(self.left_open, (self._kept_at(choice), self._next(), choice))
        return []

    def _choices_of(self, box: _Box) -> Iterator[Choice]:
        room = self.water.room_ul(box.ranges)
        found = choices_below(self.case, self.shape, box.ways, box.fittings, box.settings, self._limit())
        return (choice for choice in found if self.water.of(choice) <= room)

    def _few_choices(self, box: _Box) -> list[Choice] | None:
        """Return the combinations of a box that cost less than the limit, the cheapest first; None where many do."""
        most = _COUNTED if self.price is None else _PRICED
        if math.prod(map(len, [*box.ways.values(), *box.fittings.values(), box.settings])) > most:
            return None
        found = []
        for choice in self._choices_of(box):
            if not self._is_known(choice):
                found.append(choice)
                if len(found) > _FEW:
                    return None
        return sorted(found, key=self._kept_at)

    def _is_known(self, choice: Choice) -> bool:
        """Return whether it is known if a combination stands, or it is too dear anyhow.

        That no start could set its valves proves nothing.
        """
        if choice in self.looked_at or (self.price is not None and self.price(choice) >= self._most()):
            return True
        return choice in self.tried and (self.tried[choice] or not has_valves(self.case, choice))

    def _settled(self, choice: Choice) -> None:
        """Find out whether a combination that heads allow stands; where valves leave that open, by its own search."""
        if self._stands(choice) or not has_valves(self.case, choice):
            return
        self.looked_at.add(choice)
        left_s = max(0.0, self.until - time.monotonic())
        own = FlowSearch(single(self.case, choice), solver=self.solver, time_limit_s=left_s, alone=True)
        state = own.run()
        if state.by_hand:
            raise KeyboardInterrupt
        if state.best is not None and state.settled is not None:
            self._keep(choice, state)
        elif state.unproved or not state.complete:
            cents, known = cents_of(self.case, choice), self.state.unproved_cents
            self.state.unproved += 1
            self.state.unproved_cents = cents if known is None else min(known, cents)

    def _keep(self, choice: Choice, state: SearchState) -> None:
        self.tried[choice] = True
        cents = self._kept_at(choice)
        if cents < self._most() or self.state.best is None:
            self.state.best, self.state.best_cents, self.state.settled = choice, cents, state.settled

    def offer(self, choice: Choice) -> bool:
        """Try a combination on the true network; keep it if it stands and is the cheapest yet."""
        self.tried[choice] = False
        return not surely_fails(self.case, choice) and self._stands(choice)

    def _stands(self, choice: Choice) -> bool:
        self.tried[choice] = False
        found = settle_held(duties_of(self.case, choice), self.case.allowances, self.case.conditions)
        if found is None or not found.met:
            return False
        self.tried[choice] = True
        cents = self._kept_at(choice)
        if self.state.best_cents is None or cents < self.state.best_cents:
            self.state.best, self.state.best_cents, self.state.settled = choice, cents, found
        return True

    def _kept_at(self, choice: Choice) -> int:
        """Return what a combination is kept at where it stands [cents]."""
        return cents_of(self.case, choice) if self.price is None else self.price(choice)


def search_of(case: FlowCase, **terms: object) -> BoxSearch | FlowSearch:
    """Return the search that serves a case: by tables where it is a tree, else by the relaxation."""
    shape = shape_of(case)
    if shape is None:
        return FlowSearch(case, **terms)  # type: ignore[arg-type]
    return BoxSearch(case, shape, **terms)  # type: ignore[arg-type]


def _below(kept: Sequence[int], costs: Floats, most: float) -> list[int]:
    return [k for k, cents in zip(kept, costs, strict=True) if cents < most]


def _listed(entry: tuple[str, Sequence[int]]) -> tuple[str, list[int]]:
    return entry[0], list(entry[1])


def _width(flow_range: Range) -> float:
    return flow_range[1] - flow_range[0]
