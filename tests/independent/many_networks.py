"""The least that any plumbing of a small fork or ring uses, all of them solved as networks of their own."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
from enumeration import opening_cents, walk_of
from own_networks import GRID_M3_S, Curves, Floats, combining_m, dividing_m, solved
from own_shelf import Row, all_rows
from own_walk import Sealed
from random_systems import M3_S_PER_L_H, Line, Small

Tee = tuple[object, Row, int]  # the state of its legs, its row, cents
MOST_PLUMBINGS = 2_000_000  # more are not gone through
AT_ONCE = 20_000


@dataclass(frozen=True)
class Told:
    """The ways of one run between two states: cents, what seals their joints, what they lose."""

    cents: npt.NDArray[np.int64]
    sealed: npt.NDArray[np.bool_]  # shape (ways, 2)
    curves: Curves


def is_ring(small: Small) -> bool:
    return "outlet" in small.lines


class NoFlowsError(Exception):
    """The solution of its own does not find what flows in a plumbing as it stands."""


def flows_now_l_h(small: Small, speed: float = 1.0) -> dict[str, float]:
    """Return what flows in the plumbing as it stands; NoFlowsError where that is not found."""
    tees: dict[str, Tee] = {point: ("kept", all_rows()[row], 0) for point, row in small.tees.items()}
    return _found_l_h(small, tees, {name: _ways(small, line, tees, 0.0) for name, line in small.lines.items()}, speed)


def flows_of_one_l_h(small: Small, most_cents: float, pick: Callable[[int], int]) -> dict[str, float]:
    """Return what flows in one of all plumbings, each of whose runs comes to a cost at the most.

    `pick` says which of so many; NoFlowsError where they do not meet at its tees, or what flows is not found.
    """
    options = {point: _tees(small, row) for point, row in small.tees.items()}
    tees = {point: found[pick(len(found))] for point, found in options.items()}
    told = {name: _ways(small, line, tees, most_cents) for name, line in small.lines.items()}
    return _found_l_h(small, tees, told, 1.0, pick)


def _found_l_h(
    small: Small,
    tees: Mapping[str, Tee],
    told: Mapping[str, Told | None],
    speed: float,
    pick: Callable[[int], int] = lambda _: 0,
) -> dict[str, float]:
    ways = {name: one for name, one in told.items() if one is not None}
    if len(ways) < len(told):
        raise NoFlowsError(small.name)
    picked = {name: np.array([pick(len(one.cents))], dtype=np.intp) for name, one in ways.items()}
    flows = _flows(small, tees, ways, picked, speed)
    found = {name: float(flow[0]) / M3_S_PER_L_H for name, flow in flows.items()}
    if not all(map(math.isfinite, found.values())):
        raise NoFlowsError(small.name)
    return found


def least_of_networks(small: Small, most_cents: float, share: float) -> float:
    """Return the least cost of a plumbing that keeps to every target, endless where none comes to `most_cents`.

    `share`: targets are loosened (below 0: tightened) by this share of them. Where the flows are not found a plumbing
    counts as one that keeps to them if they are loosened, and as one that does not if they are tightened.
    """
    options = {point: _tees(small, row) for point, row in small.tees.items()}
    best = math.inf
    for choice in product(*options.values()):
        tees = dict(zip(options, choice, strict=True))
        own = sum(cents for _, _, cents in choice)
        told = {name: _ways(small, line, tees, most_cents - own) for name, line in small.lines.items()}
        if all(one is not None for one in told.values()):
            found = {name: one for name, one in told.items() if one is not None}
            best = min(best, own + _least(small, tees, found, min(best, most_cents) - own, share))
    return best


def _tees(small: Small, stands: str) -> list[Tee]:
    new = [(row.ends[0], row, row.cents) for row in small.shop.rows.values() if row.kind == "tee"]
    return [("kept", all_rows()[stands], 0), *new]


def _ways(small: Small, line: Line, tees: Mapping[str, Tee], most_cents: float) -> Told | None:
    """Return the ways of a run up to a cost, alike ones once; None where there is none."""
    start, end = (tees[p.split()[0]][0] if p.split()[0] in tees else "open" for p in (line.start, line.end))
    walk = walk_of(small, line, GRID_M3_S, (end,))
    if walk.from_start(start, end) is None:
        return None
    alike: dict[object, tuple[float, Sealed, tuple[float, ...]]] = {}
    for way in walk.within(start, end, most_cents, math.inf):
        key = (way.cents, way.sealed, *(float(f"{loss:.9g}") for loss in way.losses_m[::8]))
        alike.setdefault(key, (way.cents, way.sealed, way.losses_m))
    if not alike:
        return None
    found = sorted(alike.values())
    cents = np.array([round(each[0]) for each in found], dtype=np.int64)
    return Told(cents, np.array([each[1] for each in found]), Curves.of(np.array([each[2] for each in found])))


def _least(small: Small, tees: Mapping[str, Tee], told: Mapping[str, Told], most: float, share: float) -> float:
    names = list(told)
    picked, cents = np.zeros((1, 0), dtype=np.intp), np.zeros(1, dtype=np.int64)
    rest = sum(int(one.cents.min()) for one in told.values())
    for name in names:  # one run after the other, within what the others cost at the least
        own = told[name].cents
        rest -= int(own.min())
        total = (cents[:, None] + own[None, :]).ravel()
        first, last = np.divmod(np.flatnonzero(total + rest <= most), len(own))
        picked, cents = np.column_stack((picked[first], last)), total[first * len(own) + last]
        assert len(cents) <= MOST_PLUMBINGS, f"{len(cents)} plumbings"
    sealed = np.zeros((len(cents), 2), dtype=bool)
    for i, name in enumerate(names):
        sealed |= told[name].sealed[picked[:, i]]
    cents = (
        cents
        + np.array([[opening_cents((c, t)) for t in (False, True)] for c in (False, True)])[
            sealed[:, 0].astype(int), sealed[:, 1].astype(int)
        ]
    )
    order = np.argsort(cents, kind="stable")
    order = order[cents[order] <= most]
    for at in range(0, len(order), AT_ONCE):  # the cheapest first
        some = order[at : at + AT_ONCE]
        ways = {name: picked[some, i] for i, name in enumerate(names)}
        fits = np.flatnonzero(_keeps(small, tees, told, ways, share))
        if len(fits):
            return float(cents[some[fits[0]]])
    return math.inf


def _keeps(
    small: Small,
    tees: Mapping[str, Tee],
    told: Mapping[str, Told],
    ways: Mapping[str, npt.NDArray[np.intp]],
    share: float,
) -> npt.NDArray[np.bool_]:
    """Return which plumbings keep to every target in every mode."""
    rows: list[tuple[float, Sequence[str], float, float | None]] = []  # speed, lines, least and most of their sum
    if small.modes:
        rows = [(speed, (name,), low, None) for speed, each in small.modes.values() for name, low in each.items()]
    else:
        rows = [(1.0, (line.name,), line.low_l_h, line.high_l_h) for line in small.lines.values()]
        rows += [(1.0, name.split(" + "), *limits) for name, limits in small.more_targets.items()]
    kept = np.ones(len(next(iter(ways.values()))), dtype=bool)
    for speed in dict.fromkeys(row[0] for row in rows):
        flows = _flows(small, tees, told, ways, speed)
        for _, lines, low, high in (row for row in rows if row[0] == speed):
            flow = sum(flows[name] for name in lines) / M3_S_PER_L_H
            inside = flow >= low * (1.0 - share)
            if high is not None:
                inside &= flow <= high * (1.0 + share)
            kept &= inside | (np.isnan(flow) & (share > 0.0))
    return kept


def _flows(
    small: Small,
    tees: Mapping[str, Tee],
    told: Mapping[str, Told],
    ways: Mapping[str, npt.NDArray[np.intp]],
    speed: float,
) -> dict[str, Floats]:
    """Return the flows of many plumbings [m³/s]."""
    top, most = small.pump
    through, aside = ("side 1", "side 2") if is_ring(small) else ("branch 2", "branch 1")
    split = tees["split"][1]

    def residuals(along: Floats, out: Floats) -> tuple[Floats, Floats]:
        whole = along + out
        head = speed**2 * top - top * np.square(whole / M3_S_PER_L_H / most)
        head = head - told["riser"].curves.at(ways["riser"], whole)
        first, second = dividing_m(split, along, out)
        first = head - first - told[through].curves.at(ways[through], along)
        second = head - second - told[aside].curves.at(ways[aside], out)
        if not is_ring(small):
            return first - small.heights_m["tank 2"], second - small.heights_m["tank 1"]
        straight, joining = combining_m(tees["join"][1], along, out)
        behind = told["outlet"].curves.at(ways["outlet"], whole) + small.heights_m["display"]
        return first - straight - behind, second - joining - behind

    along, out = solved(residuals, len(next(iter(ways.values()))))
    flows = {through: along, aside: out, "riser": along + out}
    return {**flows, "outlet": along + out} if is_ring(small) else flows
