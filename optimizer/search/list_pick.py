"""Ways of every run and fittings of every tee → the numbers of the program that picks among them, and exact prices.

Before that, ways are left out that no plan needs. A way is needless beside another with the same ends that loses no
more, makes no more joints of any kind, uses no more of what is limited, and costs no more even if each of its pieces of
pipe that can not be cut from those of the first is cut from a length of its own. What a set of pieces costs never falls
where pieces are added or longer, and two sets together never cost more than one by one; so with the other way no list
is dearer.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from optimizer.choices.alternatives import Alternative
from optimizer.choices.tees import TeeOption
from optimizer.model.catalog import Catalog, CatalogItem
from optimizer.program.list_program import Chosen, ListProblem, PipeCut, Priced, SoldPacks, SoldPipe
from optimizer.program.problem import RunChoice, SizingProblem, TeeChoice
from optimizer.search.each_draw import EachDraw
from optimizer.search.list_costs import RunPrices, Shop
from optimizer.search.list_ways import Way
from optimizer.search.posing import PosedProblem, loss_units
from optimizer.search.rivals import unbeaten
from optimizer.takeoff.cutting import UNIT_M
from optimizer.takeoff.list_price import KERF, Pieces, coupled_joints, covers

_MOST_FLOORS = 3  # for each pipe, of the offcuts that its long pieces may leave
_N = TypeVar("_N", int, float)
SEALS = (("cement", "cement"), ("primer", "cement"), ("tape", "tape"))  # what is bought, for joints of which kind


@dataclass(frozen=True, slots=True)
class Cutting:
    """Pieces of a pipe, by the run that takes them, cost at least `cents` together: found once, true of every plan.

    `tees` are the fittings, as posed, that runs are measured to whose pieces are as long only there.
    """

    item: str
    cents: int
    users: tuple[tuple[str, Pieces], ...]
    tees: tuple[tuple[str, int], ...]


@dataclass
class Pick:
    """One choice of `ways` for every run and of `tees`, by their numbers in the posed problem, as a list is priced.

    `taken` is told of the new pipe of every list that is priced, saw cuts counted [units], `cuttings` of what pieces of
    it cost together: the program counts with those of lists that were priced before.
    """

    shop: Shop
    prices: Mapping[str, RunPrices]
    catalog: Catalog
    posed: PosedProblem
    ways: Mapping[str, Sequence[Way]]
    tees: Mapping[str, Sequence[int]]
    budget: int | None
    taken: list[tuple[CatalogItem, int]]
    cuttings: dict[Cutting, None]  # in the order in which they were found
    drawn: EachDraw | None = None

    def problem(self) -> ListProblem:
        """Return the numbers of the program that picks one of them for every run and tee."""
        numbers, effort = self.posed.states, self.shop.effort
        limits = [i for i, limit in enumerate(self.posed.problem.limits) if limit.words != "cents for parts"]
        runs = {
            run: tuple(
                RunChoice(
                    numbers[way.start],
                    numbers[way.end],
                    way.cents,
                    loss_units(way.loss_m),
                    0,
                    tuple(way.used[i] for i in limits),
                )
                for way in found
            )
            for run, found in self.ways.items()
        }
        fittings = {tee: tuple(self._fitting(tee, k, limits) for k in kept) for tee, kept in self.tees.items()}
        sizing = SizingProblem(
            runs, fittings, self.posed.problem.paths, (), tuple(self.posed.problem.limits[i] for i in limits)
        )
        least = {run: [way.least_pieces for way in found] for run, found in self.ways.items()}
        pipes = self.shop.pipes
        items = {key: one[0] for found in least.values() for each in found for key, one in each.items()}
        work = {run: [sum(map(effort.cents, way.arcs)) for way in found] for run, found in self.ways.items()}
        return ListProblem(
            sizing,
            {run: [_with_kerfs(each) for each in found] for run, found in least.items()},
            {run: [_least_joints(way) for way in found] for run, found in self.ways.items()},
            {key: self._sold(item) for key, item in items.items()},
            self._packs(),
            work,
            self.budget,
            {run: [self._least_of(way, pipes.alone_cents) for way in found] for run, found in self.ways.items()},
            {run: [self._least_of(way, pipes.long_pieces) for way in found] for run, found in self.ways.items()},
            {key: self._floors(item) for key, item in items.items()},
            None if self.drawn is None else self.drawn.rows(self.posed, self.ways, self.tees),
            [cut for cut in map(self._cut, self.cuttings) if cut is not None],
        )

    def _floors(self, item: CatalogItem) -> list[dict[str, list[float]]]:
        """Return what ways add to the cost of a pipe at the least, for some offcuts that long pieces leave."""
        pipes, key = self.shop.pipes, item.item_id
        each = [
            one[key][1] for found in self.ways.values() for way in found for one in way.pieces.values() if key in one
        ]
        offcuts = pipes.offcuts(item, {units for pieces in each for units in pieces})
        apart = offcuts[:: max(1, -(-len(offcuts) // _MOST_FLOORS))]
        return [
            {
                run: [self._least_of(way, partial(pipes.floor_cents, offcut=offcut)).get(key, 0.0) for way in found]
                for run, found in self.ways.items()
            }
            for offcut in apart
        ]

    def _least_of(self, way: Way, count: Callable[[CatalogItem, Pieces], _N]) -> dict[str, _N]:
        """Return something of a way's pieces of every pipe, at the least over the fittings at its ends."""
        found: dict[str, _N] = {}
        for key, (item, _, _) in way.least_pieces.items():
            found[key] = min(count(item, one[key][1] if key in one else ()) for one in way.pieces.values())
        return found

    def _fitting(self, tee: str, k: int, limits: Sequence[int]) -> TeeChoice:
        choice = self.posed.problem.tees[tee][k]
        return TeeChoice(
            self.posed.tees[tee][k].cents, choice.states, choice.losses, 0, tuple(choice.use(i) for i in limits)
        )

    def _sold(self, item: CatalogItem) -> SoldPipe:
        pipes = self.shop.pipes
        if pipes.by_length(item):
            return SoldPipe(((math.ceil(item.sale_length_m / UNIT_M - 1e-6), item.price_cents),))
        lengths = tuple((math.floor(one.length_m / UNIT_M + 1e-6) + KERF, one.price_cents) for one in pipes.stock(item))
        owned = sum(math.floor(length_m / UNIT_M + 1e-6) + KERF for length_m in pipes.owned_m.get(item.item_id, ()))
        return SoldPipe(lengths, owned)

    def _packs(self) -> list[SoldPacks]:
        """Return how what seals the joints is sold, for all joints of these ways."""
        joints = sorted({joint for found in self.ways.values() for way in found for joint in _least_joints(way)})
        shop, found = self.shop.joints, []
        for use, method in SEALS:
            sizes = [size for how, size in joints if how == method]
            rows = {item.item_id: item for size in sizes for item, _ in shop.rows(use, size)}
            rates = self.catalog.joints_per_pack
            kinds = [
                (item.price_cents, {(method, size): rates[key][size] for size in sizes if size in rates[key]})
                for key, item in sorted(rows.items())
            ]
            if kinds:
                found.append(SoldPacks(tuple(kinds)))
        for method, size in joints:
            rows_of = shop.rows(method, size) if method in ("washer", "clamp") else ()
            if rows_of:
                item, does = rows_of[0]
                found.append(SoldPacks(((item.price_cents, {(method, size): does}),)))
        return found

    # exact prices

    def price(self, chosen: Chosen) -> Priced:
        """Return what the list of a choice costs, with what its pipe says of all choices like it."""
        picked, pieces = self._picked(chosen)
        cents, cuts = self._beside_pipe(picked, pieces, chosen), []
        for item, lengths in _together(pieces):
            key, pipe = item.item_id, self.shop.pipes.cents(item, lengths)
            self.taken.append((item, sum(units + KERF for units in lengths)))
            cents += pipe
            users = {run: found[key][1] for run, found in pieces.items() if key in found}
            cutting = self._cutting(key, pipe, self._needed(item, pipe, users), chosen)
            self.cuttings[cutting] = None
            cuts += [cut for cut in [self._cut(cutting)] if cut is not None]
        return Priced(cents, self._allowed(picked, cents), tuple(cuts))

    def allowed_cents(self, chosen: Chosen) -> int | None:
        """Return what the list of a choice costs [cents]; None where that is above the budget."""
        picked, pieces = self._picked(chosen)
        cents = self._beside_pipe(picked, pieces, chosen)
        for item, lengths in _together(pieces):
            self.taken.append((item, sum(units + KERF for units in lengths)))
            cents += self.shop.pipes.cents(item, lengths)
        return cents if self._allowed(picked, cents) else None

    def _allowed(self, picked: Mapping[str, Way], cents: int) -> bool:
        work = sum(self.shop.effort.cents(arc) for way in picked.values() for arc in way.arcs)
        return self.budget is None or cents - work <= self.budget

    def cents(self, chosen: Chosen) -> int:
        """Return what the list of a choice costs [cents]."""
        picked, pieces = self._picked(chosen)
        return self._beside_pipe(picked, pieces, chosen) + sum(
            self.shop.pipes.cents(*each) for each in _together(pieces)
        )

    def joints(self, chosen: Chosen) -> Counter[tuple[str, str]]:
        """Return the joints of a choice, with those of the couplings that its pipe takes."""
        return self._joints(*self._picked(chosen))

    @staticmethod
    def _joints(
        picked: Mapping[str, Way], pieces: Mapping[str, Mapping[str, tuple[CatalogItem, Pieces]]]
    ) -> Counter[tuple[str, str]]:
        joints: Counter[tuple[str, str]] = Counter()
        for run, way in picked.items():
            joints.update(way.joints)
            joints.update(coupled_joints({key: (item, len(own)) for key, (item, own) in pieces[run].items()}))
        return joints

    def _picked(self, chosen: Chosen) -> tuple[dict[str, Way], dict[str, Mapping[str, tuple[CatalogItem, Pieces]]]]:
        """Return the ways of a choice, and the pieces of pipe that each takes."""
        picked = {run: self.ways[run][k] for run, k in chosen.runs.items()}
        options = {tee: self.posed.tees[tee][self.tees[tee][k]] for tee, k in chosen.tees.items()}
        return picked, {run: self._pieces(run, way, options) for run, way in picked.items()}

    def _beside_pipe(
        self,
        picked: Mapping[str, Way],
        pieces: Mapping[str, Mapping[str, tuple[CatalogItem, Pieces]]],
        chosen: Chosen,
    ) -> int:
        """Return what a choice costs without its pipe, and what couples that [cents]."""
        cents = sum(way.cents for way in picked.values())
        cents += sum(self.posed.tees[tee][self.tees[tee][k]].cents for tee, k in chosen.tees.items())
        return cents + self.shop.joints.cents(self._joints(picked, pieces))

    def _needed(self, item: CatalogItem, cents: int, users: Mapping[str, Pieces]) -> dict[str, Pieces]:
        """Return of the pieces that runs take of a pipe some that cost as much by themselves."""
        kept = sorted(((units, run) for run, own in users.items() for units in own), reverse=True)

        def enough(some: Sequence[tuple[int, str]]) -> bool:
            return self.shop.pipes.cents(item, tuple(units for units, _ in some)) >= cents

        kept = kept[: bisect_left(range(len(kept)), True, key=lambda count: enough(kept[:count]))]
        for one in reversed(kept[:-1]):
            left = [other for other in kept if other is not one]
            kept = left if enough(left) else kept
        found: dict[str, list[int]] = {}
        for units, run in kept:
            found.setdefault(run, []).append(units)
        return {run: tuple(own) for run, own in found.items()}

    def _pieces(self, run: str, way: Way, options: Mapping[str, TeeOption]) -> Mapping[str, tuple[CatalogItem, Pieces]]:
        one = self.prices[run].run
        ends = [options.get(one.start.point), options.get(one.end.point)]
        found = [self.prices[run].options_at(state, i == 0) for i, state in enumerate((way.start, way.end))]
        first, last = (
            next((i for i, option in enumerate(each) if option is end), 0)
            for each, end in zip(found, ends, strict=True)
        )
        return way.pieces[first, last]

    def _cutting(self, key: str, cents: int, users: Mapping[str, Pieces], chosen: Chosen) -> Cutting:
        """Return what pieces of a choice's pipe cost together, at the fittings that they are as long for."""
        tees: dict[str, int] = {}
        for run, lengths in users.items():
            own, one = self.ways[run][chosen.runs[run]], self.prices[run].run
            if not all(_covered(pieces, key, lengths) for pieces in own.pieces.values()):
                at = {one.start.point, one.end.point} & chosen.tees.keys()
                tees |= {tee: self.tees[tee][chosen.tees[tee]] for tee in at}
        return Cutting(key, cents, tuple(sorted(users.items())), tuple(sorted(tees.items())))

    def _cut(self, cutting: Cutting) -> PipeCut | None:
        """Return that a pipe costs as much wherever every run takes pieces of it that are no fewer and no shorter.

        None where these ways and fittings have nothing like it.
        """
        if not all(tee in self.tees and k in self.tees[tee] for tee, k in cutting.tees):
            return None
        fittings = {tee: self.posed.tees[tee][k] for tee, k in cutting.tees}
        alike = {
            run: tuple(
                k
                for k, way in enumerate(self.ways.get(run, ()))
                if all(_covered(one, cutting.item, lengths) for one in self._measured(run, way, fittings))
            )
            for run, lengths in cutting.users
        }
        if not all(alike.values()):
            return None
        return PipeCut(cutting.item, cutting.cents, alike, {tee: (self.tees[tee].index(k),) for tee, k in cutting.tees})

    def _measured(
        self, run: str, way: Way, fittings: Mapping[str, TeeOption]
    ) -> Iterable[Mapping[str, tuple[CatalogItem, Pieces]]]:
        """Return the pieces of a way between known fittings; where one of them is not known, between any two."""
        one = self.prices[run].run
        at = [end.point for end in (one.start, one.end) if end.point in self.tees]
        known = bool(at) and all(point in fittings for point in at)
        return [self._pieces(run, way, fittings)] if known else way.pieces.values()

    def posed_of(self, chosen: Chosen) -> PosedProblem:
        """Return a choice as a posed problem of one alternative for every run and tee."""
        numbers = self.posed.states
        picked = {run: self.ways[run][k] for run, k in chosen.runs.items()}
        alternatives = {
            run: (Alternative.of(way.cents, way.loss_m, way.packs, way.arcs, way.used),) for run, way in picked.items()
        }
        runs = {
            run: (RunChoice(numbers[way.start], numbers[way.end], way.cents, loss_units(way.loss_m), 0, way.used),)
            for run, way in picked.items()
        }
        indices = {tee: self.tees[tee][k] for tee, k in chosen.tees.items()}
        limits = range(len(self.posed.problem.limits))
        fittings = {tee: (self._fitting(tee, k, limits),) for tee, k in indices.items()}
        problem = replace(self.posed.problem, runs=runs, tees=fittings, packs=())
        options = {tee: [self.posed.tees[tee][k]] for tee, k in indices.items()}
        return PosedProblem(problem, alternatives, options, numbers)


def _together(
    pieces: Mapping[str, Mapping[str, tuple[CatalogItem, Pieces]]],
) -> Iterator[tuple[CatalogItem, Pieces]]:
    """Yield every pipe with the pieces that all runs take of it, longest first."""
    found: dict[str, tuple[CatalogItem, list[int]]] = {}
    for each in pieces.values():
        for key, (item, lengths) in each.items():
            found.setdefault(key, (item, []))[1].extend(lengths)
    for _, (item, units) in sorted(found.items()):
        yield item, tuple(sorted(units, reverse=True))


def _with_kerfs(pieces: Mapping[str, tuple[CatalogItem, int, int]]) -> dict[str, int]:
    return {key: length + KERF * count for key, (_, count, length) in pieces.items() if count}


def _least_joints(way: Way) -> Mapping[tuple[str, str], int]:
    """Return the joints of a way, with those of the couplings that it takes at the least."""
    coupled = coupled_joints({key: (item, count) for key, (item, count, _) in way.least_pieces.items()})
    return Counter(way.joints) + coupled if coupled else way.joints


def _covered(pieces: Mapping[str, tuple[CatalogItem, Pieces]], key: str, lengths: Pieces) -> bool:
    return covers(pieces[key][1] if key in pieces else (), lengths)


def unbeaten_ways(ways: Sequence[Way], shop: Shop) -> list[Way]:
    """Return the ways that no other one between the same ends beats."""
    groups: dict[tuple[object, object], list[int]] = {}
    for i, way in enumerate(ways):
        groups.setdefault((way.start, way.end), []).append(i)
    kept = list[int]()
    for group in groups.values():
        same = [ways[i] for i in group]
        lengths = [tuple(each for _, each in sorted(way.pieces.items())) for way in same]
        lost = None if same[0].lost_m is None else np.array([way.lost_m for way in same])
        counts = _counts(same, shop.joints.fewer_cost_no_more())
        kept += [group[k] for k in unbeaten(counts, lost, lengths, shop.pipes)]
    return [ways[i] for i in sorted(kept)]


def _counts(ways: Sequence[Way], fewer_joints: bool) -> npt.NDArray[np.float64]:
    """Return a row for each way of what it loses, costs, uses and seals: what beats it has no more of anything.

    Where fewer joints may cost more, those that it does not make count as well: then only as many are no more, with
    those of couplings at the least. Else these come on top of what its pieces cost.
    """
    made = [way.joints if fewer_joints else _least_joints(way) for way in ways]
    kinds = sorted({joint for each in made for joint in each})
    joints = np.array([[each.get(kind, 0) for kind in kinds] for each in made]).reshape(len(ways), len(kinds))
    rest = np.array([(loss_units(way.loss_m), way.cents, *way.used) for way in ways], dtype=float)
    return np.hstack((rest, joints) if fewer_joints else (rest, joints, -joints))
