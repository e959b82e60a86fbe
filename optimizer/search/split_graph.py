"""A run's choice graph → the same ways, with nodes told apart by what stands close, so that each step's loss is known.

A fitting loses more, or less, where another stands within five bores (`close_coupled`), and what comes next is another
step's business. So a node is split by how much straight pipe lies since the last fitting, and by what is said to come:
another fitting close by, or none. Ways on which that does not come true end there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from enum import Enum, auto
from typing import NamedTuple

from optimizer.choices.graph import Arc, ChoiceGraph
from optimizer.hydraulics.close_coupled import CLOSE_BORES, disturbs
from optimizer.model.kinds import MACHINES, PIPES
from optimizer.model.network import Network, Part
from optimizer.search.closeness import bore_m, is_tee


class _Ahead(Enum):
    """What is said of the last fitting: nothing (all is known of it), or that another comes close to it, or none."""

    ANY = auto()
    CLOSE = auto()
    NONE = auto()


class _State(NamedTuple):
    """Straight pipe since the last fitting [m], what is said to come, within how much of it a tee is close [m]."""

    straight_m: float
    ahead: _Ahead
    reach_m: float


_FAR = _State(math.inf, _Ahead.ANY, 0.0)


def split_by_closeness(graph: ChoiceGraph, network: Network) -> ChoiceGraph:
    """Return a choice graph with the same ways, in which `closeness_of` leaves nothing open."""
    parts = [part for arcs in graph.arcs for arc in arcs for part in arc.parts]
    far_m = CLOSE_BORES * max((bore_m(part) for part in parts if disturbs(part)), default=0.0)
    walk = _Walk(far_m, is_tee(network, graph.run.end))
    first = _State(0.0, _Ahead.ANY, 0.0) if is_tee(network, graph.run.start) else _FAR
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
            return [] if state.ahead is _Ahead.CLOSE else [_FAR]
        if part.kind in MACHINES:
            return [] if state.ahead is _Ahead.CLOSE else [_FAR]
        if not disturbs(part):
            return [state]
        near_m = CLOSE_BORES * bore_m(part)
        if state.straight_m < near_m:
            return [] if state.ahead is _Ahead.NONE else [_State(0.0, _Ahead.ANY, 0.0)]
        reach_m = near_m if self.ends_in_tee else 0.0
        return (
            []
            if state.ahead is _Ahead.CLOSE
            else [_State(0.0, _Ahead.CLOSE, reach_m), _State(0.0, _Ahead.NONE, reach_m)]
        )

    def ends_well(self, state: _State) -> bool:
        """Return whether what was said of the last fitting is true at the run's end."""
        at_tee = self.ends_in_tee and state.straight_m < state.reach_m
        return state.ahead is _Ahead.ANY or (state.ahead is _Ahead.CLOSE) == at_tee
