"""Solve the relaxation of a flow problem: the least cost that no true plan can be under, and the choice behind it."""

from __future__ import annotations

import math
from typing import Any

from optimizer.errors import SolverError
from optimizer.program.answers import answer_of, first_answer, is_optimal
from optimizer.program.flow_model import FlowModel, build_flow_model
from optimizer.program.flow_problem import RUN, SETTING, TEE, FlowProblem, RelaxedSelection, chosen_cents
from optimizer.program.problem import Outcome
from optimizer.program.solve import SOLVERS

# CP_SAT has no continuous variables; the quickest comes first
FLOW_SOLVERS = tuple(sorted(set(SOLVERS) - {"CP_SAT"}, key=("GSCIP", "HIGHS").index))
_RELATIVE = 1e-6  # how far a solver's bound is trusted
_OFF = 1e-5  # so far its cost may be off, for choices that are not quite whole


def solve_relaxation(
    problem: FlowProblem,
    *,
    cutoff_cents: int | None = None,
    time_limit_s: float = 60.0,
    solver: str | None = None,
) -> RelaxedSelection:
    """Return the cheapest choice that the relaxation allows, with its flows and heads, and the bound.

    Parameters
    ----------
    problem
        Every run has alternatives and finite bounds on its flow, which is cut at rest only. The narrower they are, the
        nearer is the relaxation to the truth: with a range of ±10 % its error is about 1 %.
    cutoff_cents
        Plans that cost more are of no interest: INFEASIBLE then means that none costs as little.
    time_limit_s
        Wall time for one solver [s].
    solver
        One of `FLOW_SOLVERS`; None tries them in that order until one answers.

    Raises
    ------
    SolverError
        When no solver answers.
    """
    if any(not run.alternatives or run.flow_range_m3_s[0] > run.flow_range_m3_s[1] for run in problem.runs.values()):
        return RelaxedSelection(Outcome.INFEASIBLE, {}, {}, {}, {}, {}, None, None, "none needed")
    return solve_built(build_flow_model(problem, {}, cutoff_cents), time_limit_s, solver)


def solve_built(built: FlowModel, time_limit_s: float = 60.0, solver: str | None = None) -> RelaxedSelection:
    """Return what `solve_relaxation` does of a relaxation that is built."""
    return first_answer((solver,) if solver else FLOW_SOLVERS, lambda name: _solve_with(name, built, time_limit_s))


def _solve_with(name: str, built: FlowModel, time_limit_s: float) -> RelaxedSelection:
    # three to ten times as quick on these without cuts
    answer = answer_of(built.model, name, time_limit_s, cuts=name != "GSCIP")
    if answer.ended is not None:
        bound = _bound_cents(built, answer.result) if answer.ended is Outcome.NO_PLAN_FOUND else None
        return RelaxedSelection(answer.ended, {}, {}, {}, {}, {}, None, bound, name)
    return _extract(name, built, answer.result)


def _extract(name: str, built: FlowModel, result: Any) -> RelaxedSelection:
    from ortools.math_opt.python import mathopt

    values = result.variable_values()
    problem, unit = built.problem, built.flow_unit_m3_s

    def best(kind: str, key: str, count: int) -> int:
        k = max(range(count), key=lambda k: values[built.pick(kind, key, k)])
        if not values[built.pick(kind, key, k)] > 0.5:  # not a number included
            raise SolverError(f"the answer chooses nothing for {kind} {key!r}")
        return k

    runs = {run.name: best(RUN, run.name, len(run.alternatives)) for run in problem.runs.values()}
    settings = {r.name: best(SETTING, r.name, len(r.settings)) for r in problem.runs.values() if r.settings}
    tees = {tee.point: best(TEE, tee.point, len(tee.alternatives)) for tee in problem.tees.values()}
    flows = {run: mathopt.evaluate_expression(flow, values) * unit for run, flow in built.flows.items()}
    heads = {point: values[head] for point, head in built.heads.items()}
    optimal = is_optimal(result)
    outcome = Outcome.OPTIMAL if optimal else Outcome.FEASIBLE
    found = RelaxedSelection(outcome, runs, settings, tees, flows, heads, None, None, name)
    cents = chosen_cents(problem, found.picks())
    told = float(result.objective_value()) * built.money_unit_cents
    if not abs(cents - told) <= 0.5 + _OFF * abs(cents):
        raise SolverError(f"the answer costs {cents} cents, the solver said {told:g}")
    bound = cents if optimal else min(cents, _bound_cents(built, result) or 0)
    return RelaxedSelection(outcome, runs, settings, tees, flows, heads, cents, bound, name)


def _bound_cents(built: FlowModel, result: Any) -> int | None:
    """Return the solver's bound in whole cents, up to the next sum that the prices can make."""
    bound = float(result.dual_bound()) * built.money_unit_cents
    if not math.isfinite(bound):
        return None
    step = cost_step(built.problem)
    return step * max(0, math.ceil((bound - _RELATIVE * max(1.0, abs(bound))) / step))


def cost_step(problem: FlowProblem) -> int:
    """Return the greatest whole number of cents that divides every price."""
    prices = [a.cents for run in problem.runs.values() for a in (*run.alternatives, *run.settings)]
    prices += [a.cents for tee in problem.tees.values() for a in tee.alternatives]
    return max(1, math.gcd(*prices, *problem.packs))
