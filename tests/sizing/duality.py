"""The strong-duality row: one convex row that holds for the true flows of every choice at once.

In a network whose losses are functions of the flow in their own run alone, the true flows and heads are the one point
where the total content F(q) = ∫ loss dq and co-content F*(h) = qh - F(q) come down to sum q h (Fenchel and Young;
everywhere else they are more). Over the whole network sum q h is linear where demands are known, so

    sum over stages of F(q) + F*(h)  <=  sum over fixed points of head × outflow - sum over free points of demand × head

is a convex row that the relaxation's false flows break. Split by alternative and bin as everything else is.

References
----------
B. Tasseff, R. Bent, M. Epelman, D. Pasqualini, P. Van Hentenryck, Exact mixed-integer convex programming formulation
for optimal water network design, arXiv:2010.03422, 2020 (from memory).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

from optimizer.program.flow_model import PAD_M, FlowModel, build_flow_model
from optimizer.program.flow_problem import FlowProblem, RelaxedSelection
from optimizer.program.relaxation import solve_built

_SHARES = (0.0, 0.3, 0.65, 1.0)  # where in a cell the tangents touch


def relaxed(
    problem: FlowProblem,
    bins: Mapping[str, Sequence[float]],
    *,
    cutoff_cents: int | None = None,
    time_limit_s: float = 60.0,
    solver: str | None = None,
    duality: bool = False,
) -> RelaxedSelection:
    """Return the cheapest choice that the relaxation allows in narrower bins of flow, with the row where asked to.

    `bins` are inner edges of each run's flow bins [m³/s]; a run that is left out is cut at rest only. The narrower
    they are, the nearer is the relaxation to the truth.
    """
    built = build_flow_model(problem, bins, cutoff_cents)
    if duality:
        add_duality(built)
    return solve_built(built, time_limit_s, solver)


def duality_holds(problem: FlowProblem) -> bool:
    """Return whether every loss in the network depends on its own run's flow alone and no valve or check adds any."""
    free = all(fitting.loss is None for tee in problem.tees.values() for fitting in tee.alternatives)
    valves = any(alternative.throttled for run in problem.runs.values() for alternative in run.alternatives)
    return free and not valves and not any(run.one_way for run in problem.runs.values())


def add_duality(built: FlowModel) -> None:
    """Add the row with tangents to content and co-content in every cell; nothing where it does not hold."""
    if not duality_holds(built.problem):
        return
    from ortools.math_opt.python import mathopt

    model, unit = built.model, built.flow_unit_m3_s
    energies: list[Any] = []
    for _, cell, weight, flow, loss in built.cells:
        assert cell.curve is not None
        content = model.add_variable(lb=-math.inf, ub=math.inf)
        co_content = model.add_variable(lb=-math.inf, ub=math.inf)
        for q in sorted({cell.low_m3_s + (cell.high_m3_s - cell.low_m3_s) * share for share in _SHARES}):
            h, f = cell.curve.loss_m(q), cell.curve.content_m4_s(q) / unit
            model.add_linear_constraint(content - h * flow - (f - h * q / unit) * weight >= 0.0)
            model.add_linear_constraint(co_content - q / unit * loss + f * weight >= 0.0)
        energies += [content, co_content]
    given: dict[str, list[Any]] = defaultdict(list)
    for run in built.problem.runs.values():
        for point, sign in ((run.start, 1.0), (run.end, -1.0)):
            head = built.problem.nodes[point].head_m
            if head is not None:
                given[point].append(sign * head * built.flows[run.name])
    drawn = [
        node.demand_m3_s / unit * built.heads[node.name] for node in built.problem.nodes.values() if node.demand_m3_s
    ]
    total = mathopt.fast_sum([term for terms in given.values() for term in terms]) - mathopt.fast_sum(drawn)
    most = sum(max(map(abs, run.flow_range_m3_s)) for run in built.problem.runs.values()) / unit
    model.add_linear_constraint(mathopt.fast_sum(energies) - total <= PAD_M * most)
