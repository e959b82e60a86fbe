"""Narrow a flow problem: the least and greatest flow of every run and head of every point that a plan can have.

What comes out has the same plans of at most the cutoff as what went in, and a relaxation that is much nearer the
truth: the lines around a loss are the closer the narrower its range of flow (optimality-based bound tightening).
"""

from __future__ import annotations

import math
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sizing.duality import add_duality

from optimizer.errors import SolverError
from optimizer.program.flow_cells import heads_of
from optimizer.program.flow_model import FlowModel, build_flow_model
from optimizer.program.flow_problem import RUN, SETTING, FlowAlternative, FlowProblem, Pick, Range

_SPARE = 1e-6  # bounds are left this share of the range (and this many metres) wider than the solver has them
_NEVER: Range = (math.inf, -math.inf)
_USED = 1.0 - 1e-5  # a choice that reaches this much in a linear relaxation may be taken


@dataclass(frozen=True)
class _Found:
    flows: Mapping[str, Range]
    heads: Mapping[str, Range]
    out: frozenset[Pick]


def tighten(
    problem: FlowProblem,
    bins: Mapping[str, Sequence[float]],
    *,
    cutoff_cents: int | None = None,
    rounds: int = 3,
    time_limit_s: float = 60.0,
    duality: bool = True,
    picks: bool = True,
    enough: float = 0.02,
) -> FlowProblem | None:
    """Return the problem with narrower bounds and fewer alternatives, None when no plan (within the cutoff) exists.

    Each bound is the optimum of the linear relaxation with that flow, head or choice as its objective. Alternatives
    that no plan can use keep their place, with an empty range of flow.

    Parameters
    ----------
    rounds
        At most this many; they end early when the ranges of flow shrink by less than the share `enough` in one.
    time_limit_s
        Wall time for all [s]; what was narrowed by then stays.
    picks
        Ask for every alternative as well whether any plan can take it; there are many more of these than flows.
    """
    until = time.monotonic() + time_limit_s
    for _ in range(rounds):
        before = _width(problem)
        found = _round(problem, bins, cutoff_cents, until, duality, picks)
        if found is None:
            return None
        problem = _narrowed(problem, found)
        if time.monotonic() > until or _width(problem) > (1.0 - enough) * before:
            break
    return problem


def _width(problem: FlowProblem) -> float:
    alternatives = [a for run in problem.runs.values() for a in run.alternatives if a.flow_range_m3_s != _NEVER]
    flows = sum(run.flow_range_m3_s[1] - run.flow_range_m3_s[0] for run in problem.runs.values())
    return flows * (1.0 + 0.01 * len(alternatives))


class _Prober:
    """Solves one linear relaxation again and again with other objectives."""

    def __init__(self, built: FlowModel, until: float) -> None:
        from ortools.math_opt.python import mathopt

        self._mathopt, self._model, self._until = mathopt, built.model, until
        self._picks, self._xs = list(built.picks), list(built.picks.values())
        self._seen: set[Pick] = set()
        # without presolve it goes on from where it stood, which is near
        self._parameters = mathopt.SolveParameters(presolve=mathopt.Emphasis.OFF)
        self._solver = mathopt.IncrementalSolver(built.model, mathopt.SolverType.GLOP)

    def optimum(self, objective: Any, greatest: bool) -> float:
        """Return the optimum, nan when there is none to be had."""
        if time.monotonic() > self._until:
            return math.nan
        if greatest:
            self._model.maximize(objective)
        else:
            self._model.minimize(objective)
        try:
            result = self._solver.solve(params=self._parameters)
        except Exception:  # the binding raises whatever the solver's wrapper raises; then the old bound stays
            return math.nan
        reason = self._mathopt.TerminationReason
        if result.termination.reason != reason.OPTIMAL:
            return math.nan
        values = result.variable_values(self._xs)
        self._seen.update(pick for pick, value in zip(self._picks, values, strict=True) if value > _USED)
        return float(result.objective_value())

    def never(self, pick: Pick, x: Any) -> bool:
        """Return whether nothing that satisfies the rows takes a choice; no answer counts as no."""
        return pick not in self._seen and self.optimum(1.0 * x, greatest=True) < _USED


def _round(
    problem: FlowProblem,
    bins: Mapping[str, Sequence[float]],
    cutoff: int | None,
    until: float,
    duality: bool,
    picks: bool,
) -> _Found | None:
    built = build_flow_model(problem, bins, cutoff)
    if duality:
        add_duality(built)
    if _impossible(built):
        return None
    prober = _Prober(built, until)
    unit = built.flow_unit_m3_s
    flows = {}
    for name, run in problem.runs.items():
        low, high = run.flow_range_m3_s
        span = _probe(prober, built.flows[name], (low / unit, high / unit))
        flows[name] = (span[0] * unit, span[1] * unit)
    heads = {
        name: _probe(prober, built.heads[name], given)
        for name, given in heads_of(problem).items()
        if problem.nodes[name].head_m is None
    }
    out = frozenset(pick for pick, x in built.picks.items() if picks and prober.never(pick, x))
    return _Found(flows, heads, out)


def _impossible(built: FlowModel) -> bool:
    """Return whether two solvers agree that nothing satisfies the rows; one alone may stumble over its tolerances."""
    from ortools.math_opt.python import mathopt

    for variable in built.model.variables():
        variable.integer = False
    for solver in (mathopt.SolverType.GLOP, mathopt.SolverType.HIGHS):
        try:
            result = mathopt.solve(built.model, solver)
        except Exception as error:  # the binding raises whatever the solver's wrapper raises
            raise SolverError(f"the relaxation: {error}") from error
        if result.termination.reason != mathopt.TerminationReason.INFEASIBLE:
            return False
    return True


def _probe(prober: _Prober, quantity: Any, given: Range) -> Range:
    """Return the range of a quantity, never wider than given."""
    found = []
    for greatest, known in ((False, given[0]), (True, given[1])):
        sign = 1.0 if greatest else -1.0
        value = prober.optimum(1.0 * quantity, greatest) + sign * _SPARE * (1.0 + given[1] - given[0])
        found.append(known if math.isnan(value) or sign * value > sign * known else value)
    return (found[0], found[1]) if found[0] <= found[1] else given


def _narrowed(problem: FlowProblem, found: _Found) -> FlowProblem:
    runs = {}
    for name, run in problem.runs.items():
        kept = _without(run.alternatives, found, RUN, run.same_as or name)
        settings = _without(run.settings, found, SETTING, name)
        runs[name] = replace(run, flow_range_m3_s=found.flows[name], alternatives=kept, settings=settings)
    nodes = {
        name: replace(node, least_head_m=found.heads[name][0], most_head_m=found.heads[name][1])
        if name in found.heads
        else node
        for name, node in problem.nodes.items()
    }
    return replace(problem, runs=runs, nodes=nodes)


def _without(group: tuple[FlowAlternative, ...], found: _Found, kind: str, name: str) -> tuple[FlowAlternative, ...]:
    return tuple(
        replace(alternative, flow_range_m3_s=_NEVER) if (kind, name, k) in found.out else alternative
        for k, alternative in enumerate(group)
    )
