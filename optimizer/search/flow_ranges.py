"""Between which bounds the flow of every run must lie, whatever is chosen: by mass, targets, pump curves and heads."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from optimizer.choices.graph import ChoiceGraph
from optimizer.choices.loss_basis import ArcRows
from optimizer.choices.wants import Want
from optimizer.clock import look
from optimizer.hydraulics.pumps import pump_curve
from optimizer.hydraulics.tank_balance import sole_feeds
from optimizer.model.catalog import CHECKS, Kind
from optimizer.model.network import Network, PointKind, Run

Range = tuple[float, float]
_Row = tuple[Mapping[str, float], float, float]  # coefficients of a sum of flows, its least and its most
_ROUNDS = 30
_WIDEN = 1e-9
MOST_M3_S = 1.0  # far above anything in this trade


@dataclass(frozen=True)
class Bounds:
    """Least and greatest flow of every run [m³/s]; `empty` when no flow can meet the rows."""

    ranges: Mapping[str, Range]
    empty: bool


def pump_of(run: Run) -> str | None:
    return next((part.name for part in run.parts if part.kind is Kind.PUMP), None)


def is_one_way(run: Run, network: Network) -> int:
    """Return +1 where water can only run along the run, -1 where only against it, 0 where both ways."""
    if network.points[run.start.point].kind is PointKind.OUTLET:
        return -1
    onward = network.points[run.end.point].kind is PointKind.OUTLET or any(part.kind in CHECKS for part in run.parts)
    return 1 if onward or run.name in sole_feeds(network) else 0


def greatest_head_m(network: Network, fastest: Mapping[str, float]) -> float:
    """Return the most head difference that any run can see: of the fixed heads, and all pumps in a row."""
    heads = [point.head_m for point in network.points.values() if point.head_m is not None]
    pumps = sum(pump_curve(pump).shut_off_head_m * fastest[name] ** 2 for name, pump in network.pumps.items())
    return max(heads, default=0.0) - min(heads, default=0.0) + pumps


def first_bounds(
    network: Network,
    wants: Sequence[Want],
    fastest: Mapping[str, float],
    losses: Mapping[str, Sequence[tuple[ChoiceGraph, ArcRows]]],
) -> Bounds:
    """Return bounds from mass, targets and pumps, and for what they leave open from the head that there is at most."""
    ranges = {}
    for name, run in network.runs.items():
        pump = pump_of(run)
        low, high = -MOST_M3_S, MOST_M3_S
        if pump is not None and fastest[pump] > 0.0:
            low, high = 0.0, network.pumps[pump].curve[-1][0] * fastest[pump]
        way = is_one_way(run, network)
        ranges[name] = (max(low, 0.0) if way > 0 else low, min(high, 0.0) if way < 0 else high)
    bounds = by_mass(network, wants, ranges)
    head_m = greatest_head_m(network, fastest)
    ranges = dict(bounds.ranges)
    for name, (low, high) in ranges.items():
        if max(-low, high) > 0.1 * MOST_M3_S and name in losses:
            most = _flow_at(losses[name], head_m)
            ranges[name] = (max(low, -most), min(high, most))
    return by_mass(network, wants, ranges)


def _flow_at(choices: Sequence[tuple[ChoiceGraph, ArcRows]], head_m: float) -> float:
    """Return the flow at which the lowest-loss way takes this head, from above."""
    low, high = 0.0, MOST_M3_S
    for _ in range(30):
        look()
        if high - low < 0.01 * high:  # what it says is on the safe side wherever it ends
            break
        middle = 0.5 * (low + high)
        if min(least_loss_m(graph, rows, middle) for graph, rows in choices) > head_m:
            high = middle
        else:
            low = middle
    return high


def least_loss_m(graph: ChoiceGraph, rows: ArcRows, flow_m3_s: float) -> float:
    """Return the least that any way through a choice graph loses at a flow [m]."""
    loss = rows.loss_of(flow_m3_s)
    best = [math.inf] * len(graph.nodes)
    for node in graph.starts.values():
        best[node] = 0.0
    for index, arcs in enumerate(graph.arcs):
        if best[index] < math.inf:
            for arc in arcs:
                best[arc.head] = min(best[arc.head], best[index] + loss(arc))
    return min((best[node] for node in graph.ends.values()), default=math.inf)


def by_mass(network: Network, wants: Sequence[Want], ranges: Mapping[str, Range]) -> Bounds:
    """Return the ranges as far as mass at the tees and the rows of targets narrow them.

    The tees of a loop one by one leave the loop's own flow open; all of them together say what goes in and out.
    """
    balances = [_balance(network, point.name) for point in network.points.values() if not point.is_fixed]
    whole = dict.fromkeys(network.runs, 0.0)
    for balance in balances:
        whole |= {run: whole[run] + sign for run, sign in balance.items()}
    wanted: list[_Row] = [(want.coefficients, want.low_m3_s, want.high_m3_s) for want in wants]
    rows = [*wanted, *_upstream(wanted, balances)]
    rows += [(balance, 0.0, 0.0) for balance in balances]
    rows.append(({run: sign for run, sign in whole.items() if sign}, 0.0, 0.0))
    now = dict(ranges)
    for _ in range(_ROUNDS):
        changed = False
        for coefficients, low, high in rows:
            changed |= _narrow(now, coefficients, low, high)
        if any(a > b for a, b in now.values()):
            return Bounds(now, True)
        if not changed:
            break
    return Bounds(now, False)


def _balance(network: Network, point: str) -> dict[str, float]:
    """Return what flows into a point: 1 for every run that brings water there, -1 for one that takes it away."""
    balance: dict[str, float] = {}
    for run, _, at_start in network.runs_at(point):
        balance[run.name] = balance.get(run.name, 0.0) + (-1.0 if at_start else 1.0)
    return balance


def _upstream(rows: Sequence[_Row], balances: Sequence[Mapping[str, float]]) -> Iterator[_Row]:
    """Yield the rows that are left where what flows through a tee is put in for several runs: a sum's one feed."""
    for coefficients, low, high in rows:
        left, shorter = dict(coefficients), True
        while shorter:
            shorter = False
            for balance, sign in itertools.product(balances, (1.0, -1.0)):
                both = {run: left.get(run, 0.0) + sign * balance.get(run, 0.0) for run in {**left, **balance}}
                fewer = {run: c for run, c in both.items() if c != 0.0}
                if 0 < len(fewer) < len(left):
                    left, shorter = fewer, True
        if len(left) < len(coefficients):
            yield left, low, high


def _narrow(now: dict[str, Range], coefficients: Mapping[str, float], low: float, high: float) -> bool:
    """Narrow the runs of one row by what the others leave; a hair is given back, for rounding must cut nothing off."""
    terms = {run: sorted((c * now[run][0], c * now[run][1])) for run, c in coefficients.items() if c != 0.0}
    least, most = sum(t[0] for t in terms.values()), sum(t[1] for t in terms.values())
    changed = False
    for run, (bottom, top) in terms.items():
        c = coefficients[run]
        limits = sorted(((low - (most - top)) / c, (high - (least - bottom)) / c))
        a, b = now[run]
        hair = _WIDEN * max(abs(a), abs(b), 1e-6)
        new = (max(a, limits[0] - hair), min(b, limits[1] + hair))
        if new[0] > new[1] and new[0] - new[1] <= 4.0 * hair:
            new = (min(new), max(new))
        if new[0] > a + 10.0 * hair or new[1] < b - 10.0 * hair:
            changed = True
            now[run] = new
            spread = sorted((c * new[0], c * new[1]))
            least += spread[0] - bottom
            most += spread[1] - top
            terms[run] = spread
            if new[0] > new[1]:
                return True
    return changed
