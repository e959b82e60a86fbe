"""A combination that stands → a cheaper one: run by run the cheapest way between the same fittings that still stands.

One that does not stand → one that misses by less, in the same way, until it does.

Where water can go round, no guess at its flows holds once a run is changed; the true network is asked each time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from functools import partial

from optimizer.choices.graph import EndState
from optimizer.search.flow_posing import Choice, FlowCase, cents_of

_DEAREST = 1e6  # cents for a metre of loss: then only loss counts
_FIRST_STEP = 1e-3  # of the dearest price: where the search for the lowest begins
_PRICES = 12  # so many are tried
_SPREAD = 7  # ways of a run that are tried where a combination misses the targets


def walked_down(
    case: FlowCase,
    choice: Choice,
    flows_of: Callable[[Choice], Mapping[str, float] | None],
    over: Callable[[], bool],
) -> Choice:
    """Return the combination that is left once no run takes a cheaper way any more.

    Parameters
    ----------
    choice
        One that stands.
    flows_of
        Returns the flows of a combination that stands [m³/s], None for any other.
    over
        Returns whether the time is.
    """
    changed = True
    while changed and not over():
        changed = False
        for name in sorted(case.ways, key=lambda name: -_cents(case, choice, name)):
            flows = flows_of(choice)
            if flows is None or over():
                break
            found = _cheaper(case, choice, name, flows[name], flows_of)
            if found is not None:
                choice, changed = found, True
    return choice


def balanced(
    case: FlowCase,
    choice: Choice,
    flows_of: Callable[[Choice], Mapping[str, float] | None],
    over: Callable[[], bool],
) -> Choice:
    """Return a cheaper combination with the same fittings whose runs all pay the same for a metre of loss.

    `choice` stands and `flows_of`, `over` are as of `walked_down`, which goes on from here: run by run alone the first
    ones would take all the loss that there is room for. The lowest price is looked for at which what is chosen at the
    flows of `choice` still stands.
    """
    flows = flows_of(choice)
    best, low, high = choice, 0.0, _DEAREST
    for _ in range(_PRICES):
        if flows is None or over():
            break
        price = math.sqrt(low * high) if low else high * _FIRST_STEP
        other = _at_price(case, choice, flows, price)
        if other == choice or flows_of(other) is not None:
            best, high = min(best, other, key=partial(cents_of, case)), price
        else:
            low = price
    return best


def mended(
    case: FlowCase,
    choice: Choice,
    miss_of: Callable[[Choice], tuple[float, Mapping[str, float]] | None],
    over: Callable[[], bool],
) -> Choice:
    """Return the combination in which no other way of one run and no other fitting brings the targets nearer.

    Parameters
    ----------
    choice
        One whose network has a solution.
    miss_of
        Returns by how much a combination misses the targets, 0 where it stands, and its flows [m³/s]; None where its
        network has no solution.
    over
        Returns whether the time is.
    """
    known = miss_of(choice)
    changed = True
    while changed and known is not None and known[0] > 0.0:
        changed = False
        for other in _neighbours(case, choice, known[1]):
            if over():
                return choice
            found = miss_of(other)
            if found is not None and found[0] < known[0]:
                choice, known, changed = other, found, True
                break
    return choice


def _neighbours(case: FlowCase, choice: Choice, flows_m3_s: Mapping[str, float]) -> Iterator[Choice]:
    """Yield combinations with another way of one run, then those with another fitting at one tee."""
    names = list(case.ways)
    for at, name in enumerate(names):
        for k in _spread(case, name, choice.ways[at], flows_m3_s[name]):
            yield replace(choice, ways=(*choice.ways[:at], k, *choice.ways[at + 1 :]))
    for at, (point, options) in enumerate(case.tees.items()):
        ends = [(names.index(run.name), leg, at_start) for run, leg, at_start in case.network.runs_at(point)]
        for k, option in enumerate(options):
            ways: list[int | None] = list(choice.ways)
            for run, leg, at_start in ends:
                ways[run] = _least_with(case, names[run], choice.ways[run], at_start, option.states[leg], flows_m3_s)
            if k != choice.tees[at] and None not in ways:
                kept = tuple(way for way in ways if way is not None)
                yield replace(choice, ways=kept, tees=(*choice.tees[:at], k, *choice.tees[at + 1 :]))


def _least_with(
    case: FlowCase, name: str, own: int, at_start: bool, state: EndState, flows_m3_s: Mapping[str, float]
) -> int | None:
    """Return the way of a run that loses least with this state at one end and that of its own at the other."""
    ways, losses = case.ways[name], abs(case.tables[name].losses_m(flows_m3_s[name]))
    now = ways[own].alternative
    ends = (state, now.end) if at_start else (now.start, state)
    same = [
        k
        for k, way in enumerate(ways)
        if (way.alternative.start, way.alternative.end) == ends and way.alternative.most_m3_s >= abs(flows_m3_s[name])
    ]
    return min(same, key=lambda k: (losses[k], k), default=None)


def _spread(case: FlowCase, name: str, own: int, flow_m3_s: float) -> list[int]:
    """Return a few other ways of a run with the same ends as one, from the one that loses least to the one that most.

    Of ways that lose as much the cheapest.
    """
    ways, losses = case.ways[name], abs(case.tables[name].losses_m(flow_m3_s))
    now = ways[own].alternative
    same = [
        k
        for k, way in enumerate(ways)
        if (way.alternative.start, way.alternative.end) == (now.start, now.end)
        and way.alternative.most_m3_s >= abs(flow_m3_s)
    ]
    same.sort(key=lambda k: (round(float(losses[k]), 3), ways[k].alternative.cents))
    few = [same[round(i * (len(same) - 1) / (_SPREAD - 1))] for i in range(_SPREAD)] if same else []
    return [k for k in dict.fromkeys(few) if k != own]


def _at_price(case: FlowCase, choice: Choice, flows: Mapping[str, float], price: float) -> Choice:
    """Return the combination of least cents, with so many for every metre that a run loses."""
    ways = []
    for own, name in zip(choice.ways, case.ways, strict=True):
        found, losses = case.ways[name], abs(case.tables[name].losses_m(flows[name]))
        now = found[own].alternative
        same = [
            k
            for k, way in enumerate(found)
            if (way.alternative.start, way.alternative.end) == (now.start, now.end)
            and (k == own or way.alternative.most_m3_s >= abs(flows[name]))
        ]
        ways.append(min(same, key=lambda k: (found[k].alternative.cents + price * losses[k], k)))
    return replace(choice, ways=tuple(ways))


def _cheaper(
    case: FlowCase,
    choice: Choice,
    name: str,
    flow_m3_s: float,
    flows_of: Callable[[Choice], Mapping[str, float] | None],
) -> Choice | None:
    """Return the combination with the cheapest way of one run that stands, as if less loss were never worse."""
    at = list(case.ways).index(name)
    others = efficient_between(case, name, choice.ways[at], flow_m3_s)
    found = None
    low, high = 0, len(others)
    while low < high:
        middle = (low + high) // 2
        other = replace(choice, ways=(*choice.ways[:at], others[middle], *choice.ways[at + 1 :]))
        if flows_of(other) is not None:
            found, high = other, middle
        else:
            low = middle + 1
    return found


def efficient_between(case: FlowCase, name: str, own: int, flow_m3_s: float) -> list[int]:
    """Return the ways of a run with the same ends as one, and cheaper: those that lose less than all yet cheaper."""
    ways, losses = case.ways[name], abs(case.tables[name].losses_m(flow_m3_s))
    now = ways[own].alternative
    same = [
        k
        for k, way in enumerate(ways)
        if (way.alternative.start, way.alternative.end) == (now.start, now.end) and way.alternative.cents < now.cents
    ]
    kept: list[int] = []
    for k in sorted(same, key=lambda k: (ways[k].alternative.cents, losses[k])):
        if not kept or losses[k] < losses[kept[-1]]:
            kept.append(k)
    return kept


def _cents(case: FlowCase, choice: Choice, name: str) -> int:
    return case.ways[name][choice.ways[list(case.ways).index(name)]].alternative.cents
