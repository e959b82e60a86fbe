"""A plan proved by what it uses, its list not proved → what no list costs less than: lists told apart by their packs.

A list gets by with one pack of the cheapest kind of what seals its joints, or it pays for more than that. If it gets
by, its joints take no more than that pack has: a price on each joint by its share of the pack, the price of a whole
pack taken off again, makes no such list dearer, so that the search by what is used tells what they cost at the least (a
Lagrangian bound: M. L. Fisher, Management Science 27(1), 1981, pp. 1-18, from memory). Which price tells most is found
by the lines that the cost of some plans makes over it.
"""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from optimizer.choices.effort import Effort, JointCents
from optimizer.model.catalog import Kind
from optimizer.model.plan import Status
from optimizer.search.box_tree import shape_of
from optimizer.search.list_pick import SEALS
from optimizer.search.unknown_flows import UnknownSearch
from optimizer.takeoff.list_price import JointShop, counted

_TRIES = 3  # prices of a joint, for each of what seals joints
_HAIR = 1e-5  # of a pack, more than `JointShop` counts for nothing
Joints = Mapping[tuple[str, str], int]  # (what seals them, nominal size): how many
Search = Callable[[JointCents, int], UnknownSearch]  # by what is used, joints priced, below a cost [cents]


@dataclass(frozen=True)
class _Seal:
    """What seals joints of a method: how many one of the cheapest packs does by size, what more than that costs more.

    `gain` is in cents.
    """

    method: str
    does: Mapping[str, int]
    gain: int

    def packs(self, joints: Joints) -> float:
        """Return how many of the packs some joints take, of the sizes that it does."""
        return sum(n / self.does[size] for (how, size), n in joints.items() if how == self.method and size in self.does)

    def priced(self, pack_cents: float) -> JointCents:
        """Return what each joint takes of a pack at this price."""
        return tuple(((self.method, size), pack_cents / count) for size, count in self.does.items())


def least_list_cents(
    found: UnknownSearch, find: Callable[..., UnknownSearch], cents_per_hour: int, time_limit_s: float
) -> int:
    """Return what no list costs less than [cents], of a plan that is proved by what it uses; `find` proved it so.

    One after the other of what its joints take more than a pack of: what lists that get by with one cost at the least,
    if they take more than one of those before; and what lists cost that take more of all. Round rings that takes too
    long.
    """
    used, made, until = found.bound_cents or 0, joints_of(found), time.monotonic() + time_limit_s
    shape, options = None if found.case is None else shape_of(found.case), found.options
    if shape is None or shape.cuts or options is None or found.cents is None or found.plan.status is not Status.OPTIMAL:
        return used

    def search(joint_cents: JointCents, below_cents: int) -> UnknownSearch:
        return find(
            time_limit_s=max(0.0, until - time.monotonic()),
            cutoff_cents=below_cents,
            floor_cents=used,
            options=options,
            effort=Effort(cents_per_hour, joint_cents),
        )

    seals = [seal for seal in _seals(JointShop(options.catalog)) if seal.gain > 0 and seal.packs(made) > 1.0 + _HAIR]
    least = used + sum(seal.gain for seal in seals)
    paid = 0
    for seal in seals:
        line = float(found.cents), seal.packs(made) - 1.0
        least = min(least, paid + _of_one_pack(seal, used, least - paid, line, search))
        paid += seal.gain
    return least


def _seals(shop: JointShop) -> Iterator[_Seal]:
    for use, method in SEALS:
        rows = [item for item in shop.catalog.of_kind(Kind.CONSUMABLE) if item.family == use]
        if rows:
            cheapest, *others = sorted(rows, key=lambda item: item.price_cents)
            more = min([2 * cheapest.price_cents, *(item.price_cents for item in others)])
            does = shop.catalog.joints_per_pack.get(cheapest.item_id, {})
            yield _Seal(method, does, more - cheapest.price_cents)


def _of_one_pack(seal: _Seal, used: int, enough: int, line: tuple[float, float], search: Search) -> int:
    """Return what lists cost at the least that one pack is enough for, up to what is `enough` to know [cents].

    `line` is what the plan that is known costs, and how many packs it takes beyond one.
    """
    best, lines = used, [line]
    for _ in range(_TRIES):
        price = _telling(lines, enough)
        off = price * (1.0 + _HAIR)
        found = search(seal.priced(price), enough + math.ceil(off))
        best = max(best, min(enough, math.floor((found.bound_cents or 0) - off)))
        if best >= enough or found.cents is None:
            break
        packs = seal.packs(joints_of(found))
        lines.append((found.cents - price * packs, packs - 1.0))
    return best


def _telling(lines: Sequence[tuple[float, float]], enough: float) -> float:
    """Return the least price at which the lowest of these lines (cost without it, slope) is highest, or high enough."""
    prices = [(enough - cents) / slope for cents, slope in lines if slope > 0.0]
    prices += [(b - a) / (up - down) for (a, up), (b, down) in combinations(lines, 2) if up > 0.0 > down]
    prices += [(a - b) / (up - down) for (a, down), (b, up) in combinations(lines, 2) if up > 0.0 > down]

    def told(price: float) -> float:
        return min(enough, *(cents + slope * price for cents, slope in lines))

    return max(sorted(max(0.0, price) for price in prices), key=told)


def joints_of(found: UnknownSearch) -> Counter[tuple[str, str]]:
    """Return the joints of the plan that was found."""
    made: Counter[tuple[str, str]] = Counter()
    if found.case is not None and found.choice is not None:
        for name, k in zip(found.case.ways, found.choice.ways, strict=True):
            for arc in found.case.ways[name][k].alternative.arcs:
                made.update(counted(arc.joints))
    return made
