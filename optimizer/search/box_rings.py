"""Where a ring is cut open: do the two sides of a combination meet there, and by which ends can its ways be told apart?

The tables see to it that all other ends meet; beyond a cut they know only which ends there may be.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from optimizer.choices.graph import EndState
from optimizer.search.box_tree import Shape, far_end
from optimizer.search.flow_posing import Choice, FlowCase


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
        own = way.start if against else way.end
        yield cut, own, case.tees[far.point][tees[far.point]].states[far.leg]
