"""One choice for every run and tee at the least cost of the parts list: pipe in whole lengths, joints by whole packs.

The program counts lengths by what all pieces of a pipe take together, so its answer may cost more once it is cut;
whoever asks prices it and comes back with a row. Each row only says what is true of every plan.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from optimizer.errors import SolverError
from optimizer.program.answers import answer_of, first_answer, is_optimal
from optimizer.program.problem import Outcome, SizingProblem, exceeded, excess_of
from optimizer.program.solve import SizingModel, build_sizing_model

SOLVERS = ("GSCIP", "HIGHS")
_SCALE = 1000.0  # lengths in the rows are so many times smaller, so that their numbers are near one
_MOST_ROUNDS = 100
_FIRST_ROWS = 4  # draws that have rows at first, beside as many as may fail; others once a choice fails in them


@dataclass(frozen=True, slots=True)
class SoldPipe:
    """A pipe as it is sold: (length, cents) of each kind, a saw cut added; `owned` together with their saw cuts."""

    lengths: tuple[tuple[int, int], ...]
    owned: int = 0


@dataclass(frozen=True, slots=True)
class SoldPacks:
    """What joints take: kinds of pack as (cents, joints that one does, by joint), of which one kind is bought."""

    kinds: tuple[tuple[int, Mapping[tuple[str, str], int]], ...]


@dataclass(frozen=True)
class DrawnRows:
    """What every choice loses draw by draw [loss units]: paths may lose more than their heads in so many draws.

    The draws that are hardest come first.
    `heads` is by path, `runs` by run and choice, `tees` by tee and choice and run end; an array of (n_draws,) each.
    """

    may_fail: int
    heads: Mapping[str, Any]
    runs: Mapping[str, Sequence[Any]]
    tees: Mapping[str, Sequence[Mapping[tuple[str, bool], Any]]]


@dataclass(frozen=True)
class ListProblem:
    """A sizing problem whose cents leave out pipe and packs, with what each choice takes of those.

    `pipe`, `alone`, `long` and `joints` are by run and choice; lengths hold a saw cut for each piece. A choice's own
    pieces of a pipe cost at least `alone` [cents], and `long` of them need a length each. `floors` has, by pipe, what
    choices add to its cost at the least, in several ways. `work_cents` of each choice count in the cost and not against
    `most_parts_cents`. `cuts` are what pieces of several choices are known to cost together; `between` has, of some
    pipes, what all new pieces are to cost at the least and at the most (endless: anything).
    """

    sizing: SizingProblem
    pipe: Mapping[str, Sequence[Mapping[str, int]]]
    joints: Mapping[str, Sequence[Mapping[tuple[str, str], int]]]
    sold: Mapping[str, SoldPipe]
    packs: Sequence[SoldPacks]
    work_cents: Mapping[str, Sequence[int]] = field(default_factory=dict)
    most_parts_cents: int | None = None
    alone: Mapping[str, Sequence[Mapping[str, int]]] = field(default_factory=dict)
    long: Mapping[str, Sequence[Mapping[str, int]]] = field(default_factory=dict)
    floors: Mapping[str, Sequence[Mapping[str, Sequence[float]]]] = field(default_factory=dict)
    drawn: DrawnRows | None = None
    cuts: Sequence[PipeCut] = ()
    between: Mapping[str, tuple[int, float]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Chosen:
    """A choice for every run and tee."""

    runs: Mapping[str, int]
    tees: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class PipeCut:
    """A pipe costs at least `cents` wherever one of these choices is taken in every run and tee named."""

    item: str
    cents: int
    runs: Mapping[str, tuple[int, ...]]
    tees: Mapping[str, tuple[int, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Priced:
    """What a choice costs on the list [cents], whether it may be bought at all, and what is true of all like it."""

    cents: int
    allowed: bool
    cuts: tuple[PipeCut, ...]


@dataclass(frozen=True, slots=True)
class ListAnswer:
    """How it ended: the best choice found below the limit (None: none), and what no choice costs less than [cents]."""

    outcome: Outcome
    chosen: Chosen | None
    cents: int | None
    bound_cents: float
    solver: str = ""


@dataclass
class _Model:
    built: SizingModel
    pipe_cost: dict[str, Any]
    cost: Any
    may_fail: Any = None  # the row that counts the draws in which a plan fails
    fails: dict[int, Any] = field(default_factory=dict)  # its variables, of draws that have rows
    rows: set[int] = field(default_factory=set)  # draws that have rows


def solve_list(
    problem: ListProblem,
    price: Callable[[Chosen], Priced],
    below_cents: float,
    time_limit_s: float,
    solver: str | None = None,
    heard: Callable[[float], None] | None = None,
) -> ListAnswer:
    """Return the choice whose list costs least of those below a limit, proved.

    Parameters
    ----------
    problem
        What may be chosen, and how it is sold.
    price
        Prices a choice exactly.
    below_cents
        Only lists below this matter (endless: any); INFEASIBLE then means that there is none.
    time_limit_s
        Wall time for each solve [s].
    solver
        A solver's name; None for the first that answers.
    heard
        Is called after each round with what is proved by then: no choice costs less [cents].
    """
    model = build_list_model(problem)
    best: Chosen | None = None
    least: float = below_cents
    bound: float = 0
    name = ""
    for _ in range(_MOST_ROUNDS):
        name, ended, chosen, low = _ask(model, problem, time_limit_s, solver, bound)
        if ended is Outcome.INFEASIBLE:
            bound = least
            break
        bound = max(bound, low)
        if chosen is None or bound >= least:
            break
        broken = _broken(problem, chosen)
        if not model.rows.issuperset(broken):
            _need(model, problem, broken)
            continue
        told = price(chosen)
        if told.allowed and told.cents < least:
            best, least = chosen, told.cents
        if heard is not None:
            heard(min(bound, least))
        if bound >= least:
            break
        _forbid(model, chosen, told)
    bound = min(bound, least)
    if best is None:
        return ListAnswer(Outcome.INFEASIBLE if bound >= least else Outcome.NO_PLAN_FOUND, None, None, bound, name)
    return ListAnswer(Outcome.OPTIMAL if bound >= least else Outcome.FEASIBLE, best, int(least), bound, name)


def build_list_model(problem: ListProblem) -> _Model:
    """Build the program of `build_sizing_model` with what the list has beside: pipe in lengths, joints in packs.

    Sets        p in pipes, l in lengths of p, g in groups of packs, k in kinds of pack of g, j in joints
    Parameters  takes[r,a,p] (with a saw cut each), long[l], cents[l], owned[p], count[r,a,j], does[k,j], cents[k],
                alone[r,a,p], floor[r,a,p], least[p], most[p] (cents), single[r,a,p] (pieces that need a length each)
    Variables   buy[p,l] >= 0, whole; open[k] in {0, 1}, packs[k] >= 0, whole

    min   sum cost[r,a] x[r,a] + sum cost[t,f] y[t,f] + sum cents[l] buy[p,l] + sum cents[k] packs[k]
    s.t.  the rows of `build_sizing_model`
          sum_l long[l] buy[p,l] + owned[p] >= sum takes[r,a,p] x[r,a]           for each p     (enough_pipe)
          sum_l cents[l] buy[p,l] >= sum_a alone[r,a,p] x[r,a]                   for each p, r  (own_pieces)
          sum_l cents[l] buy[p,l] >= sum floor[r,a,p] x[r,a]                     for each p and floor  (floors)
          sum_l buy[p,l] >= sum single[r,a,p] x[r,a]                             for each p     (long_pieces)
          least[p] <= sum_l cents[l] buy[p,l] <= most[p]                         for some p     (between)
          sum_l cents[l] buy[p,l] >= known (1 - sum_r (1 - sum_{a alike} x[r,a])) for each known cut    (cuts)
          sum_k open[k] >= sum_{a that takes a joint of g} x[r,a]                for each g, r  (one_kind)
          packs[k] >= sum_j count/does[k,j] x - M (1 - open[k]), packs[k] >= open[k]            (enough_packs)
          sum loss[d,r,a] x + sum loss[d,t,f,e] y <= head[d,p] + M fails[d]      for each draw d and path p  (drawn)
          sum_d fails[d] <= may_fail                                                            (may_fail)
    """
    from ortools.math_opt.python import mathopt

    built = build_sizing_model(problem.sizing)
    terms = [built.cost]
    pipe_cost = {}
    for item, sold in problem.sold.items():
        taken = [
            takes[item] / _SCALE * x
            for run, each in problem.pipe.items()
            for takes, x in zip(each, built.run_vars[run], strict=True)
            if takes.get(item)
        ]
        if not taken:
            continue
        buy = [built.model.add_integer_variable(lb=0.0, name=f"{item} {length}") for length, _ in sold.lengths]
        long = [length / _SCALE * n for (length, _), n in zip(sold.lengths, buy, strict=True)]
        built.model.add_linear_constraint(
            mathopt.fast_sum(long) - mathopt.fast_sum(taken) >= -(sold.owned / _SCALE) - 1e-7
        )
        pipe_cost[item] = mathopt.fast_sum([cents * n for (_, cents), n in zip(sold.lengths, buy, strict=True)])
        terms.append(pipe_cost[item])
        least, most = problem.between.get(item, (0, math.inf))
        built.model.add_linear_constraint(lb=least, ub=most, expr=pipe_cost[item])
        _add_own_pieces(built, problem, item, pipe_cost[item], mathopt.fast_sum(buy))
    for group in problem.packs:
        cost = _add_packs(built, problem, group)
        if cost is not None:
            terms.append(cost)
    total = mathopt.fast_sum(terms)
    if problem.most_parts_cents is not None:
        work = [
            cents * x
            for run, each in problem.work_cents.items()
            for cents, x in zip(each, built.run_vars[run], strict=True)
            if cents
        ]
        built.model.add_linear_constraint(total - mathopt.fast_sum(work) <= problem.most_parts_cents)
    built.model.minimize(total)
    model = _Model(built, pipe_cost, total)
    _add_cuts(model, problem.cuts)
    if problem.drawn is not None:
        model.may_fail = built.model.add_linear_constraint(ub=problem.drawn.may_fail)
        _need(model, problem, range(problem.drawn.may_fail + _FIRST_ROWS))
    return model


def _need(model: _Model, problem: ListProblem, draws: Iterable[int]) -> None:
    """Add the rows of draws that have none yet."""
    count = 0 if problem.drawn is None else min((len(head) for head in problem.drawn.heads.values()), default=0)
    new = [draw for draw in draws if draw < count and draw not in model.rows]
    model.rows.update(new)
    _add_drawn(model, problem, new)


def _add_own_pieces(built: SizingModel, problem: ListProblem, item: str, cost: Any, lengths: Any) -> None:
    """Add that a pipe costs no less than what any one run takes of it, and that long pieces take a length each."""
    from ortools.math_opt.python import mathopt

    for run, each in problem.alone.items():
        own = [cents[item] * x for cents, x in zip(each, built.run_vars[run], strict=True) if cents.get(item)]
        if own:
            built.model.add_linear_constraint(cost - mathopt.fast_sum(own) >= 0.0)
    for floor in problem.floors.get(item, ()):
        least = [
            cents * x
            for run, each in floor.items()
            for cents, x in zip(each, built.run_vars[run], strict=True)
            if cents
        ]
        built.model.add_linear_constraint(cost - mathopt.fast_sum(least) >= -1e-6)
    long = [
        counts[item] * x
        for run, each in problem.long.items()
        for counts, x in zip(each, built.run_vars[run], strict=True)
        if counts.get(item)
    ]
    if long:
        built.model.add_linear_constraint(lengths - mathopt.fast_sum(long) >= 0.0)


def _broken(problem: ListProblem, chosen: Chosen) -> list[int]:
    """Return the draws in which a choice fails, where these are too many."""
    if problem.drawn is None:
        return []
    found: list[int] = np.flatnonzero(_excess(problem.sizing, problem.drawn, chosen) > 0.0).tolist()
    return found if len(found) > problem.drawn.may_fail else []


def _excess(sizing: SizingProblem, drawn: DrawnRows, chosen: Chosen) -> Any:
    """Return by how much a choice loses too much in each draw, on its worst path [loss units], (n_draws,)."""
    worst = None
    for path in (path for path in sizing.paths if path.is_limited):
        lost = sum(drawn.runs[run][chosen.runs[run]] for run in path.runs) - drawn.heads[path.name]
        for tee, run, at_start in path.tee_ends:
            lost = lost + drawn.tees[tee][chosen.tees[tee]][run, at_start]
        worst = lost if worst is None else np.maximum(worst, lost)
    return worst


def _add_drawn(model: _Model, problem: ListProblem, draws: Sequence[int]) -> None:
    """Add the rows of some draws: every path has head enough there, or it is one of those in which a plan fails."""
    from ortools.math_opt.python import mathopt

    drawn, built = problem.drawn, model.built
    assert drawn is not None
    for path in (path for path in problem.sizing.paths if path.is_limited):
        groups = [(drawn.runs[run], built.run_vars[run]) for run in path.runs]
        groups += [
            ([one[run, at_start] for one in drawn.tees[tee]], built.tee_vars[tee])
            for tee, run, at_start in path.tee_ends
        ]
        for draw in draws:
            terms = [(float(lost[draw]), x) for losses, xs in groups for lost, x in zip(losses, xs, strict=True)]
            head = float(drawn.heads[path.name][draw])
            most = sum(max(float(lost[draw]) for lost in losses) for losses, _ in groups) - head
            if most <= 0.0:
                continue
            if draw not in model.fails:
                model.fails[draw] = built.model.add_binary_variable(name=f"fails {draw}")
                model.may_fail.set_coefficient(model.fails[draw], 1.0)
            row = mathopt.fast_sum([lost * x for lost, x in terms]) - most * model.fails[draw] <= head
            built.model.add_linear_constraint(row)


def _add_packs(built: SizingModel, problem: ListProblem, group: SoldPacks) -> Any:
    """Add the packs of a group and return what they cost; None where no choice takes any."""
    from ortools.math_opt.python import mathopt

    joints = {joint for _, does in group.kinds for joint in does}
    users: list[tuple[Any, Mapping[tuple[str, str], int]]] = []
    opened = [built.model.add_binary_variable() for _ in group.kinds]
    most: dict[tuple[str, str], int] = {}
    for run, each in problem.joints.items():
        own = [
            (x, counts) for x, counts in zip(built.run_vars[run], each, strict=True) if any(j in joints for j in counts)
        ]
        if own:
            built.model.add_linear_constraint(mathopt.fast_sum(opened) - mathopt.fast_sum([x for x, _ in own]) >= 0.0)
        for joint in joints:
            most[joint] = most.get(joint, 0) + max((counts.get(joint, 0) for _, counts in own), default=0)
        users += own
    if not users:
        return None
    costs = []
    for (cents, does), is_open in zip(group.kinds, opened, strict=True):
        packs = built.model.add_integer_variable(lb=0.0)
        need = [sum(count / does[joint] for joint, count in counts.items() if joint in does) * x for x, counts in users]
        huge = sum(most[joint] / does[joint] for joint in does if joint in most) + 1.0
        short = packs - mathopt.fast_sum(need) - huge * is_open
        built.model.add_linear_constraint(short >= -huge - 1e-6)
        built.model.add_linear_constraint(packs - is_open >= 0.0)
        costs.append(cents * packs)
    return mathopt.fast_sum(costs)


def _ask(
    model: _Model, problem: ListProblem, time_limit_s: float, solver: str | None, known: float
) -> tuple[str, Outcome | None, Chosen | None, int]:
    def ask(name: str) -> tuple[str, Outcome | None, Chosen | None, int]:
        answer = answer_of(model.built.model, name, time_limit_s, cuts=name != "GSCIP")
        if answer.ended is Outcome.INFEASIBLE:
            return name, Outcome.INFEASIBLE, None, 0
        if answer.ended is not None:
            return name, answer.ended, None, _up(answer.result.dual_bound())
        values = answer.result.variable_values()
        runs = {run: max(range(len(xs)), key=lambda k: values[xs[k]]) for run, xs in model.built.run_vars.items()}
        tees = {tee: max(range(len(ys)), key=lambda k: values[ys[k]]) for tee, ys in model.built.tee_vars.items()}
        if excess_of(problem.sizing, runs, tees) > 0 or exceeded(problem.sizing, runs, tees):
            raise SolverError("the answer breaks the rows of the problem")
        optimal = is_optimal(answer.result)
        low = _up(answer.result.objective_value() if optimal else answer.result.dual_bound())
        if optimal and low < known:
            raise SolverError(f"{low} cents is called the least where rows that were taken away had {known}")
        return name, None, Chosen(runs, tees), low

    return first_answer((solver,) if solver else SOLVERS, ask)


def _up(value: float) -> int:
    """Return a bound in whole cents: every list is whole cents, so the next one up."""
    return max(0, math.ceil(value - 1e-4)) if math.isfinite(value) else 0


def _forbid(model: _Model, chosen: Chosen, told: Priced) -> None:
    """Add what a priced choice says of the pipe of all like it, and leave that choice itself out: it is known."""
    from ortools.math_opt.python import mathopt

    _add_cuts(model, told.cuts)
    run_vars, tee_vars = model.built.run_vars, model.built.tee_vars
    own = [run_vars[run][k] for run, k in chosen.runs.items()] + [tee_vars[tee][k] for tee, k in chosen.tees.items()]
    model.built.model.add_linear_constraint(mathopt.fast_sum(own) <= len(own) - 1)


def _add_cuts(model: _Model, cuts: Iterable[PipeCut]) -> None:
    """Add what pieces of a pipe cost together wherever they are all taken."""
    from ortools.math_opt.python import mathopt

    run_vars, tee_vars = model.built.run_vars, model.built.tee_vars
    for cut in cuts:
        if cut.item not in model.pipe_cost:
            continue
        alike = [mathopt.fast_sum([run_vars[run][k] for k in ks]) for run, ks in cut.runs.items()]
        alike += [mathopt.fast_sum([tee_vars[tee][k] for k in ks]) for tee, ks in cut.tees.items()]
        others = len(alike) - mathopt.fast_sum(alike)
        model.built.model.add_linear_constraint(model.pipe_cost[cut.item] + cut.cents * others >= cut.cents)
