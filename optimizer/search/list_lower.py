"""What every list of a system costs at the least: a price for each step, for first packs, for what seals each joint.

The sum of the lower prices of a choice never exceeds its parts list. Once a list is known they can be brought nearer to
lists like it: a first length of pipe, and a share of cement and tape for each joint, in place of the smallest can.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Self

from optimizer.choices.alternatives import Pack
from optimizer.choices.effort import Effort
from optimizer.model.catalog import CatalogItem, Kind
from optimizer.program.merge import MergedTables, greatest_head
from optimizer.program.problem import SizingProblem
from optimizer.search.collection import collection_held
from optimizer.search.list_costs import RunPrices, Shop
from optimizer.search.list_pick import SEALS
from optimizer.search.list_tapes import Tapes
from optimizer.search.options import Options
from optimizer.search.posing import LEAST_PER_CENT
from optimizer.takeoff.list_price import JointShop, PipeShop

MOST_OPENED = 2  # pipes whose first length is told apart: each doubles the tables
SEALED = ("cement", "tape")


@dataclass
class LowerPrices:
    """Lower prices of all steps and packs of one system, its pump in place.

    `opened` has pipes whose first length is told apart, and what it costs; `made` the joints of a list that the prices
    are to be near.
    """

    options: Options
    time_limit_s: float
    solver: str | None = None
    floor_cents: int = 0  # what no list costs less than, where that is known
    opened: Mapping[str, int] = field(default_factory=dict)
    made: Mapping[tuple[str, str], int] = field(default_factory=dict)
    shop: Shop = field(init=False)
    prices: dict[str, RunPrices] = field(init=False)
    credit: float = field(init=False)  # what owned pipe may save at most [thousandths of a cent]
    tapes: dict[str, Tapes] = field(init=False, default_factory=dict)  # by run: the same whatever is lost
    _again: dict[tuple[object, ...], Self] = field(init=False, default_factory=dict)

    @collection_held()
    def __post_init__(self) -> None:
        system, catalog = self.options.system, self.options.catalog
        effort = Effort(system.rules.labour_cents_per_hour)
        pipes, opened = PipeShop.of(system, catalog), frozenset(self.opened)
        sealed = {method: self._sealed(JointShop(catalog), method, self.made) for method in SEALED}
        each = {joint: rate for _, rates in sealed.values() for joint, rate in rates.items()}
        self.shop = Shop(pipes, JointShop(catalog), effort, catalog.socket_depths_m, opened, each)
        self.prices = {
            name: RunPrices(graph, system.network, self.options.tees, self.shop)
            for name, graph in self.options.graphs.items()
        }
        packs = [replace(p, cents=sealed[p.method][0]) for p in self.options.packs if p.method in SEALED]
        packs += [Pack(key, cents) for key, cents in self.opened.items()]
        self.options = replace(self.options, packs=tuple(packs))
        owned = [catalog.items[key] for key in self.shop.pipes.owned_m if key in catalog.items]
        self.credit = sum(map(self.shop.pipes.credit, owned))

    def _sealed(
        self, shop: JointShop, method: str, made: Mapping[tuple[str, str], int]
    ) -> tuple[int, dict[tuple[str, str], int]]:
        """Return what a first joint of a method surely costs [cents], and each by its kind, near to those made."""
        sizes = sorted(size for how, size in self.options.joints if how == method)
        own = {size: count for (how, size), count in made.items() if how == method}
        first, each = 0, Counter[tuple[str, str]]()
        for use, how in SEALS:
            if how == method and sizes:
                one, rates = shop.first_and_each(use, own, sizes)
                first += one
                each.update({(method, size): rate for size, rate in rates.items()})
        return first, dict(each)

    def bound_cents(self, least: float) -> int:
        """Return in whole cents what a sum of lower prices says of the list."""
        return max(0, math.ceil((least - self.credit) / LEAST_PER_CENT - 1e-9))

    def first(self, tables: MergedTables, problem: SizingProblem) -> float:
        """Return the lower price of the cheapest plan of the tables at the problem's head; endless without one."""
        head = greatest_head(problem)
        return next((float(found.cents) for found in tables.selections() if found.need <= head), math.inf)

    def near(self, opened: Mapping[str, int], made: Mapping[tuple[str, str], int]) -> Self:
        """Return the same prices, the first lengths of these pipes told apart, nearer to lists of such joints."""
        key = (*sorted(opened.items()), *sorted(made.items()))
        if key not in self._again:
            limits = (self.time_limit_s, self.solver, self.floor_cents)
            self._again[key] = type(self)(self.options, *limits, opened=opened, made=made)
        return self._again[key]

    def gain_cents(self, made: Mapping[tuple[str, str], int]) -> float:
        """Return how much more the lower prices would say of such joints if they were to be near."""
        gain = 0
        for method in SEALED:
            mine = {joint: count for joint, count in made.items() if joint[0] == method}
            first, each = self._sealed(self.shop.joints, method, mine)
            own = next((pack.cents for pack in self.options.packs if pack.method == method), 0)
            gain += LEAST_PER_CENT * (first - own) if mine else 0
            gain += sum((each.get(joint, 0) - self.shop.sealing.get(joint, 0)) * n for joint, n in mine.items())
        return gain / LEAST_PER_CENT


def first_lengths(pipes: PipeShop, taken: Iterable[tuple[CatalogItem, int]], most: int = MOST_OPENED) -> dict[str, int]:
    """Return the pipes of which a first length costs more than what lists take by the length, with its price [cents].

    `taken` is the new pipe of lists, saw cuts counted [units]; of `most` pipes those where that tells most.
    """
    gains: dict[str, tuple[float, int]] = {}
    for item, units in taken:
        if item.kind is Kind.PIPE and not pipes.by_length(item) and not pipes.owned_m.get(item.item_id):
            prices = [one.price_cents for one in pipes.stock(item)]
            least = min(prices)
            if 2 * least < max(prices):
                continue  # the shortest length of several says too little
            gain = least - pipes.rate(item) * units / LEAST_PER_CENT
            gains[item.item_id] = max(gains.get(item.item_id, (0.0, least)), (gain, least))
    best = sorted((gain, key) for key, (gain, _) in gains.items() if gain > 0.0)[::-1]
    return {key: gains[key][1] for _, key in best[:most]}
