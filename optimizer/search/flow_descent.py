"""A combination that stands → a cheaper one: run by run the cheapest way between the same fittings that still stands.

Where water can go round, no guess at its flows holds once a run is changed; the true network is asked each time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

from optimizer.search.flow_posing import Choice, FlowCase, cents_of

_DEAREST = 1e6  # cents for a metre of loss: then only loss counts
_FIRST_STEP = 1e-3  # of the dearest price: where the search for the lowest begins
_PRICES = 12  # so many are tried


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
