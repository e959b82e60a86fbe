"""The least list of a system of several runs, where pipe is sold by the foot: bought for all runs together.

Every way of every run within the limits is laid out, measured and weighed by itself; what is put together are those
that no other of the same run beats in fittings, in pipe of each size, in what seals it and in loss: sums of them and
what whole feet cost only grow with each.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from enumeration import (
    USES,
    fittings_of,
    keeps,
    laid_of,
    least_list_step_cents,
    needs_of,
    pump_head_m,
    tees_for,
    walk_of,
)
from own_lengths import KERF, UNIT_M, Mouth, counted, cut, share_of_pack, straights
from own_losses import tee_dividing_m
from own_pieces import STUB_M, depth
from own_shelf import Row, all_rows, packs
from own_walk import Sealed, Way, within
from random_systems import M3_S_PER_L_H, SHARED, Line, Small

TEE_LEGS = {"riser": 0, "branch 2": 1, "branch 1": 2}
PACKED = {use: next(SHARED[key] for key, _, _ in packs()[use] if key in SHARED) for use in ("cement", "primer", "tape")}
Slack = Callable[[float], float]
Tee = tuple[tuple[object, object, object], tuple[Row, bool], int]  # states of its legs, its row, turned or not, cents


@dataclass(frozen=True)
class Laid:
    """What a way of one run brings to the list: cents of fittings, pipe with kerfs by row [saw units], packs."""

    cents: int
    pipe: tuple[int, ...]
    packs: tuple[float, ...]  # shares of a can of cement, of one of primer, of a roll of tape
    loss_m: float
    sealed: Sealed

    def beats(self, other: Laid) -> bool:
        """Return whether this is no worse in anything."""
        mine = (self.cents, *self.pipe, *self.packs, self.loss_m)
        its = (other.cents, *other.pipe, *other.packs, other.loss_m)
        return within(self.sealed, other.sealed) and all(a <= b for a, b in zip(mine, its, strict=True))


def pipes_of(small: Small) -> tuple[Row, ...]:
    return tuple(row for row in small.shop.rows.values() if row.kind == "pipe")


def laid(small: Small, line: Line, way: Way, before: Sequence[Mouth | None], after: Sequence[Mouth | None]) -> Laid:
    """Measure a way; `before`, `after`: the mouths of tees at its start and its end, as they stand and as planned."""
    count = len(line.parts)
    stood = straights([(part, i) for i, part in enumerate(line.parts)], count, *before)
    pieces = laid_of(way)
    pipe = dict.fromkeys(pipes_of(small), 0)
    for row, length in cut(stood, straights(pieces, count, *after)):
        pipe[row] += length + KERF
    joints = counted(joint for step in way.steps for joint in step.joints)
    packs = tuple(share_of_pack(joints, use, USES[use], SHARED) for use in PACKED)
    loss_m = way.losses_m[0] if way.losses_m else 0.0
    return Laid(fittings_of(pieces), tuple(pipe.values()), packs, loss_m, way.sealed)


def unbeaten(found: Iterable[Laid]) -> list[Laid]:
    """Return those that none of the others beats."""
    left: list[Laid] = []
    for one in sorted(set(found), key=lambda each: (each.cents + sum(each.pipe), each.loss_m)):
        if not any(other.beats(one) for other in left):
            left = [other for other in left if not one.beats(other)] + [one]
    return left


def together_cents(
    small: Small, parts: Sequence[Sequence[Laid]], paths: Sequence[tuple[int, ...]] = (), heads: Sequence[float] = ()
) -> float:
    """Return the least list of one of each; `paths` are the places whose losses together keep to `heads` [m]."""
    best = math.inf
    for seals in product(*({one.sealed for one in each} for each in parts)):
        picked = [[one for one in each if one.sealed == seal] for each, seal in zip(parts, seals, strict=True)]
        cents = sums(picked, lambda one: one.cents)
        for i, price in enumerate(PACKED.values()):
            cents = cents + np.ceil(sums(picked, lambda one, i=i: one.packs[i]) - 1e-6) * price
        for i, row in enumerate(pipes_of(small)):
            length_m = sums(picked, lambda one, i=i: one.pipe[i]) * UNIT_M
            cents = cents + np.ceil(length_m / row.sale_length_m - 1e-9) * row.cents
        for path, head in zip(paths, heads, strict=True):
            loss = sums(picked, lambda one: one.loss_m, path)
            cents = np.where(loss <= head + 1e-12, cents, math.inf)
        best = min(best, float(cents.min(initial=math.inf)))
    return best


def sums(
    parts: Sequence[Sequence[Laid]], value: Callable[[Laid], float], places: Sequence[int] | None = None
) -> np.ndarray:
    """Return the sums of a value over one of each, an axis for each; `places`: only of these."""
    total = np.zeros([len(each) for each in parts])
    for place, each in enumerate(parts):
        if places is None or place in places:
            shape = [len(each) if i == place else 1 for i in range(len(parts))]
            total = total + np.array([value(one) for one in each], dtype=float).reshape(shape)
    return total


def least_list_of_lines(small: Small, most_cents: float, slack: Slack) -> float:
    """Return the least list of lines between open waters, endless where none comes to `most_cents`."""
    assert small.by_the_foot
    needs = {name: needs_of(small, line) for name, line in small.lines.items()}
    walks = {
        name: walk_of(small, line, tuple(need.flow for need in needs[name]), cents_of=least_list_step_cents(small))
        for name, line in small.lines.items()
    }
    least = {name: (walk.from_start("open", "open") or (math.inf,))[0] for name, walk in walks.items()}
    found = []
    for name, line in small.lines.items():
        most = most_cents - sum(least.values()) + least[name]
        first = needs[name][0].most_m + slack(needs[name][0].most_m)
        ways = walks[name].below(lambda most=most: most + 1e-6, first)
        kept = (way for way in ways if keeps(needs[name], way, slack))
        found.append(unbeaten(laid(small, line, way, (None, None), (None, None)) for way in kept))
    return together_cents(small, found) if all(found) else math.inf


def least_list_of_tree(small: Small, most_cents: float, slack: Slack) -> float:
    """Return the least list of a riser and two valved branches, over every tee."""
    assert small.by_the_foot
    (point,) = small.tees
    low = {name: small.lines[name].low_l_h for name in ("branch 1", "branch 2")}
    head = pump_head_m(small, sum(low.values()))
    tees = tees_for(small, point)
    search = _Tree(small, low, head + slack(head), tees)
    return min((search.at_tee(tee, most_cents) for tee in tees), default=math.inf)


@dataclass
class _Tree:
    small: Small
    low_l_h: Mapping[str, float]
    head_m: float
    tees: Sequence[Tee]

    def __post_init__(self) -> None:
        flows = {**self.low_l_h, "riser": sum(self.low_l_h.values())}
        self.lines = {name: self.small.lines[name] for name in TEE_LEGS}
        self.flows = {name: flow * M3_S_PER_L_H for name, flow in flows.items()}
        ends = tuple(dict.fromkeys(states[0] for states, _, _ in self.tees))
        weigh = least_list_step_cents(self.small)
        self.walks = {
            name: walk_of(self.small, line, (self.flows[name],), ends if name == "riser" else ("open",), cents_of=weigh)
            for name, line in self.lines.items()
        }
        (stood,) = self.small.tees.values()
        self.before = _mouths(all_rows()[stood], False, stays=True)

    def at_tee(self, tee: Tee, most_cents: float) -> float:
        """Return the least list with this tee."""
        states, (row, turned), cents = tee
        most_m = self._most_m(row, turned)
        keys = {
            name: ("open", states[0]) if name == "riser" else (states[leg], "open") for name, leg in TEE_LEGS.items()
        }
        least = {name: self.walks[name].from_start(*key) for name, key in keys.items()}
        if None in least.values():
            return math.inf
        after = _mouths(row, turned, stays=states[0] == "kept")
        spare = most_cents - cents - sum(value[0] for value in least.values()) + _tee_cents(self.small)
        limits = {name: most - least["riser"][1] for name, most in most_m.items()}
        limits["riser"] = min(most - least[name][1] for name, most in most_m.items())
        laying = [
            unbeaten(
                laid(self.small, line, way, _at(name, self.before), _at(name, after))
                for way in self.walks[name].within(*keys[name], spare + least[name][0], limits[name])
            )
            for name, line in self.lines.items()
        ]
        places = {name: i for i, name in enumerate(self.lines)}
        paths = [(places["riser"], places[name]) for name in most_m]
        return cents + together_cents(self.small, laying, paths, list(most_m.values())) if all(laying) else math.inf

    def _most_m(self, row: Row, turned: bool) -> dict[str, float]:
        """Return what the riser and each branch may lose together behind a tee [m]."""
        through, aside = tee_dividing_m(row, (self.flows["branch 2"], self.flows["branch 1"]), True, turned)
        heights = self.small.heights_m
        return {
            "branch 1": self.head_m - aside - heights["tank 1"],
            "branch 2": self.head_m - through - heights["tank 2"],
        }


def _mouths(row: Row, turned: bool, stays: bool) -> list[Mouth]:
    order = (1, 0, 2) if turned else (0, 1, 2)
    return [Mouth(row.ends[i], row.take_outs_m[i], stays) for i in order]


def _at(name: str, mouths: Sequence[Mouth]) -> tuple[Mouth | None, Mouth | None]:
    """Return the mouths at a run's start and end: the riser ends at the tee, the branches begin there."""
    own = mouths[TEE_LEGS[name]]
    return (None, own) if name == "riser" else (own, None)


def _tee_cents(small: Small) -> float:
    """Return what another tee may take off the pipe beside it at the most [cents]."""
    rows = small.shop.rows.values()
    dearest = max(row.cents / row.sale_length_m for row in rows if row.kind == "pipe")
    takes = max(sum(row.take_outs_m) + sum(depth(end) for end in row.ends) for row in rows if row.kind == "tee")
    return dearest * (takes + 3 * STUB_M)
