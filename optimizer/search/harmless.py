"""What the last run of a way may lose without any harm: another way that must work has less head for the same water.

Two ways share all runs and tees up to one where they part. What is left of the first is then one run, and in every plan
that gives the other way its head, what is lost up to there is known to be no more than that head.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from optimizer.choices.graph import ChoiceGraph, EndState
from optimizer.program.problem import Path, SizingProblem, State

TeeLosses = Mapping[str, Sequence[Mapping[tuple[str, bool], Any]]]  # by tee and fitting: what each run end loses


def harmless_loss(problem: SizingProblem, run: str, start: State, heads: Mapping[str, Any], tees: TeeLosses) -> Any:
    """Return what a run may lose whatever else is chosen, in the units of the heads; None where nothing tells.

    Heads (by path) and losses of fittings are numbers, or arrays of (n_draws,). Runs lose nothing at the least, tees
    may give back. Only fittings count that give the run its start state: where there is none, nothing does harm.
    """
    users = [path for path in problem.paths if run in path.runs]
    if len(users) != 1 or users[0].runs[-1] != run or not users[0].is_limited:
        return None
    (own,) = users
    trunk, most = own.runs[:-1], None
    there = {tee: _that_give(problem, tee, (run, True), start, found) for tee, found in tees.items()}
    if not all(there.values()):
        return math.inf
    for other in problem.paths:
        if other is own or not trunk or not other.is_limited or other.runs[: len(trunk)] != trunk:
            continue
        told = heads[own.name] - heads[other.name] - _more_in_tees(own, other, there)
        most = told if most is None else np.maximum(most, told)
    return most


def harmless_draws(
    problem: SizingProblem,
    states: Mapping[EndState, State],
    graph: ChoiceGraph,
    lost: Mapping[int, Any],
    heads: Mapping[str, Any],
    tees: TeeLosses,
) -> Any:
    """Return in which draws no way along a run does any harm, whatever else is chosen, (n_draws,).

    `states` has the numbers of the problem's states, `lost` what steps lose by their ids in the units of the heads.
    """
    worst = _most_lost(graph, lost)
    found = [harmless_loss(problem, graph.run.name, states[one], heads, tees) for one in graph.starts if one in states]
    if not found or any(most is None for most in found):
        return np.zeros(len(worst), dtype=bool)
    return (worst <= np.array(np.broadcast_arrays(worst, *found)[1:])).all(axis=0)


def _most_lost(graph: ChoiceGraph, lost: Mapping[int, Any]) -> Any:
    """Return what the way loses that loses most, draw by draw; a step that a rule forbids is in none."""
    nothing = np.zeros(len(next(iter(lost.values()))))
    most: list[Any] = [None] * len(graph.nodes)
    for node in graph.starts.values():
        most[node] = nothing
    for node, arcs in enumerate(graph.arcs):
        for arc in arcs if most[node] is not None else ():
            if np.isfinite(lost[id(arc)]).all():
                far, there = most[node] + lost[id(arc)], most[arc.head]
                most[arc.head] = far if there is None else np.maximum(there, far)
    return np.maximum.reduce([nothing, *(most[node] for node in graph.ends.values() if most[node] is not None)])


def _that_give(
    problem: SizingProblem,
    tee: str,
    end: tuple[str, bool],
    state: State,
    found: Sequence[Mapping[tuple[str, bool], Any]],
) -> list[Mapping[tuple[str, bool], Any]]:
    """Return the fittings that give a run end a state, where it is at the tee at all."""
    states = (fitting.states.get(end, state) for fitting in problem.tees[tee])
    return [one for one, other in zip(found, states, strict=True) if other == state]


def _more_in_tees(own: Path, other: Path, tees: TeeLosses) -> Any:
    """Return how much more a way loses in tees than another at the most, whichever fittings are chosen."""
    more: Any = 0
    for tee in dict.fromkeys(tee for tee, _, _ in (*own.tee_ends, *other.tee_ends)):
        ends = [((run, at), 1) for point, run, at in own.tee_ends if point == tee]
        ends += [((run, at), -1) for point, run, at in other.tee_ends if point == tee]
        each = [sum(sign * fitting[end] for end, sign in ends) for fitting in tees[tee]]
        more = more + np.maximum.reduce(each)
    return more
