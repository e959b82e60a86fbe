"""What the last run of a way may lose without any harm: another way that must work has less head for the same water.

Two ways share all runs and tees up to one where they part. What is left of the first is then one run, and in every plan
that gives the other way its head, what is lost up to there is known to be no more than that head.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from optimizer.program.problem import Path, SizingProblem, State

TeeLosses = Mapping[str, Sequence[Mapping[tuple[str, bool], Any]]]  # by tee and fitting: what each run end loses


def harmless_loss(problem: SizingProblem, run: str, start: State, heads: Mapping[str, Any], tees: TeeLosses) -> Any:
    """Return what a run may lose whatever else is chosen, in the units of the heads; None where nothing tells.

    Heads (by path) and losses of fittings are numbers, or arrays of (n_draws,). Runs lose nothing at the least, tees
    may give back. Only fittings count that give the run its start state.
    """
    users = [path for path in problem.paths if run in path.runs]
    if len(users) != 1 or users[0].runs[-1] != run or not users[0].is_limited:
        return None
    (own,) = users
    trunk, most = own.runs[:-1], None
    there = {tee: _that_give(problem, tee, (run, True), start, found) for tee, found in tees.items()}
    if not all(there.values()):
        return None
    for other in problem.paths:
        if other is own or not trunk or not other.is_limited or other.runs[: len(trunk)] != trunk:
            continue
        told = heads[own.name] - heads[other.name] - _more_in_tees(own, other, there)
        most = told if most is None else np.maximum(most, told)
    return most


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
