"""Build the program with MathOpt, solve it, and read the answer back without trusting the solver's arithmetic."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from optimizer.errors import SolverError
from optimizer.program.answers import answer_of, first_answer, is_optimal
from optimizer.program.problem import (
    Outcome,
    Path,
    RunChoice,
    Selection,
    SizingProblem,
    State,
    TeeChoice,
    cost_of,
    exceeded,
    excess_of,
)

SOLVERS = ("GSCIP", "HIGHS", "CP_SAT")  # in the order in which they are tried


@dataclass
class SizingModel:
    """The MathOpt model with the variables that are read back."""

    model: Any
    run_vars: dict[str, list[Any]] = field(default_factory=dict)
    tee_vars: dict[str, list[Any]] = field(default_factory=dict)
    cost: Any = None  # as an expression [cents]; None where it is not the objective


def build_sizing_model(problem: SizingProblem, least_excess: bool = False) -> SizingModel:
    """Build the program that picks one alternative for every run and one fitting for every tee at the least cost.

    Sets        r in runs, a in alternatives of r, t in tees, f in fittings of t, e in run ends at tees, q in end
    states,
                p in paths from a source to a demand that has a head limit, k in packs of consumables, i in limits
    Parameters  cost[r,a], cost[t,f], price[k] (cents), loss[r,a], loss[t,f,e] (0.01 mm, rounded up),
                head[p] (0.01 mm, rounded down), uses[i,r,a], uses[i,t,f], uses[i,k], most[i] (whole units)
    Variables   x[r,a], y[t,f], open[k] in {0, 1}

    min   sum cost[r,a] x[r,a] + sum cost[t,f] y[t,f] + sum price[k] open[k]
    s.t.  sum_a x[r,a] = 1                                            for each run            (one_alternative)
          sum_f y[t,f] = 1                                            for each tee            (one_fitting)
          sum_{a with end e in q} x[r,a] = sum_{f with e in q} y[t,f] for each e, q           (ends_agree)
          sum_{r in p} loss x + sum_{(t,e) in p} loss y <= head[p]    for each path           (head_limit)
          sum uses x + sum uses y + sum uses open <= most[i]          for each limit          (side_limit)
          x[r,a] <= open[k], y[t,f] <= open[k]                        where k is used         (open_pack)

    With `least_excess` the objective is instead the worst path's excess of loss over head, as a number of loss units
    that may be negative: how far out of reach the targets are, or how much is to spare.
    """
    from ortools.math_opt.python import mathopt

    built = SizingModel(mathopt.Model(name="sizing"))
    _add_choices(built, problem)
    _add_ends_agree(built, problem)
    packs = _add_open_pack(built, problem)
    _add_side_limit(built, problem, packs)
    if least_excess:
        least, most = excess_range(problem)
        excess = built.model.add_variable(lb=least, ub=most, name="excess")
        _add_head_limit(built, problem, excess)
        built.model.minimize(excess)
        return built
    _add_head_limit(built, problem, 0)
    terms = [c.cents * v for r, vs in built.run_vars.items() for c, v in zip(problem.runs[r], vs, strict=True)]
    terms += [c.cents * v for t, vs in built.tee_vars.items() for c, v in zip(problem.tees[t], vs, strict=True)]
    terms += [price * v for price, v in zip(problem.packs, packs, strict=True)]
    built.cost = mathopt.fast_sum(terms)
    built.model.minimize(built.cost)
    return built


def excess_range(problem: SizingProblem) -> tuple[int, int]:
    """Return between what two numbers of loss units the worst path's excess of loss over head lies, whatever is chosen.

    Both are 0 where no path has a head limit.
    """
    ranges = [_excess_range(problem, path) for path in problem.paths if path.is_limited]
    return max((least for least, _ in ranges), default=0), max((most for _, most in ranges), default=0)


def _excess_range(problem: SizingProblem, path: Path) -> tuple[int, int]:
    groups = [[choice.loss for choice in problem.runs[run]] for run in path.runs]
    groups += [[c.losses[run, start] for c in problem.tees[tee]] for tee, run, start in path.tee_ends]
    return sum(map(min, groups)) - path.head, sum(map(max, groups)) - path.head


def _add_choices(built: SizingModel, problem: SizingProblem) -> None:
    from ortools.math_opt.python import mathopt

    for store, groups in ((built.run_vars, problem.runs), (built.tee_vars, problem.tees)):
        for name, choices in groups.items():
            store[name] = [built.model.add_binary_variable(name=f"{name}#{k}") for k in range(len(choices))]
            built.model.add_linear_constraint(mathopt.fast_sum(store[name]) == 1)


def _add_ends_agree(built: SizingModel, problem: SizingProblem) -> None:
    from ortools.math_opt.python import mathopt

    for tee, fittings in problem.tees.items():
        for run, at_start in fittings[0].states:
            by_state: dict[State, list[Any]] = defaultdict(list)
            for fitting, y in zip(fittings, built.tee_vars[tee], strict=True):
                by_state[fitting.states[run, at_start]].append(-1 * y)
            for choice, x in zip(problem.runs[run], built.run_vars[run], strict=True):
                by_state[choice.start if at_start else choice.end].append(1 * x)
            for terms in by_state.values():
                built.model.add_linear_constraint(mathopt.fast_sum(terms) == 0)


def _add_head_limit(built: SizingModel, problem: SizingProblem, excess: Any) -> None:
    from ortools.math_opt.python import mathopt

    for path in (path for path in problem.paths if path.is_limited):
        terms = [c.loss * x for run in path.runs for c, x in zip(problem.runs[run], built.run_vars[run], strict=True)]
        terms += [
            c.losses[run, at_start] * y
            for tee, run, at_start in path.tee_ends
            for c, y in zip(problem.tees[tee], built.tee_vars[tee], strict=True)
        ]
        built.model.add_linear_constraint(mathopt.fast_sum(terms) - excess <= path.head)


def _add_side_limit(built: SizingModel, problem: SizingProblem, packs: list[Any]) -> None:
    from ortools.math_opt.python import mathopt

    for i, limit in enumerate(problem.limits):
        groups: list[tuple[Sequence[RunChoice | TeeChoice], list[Any]]] = []
        groups += [(problem.runs[run], variables) for run, variables in built.run_vars.items()]
        groups += [(problem.tees[tee], variables) for tee, variables in built.tee_vars.items()]
        terms = [
            choice.use(i) * variable
            for choices, variables in groups
            for choice, variable in zip(choices, variables, strict=True)
            if choice.use(i)
        ]
        terms += [units * opened for units, opened in zip(limit.packs, packs, strict=False)]
        built.model.add_linear_constraint(mathopt.fast_sum(terms) <= limit.most)


def _add_open_pack(built: SizingModel, problem: SizingProblem) -> list[Any]:
    packs = [built.model.add_binary_variable(name=f"open{k}") for k in range(len(problem.packs))]
    for k, opened in enumerate(packs):
        opens = {run: [c.packs >> k & 1 for c in choices] for run, choices in problem.runs.items()}
        opens_tee = {tee: [c.packs >> k & 1 for c in choices] for tee, choices in problem.tees.items()}
        for flags, variables in ((opens, built.run_vars), (opens_tee, built.tee_vars)):
            for name, uses in flags.items():
                # an alternative excludes the others of its run, so one row per run is as tight as one per alternative
                users = [v for used, v in zip(uses, variables[name], strict=True) if used]
                if users:
                    built.model.add_linear_constraint(sum(users) - opened <= 0)
    return packs


def solve_sizing(
    problem: SizingProblem, *, solver: str | None = None, time_limit_s: float = 60.0, least_excess: bool = False
) -> Selection:
    """Solve a sizing problem and return the selection with what is proved about it.

    Parameters
    ----------
    problem
        Whole numbers only; every run needs at least one alternative.
    solver
        One of `SOLVERS`; None tries them in that order until one answers.
    time_limit_s
        Wall time for one solver [s].
    least_excess
        Minimise the worst path's excess of loss over head instead of the cost: `cents` then still is the selection's
        cost.

    Raises
    ------
    SolverError
        When no solver answers, or an answer breaks the problem's own rows.
    """
    if any(not choices for choices in [*problem.runs.values(), *problem.tees.values()]):
        return Selection(Outcome.INFEASIBLE, {}, {}, None, None, "none needed")
    built = build_sizing_model(problem, least_excess)
    return first_answer(
        (solver,) if solver else SOLVERS, lambda name: _solve_with(name, built, problem, time_limit_s, least_excess)
    )


def _solve_with(
    name: str, built: SizingModel, problem: SizingProblem, time_limit_s: float, least_excess: bool
) -> Selection:
    answer = answer_of(built.model, name, time_limit_s)
    if answer.ended is not None:
        return Selection(answer.ended, {}, {}, None, None, name)
    return _extract(name, built, problem, answer.result, least_excess)


def _extract(name: str, built: SizingModel, problem: SizingProblem, result: Any, least_excess: bool) -> Selection:
    values = result.variable_values()
    runs = {run: max(range(len(xs)), key=lambda k: values[xs[k]]) for run, xs in built.run_vars.items()}
    tees = {tee: max(range(len(ys)), key=lambda k: values[ys[k]]) for tee, ys in built.tee_vars.items()}
    if not least_excess and excess_of(problem, runs, tees) > 0:
        raise SolverError(f"the answer exceeds a head by {excess_of(problem, runs, tees)} loss units")
    if over := exceeded(problem, runs, tees):
        raise SolverError(f"the answer uses {', '.join(over)}")
    cents = cost_of(problem, runs, tees)
    optimal = is_optimal(result)
    bound = result.dual_bound()
    if not least_excess and cents > result.objective_value() + 0.5:
        raise SolverError(f"the answer costs {cents} cents, the solver said {result.objective_value()}")
    bound_cents = None if least_excess else (cents if optimal else max(0, int(-(-(bound - 1e-6) // 1))))
    return Selection(Outcome.OPTIMAL if optimal else Outcome.FEASIBLE, runs, tees, cents, bound_cents, name)
