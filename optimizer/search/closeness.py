"""A run's choice graph → which parts of every step stand close to another fitting: surely, or perhaps.

What stands before and behind a step is another step's business; but how much straight pipe lies between can be bounded
over all steps that lead there, forwards and backwards along the graph. The rule is that of `close_coupled`. Where the
bounds leave something open, a node is split by how much straight pipe lies since the last fitting, and by what is said
to come: another fitting within five bores, or none. Ways on which that does not come true end there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum, auto
from typing import NamedTuple

from optimizer.choices.graph import Arc, ChoiceGraph
from optimizer.hydraulics.close_coupled import CLOSE_BORES, disturbs
from optimizer.model.kinds import MACHINES, PIPES
from optimizer.model.network import Leg, Network, Part, RunEnd

_Span = tuple[float, float]  # least and most
_NEVER: _Span = (math.inf, math.inf)


@dataclass(frozen=True)
class Closeness:
    """By id of a step: the indices of its parts that surely, and of those that may, stand close to another fitting."""

    sure: Mapping[int, frozenset[int]]
    maybe: Mapping[int, frozenset[int]]


@dataclass(frozen=True, slots=True)
class _Ahead:
    """What lies ahead of a node: straight pipe less five bores of the next fitting [m]; straight pipe to a tee [m]."""

    fitting: _Span | None
    tee: _Span | None


def closeness_of(graph: ChoiceGraph, network: Network) -> Closeness:
    """Return what is known of every step of a run's choice graph."""
    behind = _behind(graph, is_tee(network, graph.run.start))
    ahead = _ahead(graph, is_tee(network, graph.run.end))
    sure: dict[int, frozenset[int]] = {}
    maybe: dict[int, frozenset[int]] = {}
    for tail, arcs in enumerate(graph.arcs):
        for arc in arcs:
            sure[id(arc)], maybe[id(arc)] = _of_step(arc, behind[tail], ahead[arc.head])
    return Closeness(sure, maybe)


def is_tee(network: Network, end: RunEnd) -> bool:
    """Return whether a run ends in a tee there."""
    return end.leg is not Leg.NONE and end.point in network.tees


def _merged(a: _Span | None, b: _Span | None) -> _Span | None:
    if a is None or b is None:
        return a or b
    return min(a[0], b[0]), max(a[1], b[1])


def _behind(graph: ChoiceGraph, tee: bool) -> list[_Span | None]:
    """Return for every node how much straight pipe lies since the last fitting [m]; endless where there is none."""
    found: list[_Span | None] = [None] * len(graph.nodes)
    for node in graph.starts.values():
        found[node] = (0.0, 0.0) if tee else _NEVER
    for node, arcs in enumerate(graph.arcs):
        here = found[node]
        if here is None:
            continue
        for arc in arcs:
            found[arc.head] = _merged(found[arc.head], _past(arc, here))
    return found


def _past(arc: Arc, span: _Span) -> _Span:
    low, high = span
    for part in arc.parts:
        if part.kind in PIPES:
            low, high = low + part.length_m, high + part.length_m
        elif part.kind in MACHINES:
            low, high = _NEVER
        elif disturbs(part):
            low, high = 0.0, 0.0
    return low, high


def _ahead(graph: ChoiceGraph, tee: bool) -> list[_Ahead]:
    found = [_Ahead(None, None)] * len(graph.nodes)
    for node in graph.ends.values():
        found[node] = _Ahead(None, (0.0, 0.0)) if tee else _Ahead(_NEVER, None)
    for node in range(len(graph.nodes) - 1, -1, -1):
        here = found[node]
        for arc in graph.arcs[node]:
            then = _before(arc, found[arc.head])
            here = _Ahead(_merged(here.fitting, then.fitting), _merged(here.tee, then.tee))
        found[node] = here
    return found


def _before(arc: Arc, ahead: _Ahead) -> _Ahead:
    straight_m = 0.0
    for part in arc.parts:
        if part.kind in PIPES:
            straight_m += part.length_m
        elif part.kind in MACHINES:
            return _Ahead(_NEVER, None)
        elif disturbs(part):
            to = straight_m - CLOSE_BORES * bore_m(part)
            return _Ahead((to, to), None)
    return _Ahead(_longer(ahead.fitting, straight_m), _longer(ahead.tee, straight_m))


def _longer(span: _Span | None, more_m: float) -> _Span | None:
    return None if span is None else (span[0] + more_m, span[1] + more_m)


def _of_step(arc: Arc, behind: _Span | None, ahead: _Ahead) -> tuple[frozenset[int], frozenset[int]]:
    sure: set[int] = set()
    maybe: set[int] = set()
    span = behind or _NEVER
    before: int | None = None
    for index, part in enumerate(arc.parts):
        if part.kind in PIPES:
            span = (span[0] + part.length_m, span[1] + part.length_m)
        elif part.kind in MACHINES:
            before, span = None, _NEVER
        elif disturbs(part):
            near = CLOSE_BORES * bore_m(part)
            pair = {index} if before is None else {index, before}
            if span[1] < near:
                sure |= pair
            elif span[0] < near:
                maybe |= pair
            before, span = index, (0.0, 0.0)
    if before is not None:
        straight_m = span[0]
        fitting, tee = _longer(ahead.fitting, straight_m), _longer(ahead.tee, straight_m)
        near = CLOSE_BORES * bore_m(arc.parts[before])
        spans = [(each, limit) for each, limit in ((fitting, 0.0), (tee, near)) if each is not None]
        if spans and all(each[1] < limit for each, limit in spans):
            sure.add(before)
        elif any(each[0] < limit for each, limit in spans):
            maybe.add(before)
    return frozenset(sure), frozenset(maybe - sure)


def bore_m(part: Part) -> float:
    """Return the narrowest bore of a part's ends [m], 0 where none is known."""
    return min((bore for bore in part.end_bores_m if bore > 0.0), default=0.0)


class _Said(Enum):
    """What is said of the last fitting: nothing (all is known of it), or that another comes close to it, or none."""

    ANY = auto()
    CLOSE = auto()
    NONE = auto()


class _State(NamedTuple):
    """Straight pipe since the last fitting [m], what is said to come, within how much of it a tee is close [m]."""

    straight_m: float
    ahead: _Said
    reach_m: float


_FAR = _State(math.inf, _Said.ANY, 0.0)


def split_by_closeness(graph: ChoiceGraph, network: Network) -> ChoiceGraph:
    """Return a choice graph with the same ways, in which `closeness_of` leaves nothing open."""
    parts = [part for arcs in graph.arcs for arc in arcs for part in arc.parts]
    far_m = CLOSE_BORES * max((bore_m(part) for part in parts if disturbs(part)), default=0.0)
    walk = _Walk(far_m, is_tee(network, graph.run.end))
    first = _State(0.0, _Said.ANY, 0.0) if is_tee(network, graph.run.start) else _FAR
    goals = set(graph.ends.values())
    states: list[dict[_State, None]] = [{} for _ in graph.nodes]
    for node in graph.starts.values():
        states[node][first] = None
    steps: list[tuple[tuple[int, _State], Arc, tuple[int, _State]]] = []
    for node, arcs in enumerate(graph.arcs):
        for state in states[node]:
            for arc in arcs:
                for there in walk.along(state, arc.parts):
                    if arc.head not in goals:
                        states[arc.head][there] = None
                        steps.append(((node, state), arc, (arc.head, there)))
                    elif walk.ends_well(there):
                        states[arc.head][_FAR] = None
                        steps.append(((node, state), arc, (arc.head, _FAR)))
    return _made(graph, states, steps, first)


def _made(
    graph: ChoiceGraph,
    states: Sequence[dict[_State, None]],
    steps: Sequence[tuple[tuple[int, _State], Arc, tuple[int, _State]]],
    first: _State,
) -> ChoiceGraph:
    """Return the graph of these steps, without those that lead to no end."""
    goals = set(graph.ends.values())
    lead_on: set[tuple[int, _State]] = {(node, _FAR) for node in goals}
    kept = []
    for tail, arc, head in reversed(steps):
        if head in lead_on:
            lead_on.add(tail)
            kept.append((tail, arc, head))
    lead_on |= {(node, first) for node in graph.starts.values()}
    order = [(node, state) for node, found in enumerate(states) for state in found if (node, state) in lead_on]
    number = {key: i for i, key in enumerate(order)}
    for node in goals:
        if (node, _FAR) not in number:
            number[node, _FAR] = len(order)
            order.append((node, _FAR))
    arcs: list[list[Arc]] = [[] for _ in order]
    for tail, arc, head in reversed(kept):
        arcs[number[tail]].append(arc._replace(head=number[head]))
    return replace(
        graph,
        nodes=[graph.nodes[node] for node, _ in order],
        arcs=arcs,
        starts={state: number[node, first] for state, node in graph.starts.items()},
        ends={state: number[node, _FAR] for state, node in graph.ends.items()},
    )


class _Walk:
    """Follows states along parts; beyond `far_m` of straight pipe nothing is close to anything."""

    def __init__(self, far_m: float, ends_in_tee: bool) -> None:
        self.far_m, self.ends_in_tee = far_m, ends_in_tee

    def along(self, state: _State, parts: Sequence[Part]) -> list[_State]:
        """Return the states behind these parts: none where what was said of the last fitting does not come true."""
        found = [state]
        for part in parts:
            found = [there for each in found for there in self._past(each, part)]
        return found

    def _past(self, state: _State, part: Part) -> list[_State]:
        if part.kind in PIPES:
            straight_m = round(state.straight_m + part.length_m, 9)
            if straight_m < self.far_m:
                return [state._replace(straight_m=straight_m)]
            return [] if state.ahead is _Said.CLOSE else [_FAR]
        if part.kind in MACHINES:
            return [] if state.ahead is _Said.CLOSE else [_FAR]
        if not disturbs(part):
            return [state]
        near_m = CLOSE_BORES * bore_m(part)
        if state.straight_m < near_m:
            return [] if state.ahead is _Said.NONE else [_State(0.0, _Said.ANY, 0.0)]
        reach_m = near_m if self.ends_in_tee else 0.0
        return (
            [] if state.ahead is _Said.CLOSE else [_State(0.0, _Said.CLOSE, reach_m), _State(0.0, _Said.NONE, reach_m)]
        )

    def ends_well(self, state: _State) -> bool:
        """Return whether what was said of the last fitting is true at the run's end."""
        at_tee = self.ends_in_tee and state.straight_m < state.reach_m
        return state.ahead is _Said.ANY or (state.ahead is _Said.CLOSE) == at_tee
