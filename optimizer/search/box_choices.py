"""Ways, fittings and settings of a tree → its combinations below a cost, one by one."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence

from optimizer.search.flow_posing import Choice, FlowCase, cents_of

Kept = Mapping[str, Sequence[int]]


def choices_below(
    case: FlowCase, order: Sequence[str], ways: Kept, fittings: Kept, settings: Sequence[int], limit: float
) -> Iterator[Choice]:
    """Yield the combinations of a tree in one mode whose ends meet and that cost less than a limit [cents].

    `order` has its runs, none before the one that feeds it; those that close a ring come last.
    """
    rest = _least_behind(case, order, ways, fittings)
    energy = {k: sum(case.energy_cents.get(pump, 0) for pump in case.modes[0].speeds[k].items()) for k in settings}
    most = limit - min(energy.values(), default=0)
    stack: list[tuple[int, int, dict[str, int], dict[str, int]]] = [(0, 0, {}, {})]
    while stack:
        i, cents, taken, tees = stack.pop()
        if i == len(order):
            for setting in settings:
                choice = Choice(tuple(taken[n] for n in case.ways), tuple(tees[p] for p in case.tees), (setting,))
                if cents_of(case, choice) < limit:
                    yield choice
            continue
        for k, fitting, more in _next(case, order[i], ways, fittings, tees):
            if cents + more + rest[i + 1] < most:
                after = tees if fitting is None else {**tees, case.network.runs[order[i]].end.point: fitting}
                stack.append((i + 1, cents + more, {**taken, order[i]: k}, after))


def _least_behind(case: FlowCase, order: Sequence[str], ways: Kept, fittings: Kept) -> list[int]:
    """Return what all runs from a place in the order on cost at least, with the fittings behind them."""
    least = {point: min(case.tees[point][k].cents for k in kept) for point, kept in fittings.items()}
    each = []
    for name in order:  # a fitting counts with the first run that ends in it
        own = min(case.ways[name][k].alternative.cents for k in ways[name])
        each.append(own + least.pop(case.network.runs[name].end.point, 0))
    return [*itertools.accumulate(reversed(each), initial=0)][::-1]


def _next(
    case: FlowCase, name: str, ways: Kept, fittings: Kept, tees: Mapping[str, int]
) -> Iterator[tuple[int, int | None, int]]:
    """Yield the ways of a run, with the fittings behind it, that meet the fitting before it; and their cents."""
    run = case.network.runs[name]
    before, behind = run.start.point, run.end.point
    for k in ways[name]:
        way = case.ways[name][k].alternative
        if before in tees and case.tees[before][tees[before]].states[run.start.leg] != way.start:
            continue
        if behind in tees:  # a run that closes a ring
            if case.tees[behind][tees[behind]].states[run.end.leg] == way.end:
                yield k, None, way.cents
            continue
        if behind not in case.tees:
            yield k, None, way.cents
            continue
        for fitting in fittings[behind]:
            option = case.tees[behind][fitting]
            if option.states[run.end.leg] == way.end:
                yield k, fitting, way.cents + option.cents
