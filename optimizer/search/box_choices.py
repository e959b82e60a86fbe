"""Ways, fittings and settings of a tree → its combinations below a cost, one by one.

Tables see to it that ends meet, but where a ring or a joining line is cut open: there they only know which ends there
may be.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence

from optimizer.choices.graph import EndState
from optimizer.model.network import RunEnd
from optimizer.search.box_tree import Shape, far_end
from optimizer.search.flow_posing import Choice, FlowCase, cents_of

Kept = Mapping[str, Sequence[int]]


def choices_below(
    case: FlowCase, shape: Shape, ways: Kept, fittings: Kept, settings: Sequence[int], limit: float
) -> Iterator[Choice]:
    """Yield the combinations of a tree whose ends meet and that cost less than a limit [cents].

    `settings` are the speeds to choose from in the first mode; where there are several each has one.
    """
    order = shape.order
    rest = _least_behind(case, shape, ways, fittings)
    energy = {k: sum(case.energy_cents.get(pump, 0) for pump in case.modes[0].speeds[k].items()) for k in settings}
    most = limit - min(energy.values(), default=0)
    others = (0,) * (len(case.modes) - 1)
    stack: list[tuple[int, int, dict[str, int], dict[str, int]]] = [(0, 0, {}, {})]
    while stack:
        i, cents, taken, tees = stack.pop()
        if i == len(order):
            for setting in settings:
                chosen = tuple(taken[name] for name in case.ways), tuple(tees[point] for point in case.tees)
                choice = Choice(*chosen, (setting, *others))
                if cents_of(case, choice) < limit:
                    yield choice
            continue
        far = far_end(case.network.runs[order[i]], order[i] in shape.against)
        for k, fitting, more in _next(case, order[i], far, ways, fittings, tees):
            if cents + more + rest[i + 1] < most:
                after = tees if fitting is None else {**tees, far.point: fitting}
                stack.append((i + 1, cents + more, {**taken, order[i]: k}, after))


def _least_behind(case: FlowCase, shape: Shape, ways: Kept, fittings: Kept) -> list[int]:
    """Return what all runs from a place in the order on cost at least, with the fittings behind them."""
    least = {point: min(case.tees[point][k].cents for k in kept) for point, kept in fittings.items()}
    each = []
    for name in shape.order:  # a fitting counts with the run that feeds it
        own = min(case.ways[name][k].alternative.cents for k in ways[name])
        each.append(own + least.pop(far_end(case.network.runs[name], name in shape.against).point, 0))
    return [*itertools.accumulate(reversed(each), initial=0)][::-1]


def _next(
    case: FlowCase, name: str, far: RunEnd, ways: Kept, fittings: Kept, tees: Mapping[str, int]
) -> Iterator[tuple[int, int | None, int]]:
    """Yield the ways of a run, with the fittings at its far end, that meet the fitting before it; and their cents."""
    run = case.network.runs[name]
    near, behind = run.end if far is run.start else run.start, far.point
    for k in ways[name]:
        way = case.ways[name][k].alternative
        first, last = (way.end, way.start) if far is run.start else (way.start, way.end)
        if near.point in tees and case.tees[near.point][tees[near.point]].states[near.leg] != first:
            continue
        if behind in tees:  # a run that closes a ring
            if case.tees[behind][tees[behind]].states[far.leg] == last:
                yield k, None, way.cents
            continue
        if behind not in case.tees:
            yield k, None, way.cents
            continue
        for fitting in fittings[behind]:
            option = case.tees[behind][fitting]
            if option.states[far.leg] == last:
                yield k, fitting, way.cents + option.cents


def meets(case: FlowCase, shape: Shape, choice: Choice) -> bool:
    """Return whether both sides of every cut have the same end."""
    return all(own == other for _, own, other in _ends(case, shape, choice))


def ways_by_end(
    case: FlowCase, shape: Shape, choice: Choice, ways: Mapping[str, Sequence[int]]
) -> list[dict[str, list[int]]]:
    """Return the ways once for each end of a run that is cut, where a combination has it end in two; else nothing."""
    for cut, own, other in _ends(case, shape, choice):
        by_end: dict[EndState, list[int]] = {}
        for k in ways[cut] if own != other else ():
            way = case.ways[cut][k].alternative
            by_end.setdefault(way.start if cut in shape.against else way.end, []).append(k)
        if len(by_end) > 1:
            return [{**{name: list(kept) for name, kept in ways.items()}, cut: kept} for kept in by_end.values()]
    return []


def _ends(case: FlowCase, shape: Shape, choice: Choice) -> Iterator[tuple[str, EndState, EndState]]:
    """Yield every run that is cut, how its way ends, and what the fitting there has for it."""
    tees = dict(zip(case.tees, choice.tees, strict=True))
    ways = dict(zip(case.ways, choice.ways, strict=True))
    for cut in shape.cuts.values():
        against = cut in shape.against
        far = far_end(case.network.runs[cut], against)
        way = case.ways[cut][ways[cut]].alternative
        yield cut, way.start if against else way.end, case.tees[far.point][tees[far.point]].states[far.leg]
