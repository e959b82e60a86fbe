"""A combination that stands → a cheaper one: run by run the cheapest way between the same fittings that still stands.

Where water can go round, no guess at its flows holds once a run is changed; the true network is asked each time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from optimizer.search.flow_posing import Choice, FlowCase


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
