"""Build the relaxation of a flow problem with MathOpt."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from optimizer.clock import look
from optimizer.program.flow_cells import Cell, Stage, cells_of, heads_of, stages_of
from optimizer.program.flow_problem import (
    RUN,
    SETTING,
    TEE,
    FlowAlternative,
    FlowProblem,
    FlowRun,
    FlowTeeAlternative,
    Pick,
    Range,
)
from optimizer.program.problem import State

PAD_M = 1e-7  # the lines stand this far off, so that rounding never cuts a true plan off

_LEAST_SHARE = 0.01  # of a flow unit: below, what a valve takes at a greatest flow tells nothing of its position


@dataclass
class FlowModel:
    """The MathOpt model with what is read back. Flows inside are in `flow_unit_m3_s`, money in `money_unit_cents`."""

    problem: FlowProblem
    model: Any
    flow_unit_m3_s: float
    money_unit_cents: float
    heads: dict[str, Any] = field(default_factory=dict)
    flows: dict[str, Any] = field(default_factory=dict)  # run: expression
    picks: dict[Pick, Any] = field(default_factory=dict)
    losses: dict[tuple[str, int], Any] = field(default_factory=dict)  # (run, stage): expression [m]
    cells: list[tuple[str, Cell, Any, Any, Any]] = field(default_factory=list)  # run, cell, weight, flow, loss
    throttles: dict[tuple[str, int], Any] = field(default_factory=dict)  # (run, alternative): k of k Q² in flow units
    most_throttle: dict[str, float] = field(default_factory=dict)  # run with copies: a k that no valve there exceeds
    opened: list[Any] = field(default_factory=list)  # by pack

    def pick(self, kind: str, name: str, k: int) -> Any:
        """Return the variable of a choice, which copies share."""
        if kind == RUN and self.problem.runs[name].same_as is not None:
            name = self.problem.runs[name].same_as or name
        if kind == TEE and self.problem.tees[name].same_as is not None:
            name = self.problem.tees[name].same_as or name
        return self.picks[kind, name, k]


def build_flow_model(problem: FlowProblem, bins: Mapping[str, Sequence[float]], cutoff_cents: int | None) -> FlowModel:
    """Build the relaxation: any true plan (of at most the cutoff) satisfies it, so its optimum is a lower bound.

    Sets        n points, r runs, s stages of r (plumbing, pump, tees), k alternatives of s, b bins of r's flow
    Parameters  demand[n], head bounds, lines m q + c under and over the loss of k in b, cost[k] in cents
    Variables   x[s,k], z[r,b] in {0, 1}; H[n]; w[s,k,b], t[s,k,b] >= 0; h[s,k,b] [m]; v[r] at a shut check
                f[s,k,b] = low[k,b] w + (high[k,b] - low[k,b]) t, so that every coefficient is near 1

    min   sum cost[k] x[s,k] + packs
    s.t.  sum_k x = 1;  sum_b z = 1                                                      (one_alternative, one_bin)
          sum_b w[s,k,b] = x[s,k];  sum_k w[s,k,b] = z[r,b]                              (both)
          t[s,k,b] <= w[s,k,b]                                                           (flow_in_bin)
          sum_k f[s,k,b] the same in every stage s of r                                  (one_flow)
          m f + c w <= h[s,k,b] for lines below, >= for lines above                      (enclosed)
          H[start] - H[end] = sum_{s,k,b} h + v                                          (head)
          sum of flows in - out = demand[n] at free points                               (mass)
          ends agree at tees, packs opened, rows over flows and over choices

    An alternative with a valve, chosen for several copies of a run, has one k >= 0 for all of them: in every cell what
    the valve takes lies between k low² and k high² (see `_add_throttle`).

    f and h split by alternative and bin are the perspective form: the tightest linear one for such an "either or".
    The loss in metres is the variable, so a solver's tolerance is one in metres.
    """
    from ortools.math_opt.python import mathopt

    limit = max((abs(q) for run in problem.runs.values() for q in run.flow_range_m3_s), default=1.0) or 1.0
    built = FlowModel(problem, mathopt.Model(name="flows"), limit / 10.0, _money_unit(problem))
    head_ranges = heads_of(problem)
    built.most_throttle = _most_throttles(problem, head_ranges, built.flow_unit_m3_s)
    _add_heads(built, head_ranges)
    _add_choices(built)
    for run in problem.runs.values():
        _add_run(built, run, stages_of(problem, run, bins, head_ranges), bins, head_ranges)
    _add_mass(built)
    _add_ends_agree(built)
    _add_rows(built)
    _add_cost(built, cutoff_cents)
    _add_choice_rows(built)
    return built


def _most_throttles(problem: FlowProblem, heads: Mapping[str, Range], unit_m3_s: float) -> dict[str, float]:
    """Return by run a k at which a valve takes all the head there is even at the smallest greatest flow of a copy.

    Runs without copies, and those that may carry next to nothing in one of them, are left out.
    """
    span = 2.0 * (max(high for _, high in heads.values()) - min(low for low, _ in heads.values())) + 1.0
    greatest: dict[str, list[float]] = defaultdict(list)
    for run in problem.runs.values():
        greatest[run.same_as or run.name].append(max(map(abs, run.flow_range_m3_s)) / unit_m3_s)
    return {
        name: span / min(flows) ** 2 for name, flows in greatest.items() if len(flows) > 1 and min(flows) > _LEAST_SHARE
    }


def _money_unit(problem: FlowProblem) -> float:
    most = sum(max((a.cents for a in run.alternatives), default=0) for run in problem.runs.values())
    return max(1.0, 10.0 ** math.floor(math.log10(max(most, 1)) - 3))


def _add_heads(built: FlowModel, ranges: Mapping[str, Range]) -> None:
    for name, (low, high) in ranges.items():
        built.heads[name] = built.model.add_variable(lb=low, ub=high, name=f"H {name}")


def _add_choices(built: FlowModel) -> None:
    from ortools.math_opt.python import mathopt

    for kind, name, count in _own_choices(built.problem):
        group = [built.model.add_binary_variable(name=f"{kind} {name}#{k}") for k in range(count)]
        built.picks.update({(kind, name, k): x for k, x in enumerate(group)})
        built.model.add_linear_constraint(mathopt.fast_sum(group) == 1)


def _own_choices(problem: FlowProblem) -> Iterator[tuple[str, str, int]]:
    for run in problem.runs.values():
        if run.same_as is None:
            yield RUN, run.name, len(run.alternatives)
        if run.settings:
            yield SETTING, run.name, len(run.settings)
    for tee in problem.tees.values():
        if tee.same_as is None:
            yield TEE, tee.point, len(tee.alternatives)


def _add_run(
    built: FlowModel, run: FlowRun, stages: list[Stage], bins: Mapping[str, Sequence[float]], heads: Mapping[str, Range]
) -> None:
    from ortools.math_opt.python import mathopt

    cells = cells_of(run, bins)
    names = [f"bin {run.name}#{b}" for b in range(len(cells))]
    zs = [built.model.add_binary_variable(name=name) if len(cells) > 1 else 1.0 for name in names]
    if len(cells) > 1:
        built.model.add_linear_constraint(mathopt.fast_sum(zs) == 1)
    reference: dict[int, list[Any]] = {}
    for index, stage in enumerate(stages):
        flows = _add_stage(built, run, index, stage, zs)
        for b in range(len(cells)):
            if index:
                built.model.add_linear_constraint(mathopt.fast_sum(flows[b]) - mathopt.fast_sum(reference[b]) == 0.0)
            else:
                reference[b] = flows[b]
    built.flows[run.name] = mathopt.fast_sum([f for group in reference.values() for f in group])
    slack = _add_check(built, run, stages, cells, zs, heads)
    lost = mathopt.fast_sum([built.losses[run.name, index] for index in range(len(stages))])
    difference = built.heads[run.start] - built.heads[run.end]
    built.model.add_linear_constraint(difference - lost - slack == 0.0)


def _add_stage(built: FlowModel, run: FlowRun, index: int, stage: Stage, zs: list[Any]) -> dict[int, list[Any]]:
    """Add the cells of a stage, and return their flows by bin."""
    from ortools.math_opt.python import mathopt

    model, unit = built.model, built.flow_unit_m3_s
    by_pick: dict[int, list[Any]] = defaultdict(list)
    by_bin: dict[int, list[Any]] = defaultdict(list)
    flows: dict[int, list[Any]] = defaultdict(list)
    lost: list[Any] = []
    throttles: dict[int, list[Any]] = defaultdict(list)
    root = run.same_as or run.name
    for cell in stage.cells:
        look()
        low, width = cell.low_m3_s / unit, (cell.high_m3_s - cell.low_m3_s) / unit
        weight = model.add_variable(lb=0.0, ub=1.0)
        share = model.add_variable(lb=0.0, ub=1.0)
        loss = model.add_variable(lb=-math.inf, ub=math.inf)
        model.add_linear_constraint(share - weight <= 0.0)
        for lines, pad in ((cell.envelope.below, -PAD_M), (cell.envelope.above, PAD_M)):
            for line in lines:
                at_low = line.at(cell.low_m3_s) + pad
                row = loss - at_low * weight - line.slope_s_m2 * width * unit * share
                model.add_linear_constraint(row >= 0.0 if pad < 0.0 else row <= 0.0)
        flow = low * weight + width * share
        by_pick[cell.alternative].append(weight)
        by_bin[cell.bin].append(weight)
        flows[cell.bin].append(flow)
        lost.append(loss)
        built.cells.append((run.name, cell, weight, flow, loss))
        if stage.kind == RUN and cell.open is not None and root in built.most_throttle:
            most = built.most_throttle[root]
            throttles[cell.alternative].append(_add_throttle(built, cell, weight, share, loss, most))
    for k in range(stage.count):
        model.add_linear_constraint(mathopt.fast_sum(by_pick[k]) - built.pick(stage.kind, stage.name, k) == 0.0)
    for b, z in enumerate(zs):
        model.add_linear_constraint(mathopt.fast_sum(by_bin[b]) - z == 0.0)
    for k, each in throttles.items():
        if (root, k) not in built.throttles:
            built.throttles[root, k] = model.add_variable(lb=0.0)
        own = built.throttles[root, k]
        model.add_linear_constraint(mathopt.fast_sum(each) - own == 0.0)
    built.losses[run.name, index] = mathopt.fast_sum(lost)
    return flows


def _add_throttle(built: FlowModel, cell: Cell, weight: Any, share: Any, loss: Any, most: float) -> Any:
    """Keep what a valve takes in a cell between k low² and k high², and return that k; 0 where the cell is not taken.

    k is in metres per flow unit squared. Across rest nothing can be said: there k is free.
    """
    model, unit = built.model, built.flow_unit_m3_s
    k = model.add_variable(lb=0.0)
    model.add_linear_constraint(k - most * weight <= 0.0)
    low, high = cell.low_m3_s / unit, cell.high_m3_s / unit
    if low < 0.0 < high or low == high == 0.0 or cell.open is None:
        return k
    forward = low >= 0.0
    near, far = (low, high) if forward else (high, low)
    sides = ((cell.open.below, near if forward else far), (cell.open.above, far if forward else near))
    for above, (lines, flow) in enumerate(sides):
        taken = math.copysign(flow * flow, 1.0 if forward else -1.0)
        for line in lines:
            pad = PAD_M if above else -PAD_M
            steep = line.slope_s_m2 * (cell.high_m3_s - cell.low_m3_s)
            row = loss - (line.at(cell.low_m3_s) + pad) * weight - steep * share - taken * k
            model.add_linear_constraint(row <= 0.0 if above else row >= 0.0)
    return k


def _add_check(
    built: FlowModel,
    run: FlowRun,
    stages: list[Stage],
    cells: list[tuple[float, float, bool]],
    zs: list[Any],
    heads: Mapping[str, Range],
) -> Any:
    """Return what a shut check valve takes [m], against the flow."""
    from ortools.math_opt.python import mathopt

    drops = (heads[run.start][1] - heads[run.end][0], heads[run.end][1] - heads[run.start][0])
    most = max(map(abs, drops)) + sum(_most_loss_m(stage) for stage in stages) + 1.0
    at_rest = [z for z, (_, _, shut) in zip(zs, cells, strict=True) if shut]
    if not at_rest:
        return 0.0
    v = built.model.add_variable(lb=-most, ub=0.0, name=f"v {run.name}")
    built.model.add_linear_constraint(v + most * mathopt.fast_sum(at_rest) >= 0.0)
    return v


def _most_loss_m(stage: Stage) -> float:
    """Return the greatest size that the loss of a stage can have [m]."""
    sizes = [0.0]
    for cell in stage.cells:
        ends, lines = (cell.low_m3_s, cell.high_m3_s), cell.open or cell.envelope
        # the loss lies between any line below and any above, and a line is at its greatest at an end
        sizes.append(max(abs(line.at(q)) for line in (*lines.below, *lines.above) for q in ends))
    return max(sizes)


def _add_mass(built: FlowModel) -> None:
    from ortools.math_opt.python import mathopt

    terms: dict[str, list[Any]] = defaultdict(list)
    for run in built.problem.runs.values():
        terms[run.start].append(-1.0 * built.flows[run.name])
        terms[run.end].append(1.0 * built.flows[run.name])
    for node in built.problem.nodes.values():
        if node.head_m is None and (terms[node.name] or node.demand_m3_s):
            demand = node.demand_m3_s / built.flow_unit_m3_s
            built.model.add_linear_constraint(mathopt.fast_sum(terms[node.name]) == demand)


def _add_ends_agree(built: FlowModel) -> None:
    from ortools.math_opt.python import mathopt

    for tee in built.problem.tees.values():
        if tee.same_as is not None:
            continue
        for run, at_start in tee.alternatives[0].states:
            by_state: dict[State, list[Any]] = defaultdict(list)
            for k, fitting in enumerate(tee.alternatives):
                by_state[fitting.states[run, at_start]].append(-1.0 * built.picks[TEE, tee.point, k])
            for k, choice in enumerate(built.problem.runs[run].alternatives):
                by_state[choice.start if at_start else choice.end].append(1.0 * built.pick(RUN, run, k))
            for terms in by_state.values():
                built.model.add_linear_constraint(mathopt.fast_sum(terms) == 0.0)


def _add_rows(built: FlowModel) -> None:
    from ortools.math_opt.python import mathopt

    unit = built.flow_unit_m3_s
    for row in built.problem.flow_rows:
        total = mathopt.fast_sum([c * built.flows[run] for run, c in row.coefficients.items()])
        _add_between(built, total, row.low_m3_s / unit, row.high_m3_s / unit)


def _add_choice_rows(built: FlowModel) -> None:
    from ortools.math_opt.python import mathopt

    for choice in built.problem.choice_rows:
        terms = [c * built.pick(*pick) for pick, c in choice.coefficients.items()]
        terms += [c * opened for c, opened in zip(choice.packs, built.opened, strict=False)]
        _add_between(built, mathopt.fast_sum(terms), choice.low, choice.high)


def _add_between(built: FlowModel, total: Any, low: float, high: float) -> None:
    if math.isfinite(low):
        built.model.add_linear_constraint(total >= low)
    if math.isfinite(high):
        built.model.add_linear_constraint(total <= high)


def _add_cost(built: FlowModel, cutoff_cents: int | None) -> None:
    from ortools.math_opt.python import mathopt

    problem, unit = built.problem, built.money_unit_cents
    users: dict[int, dict[tuple[str, str], list[Any]]] = defaultdict(lambda: defaultdict(list))
    terms: list[Any] = []
    for (kind, name, k), x in built.picks.items():
        group = _group(problem, kind, name)
        terms.append(group[k].cents / unit * x)
        for pack in range(len(problem.packs)):
            if group[k].packs >> pack & 1:
                users[pack][kind, name].append(x)
    for pack, price in enumerate(problem.packs):
        opened = built.model.add_binary_variable(name=f"open{pack}")
        terms.append(price / unit * opened)
        built.opened.append(opened)
        for xs in users[pack].values():
            built.model.add_linear_constraint(mathopt.fast_sum(xs) - opened <= 0.0)
    cost = mathopt.fast_sum(terms)
    if cutoff_cents is not None:
        built.model.add_linear_constraint(cost <= (cutoff_cents + 0.5) / unit)
    built.model.minimize(cost)


def _group(problem: FlowProblem, kind: str, name: str) -> Sequence[FlowAlternative | FlowTeeAlternative]:
    if kind == TEE:
        return problem.tees[name].alternatives
    return problem.runs[name].settings if kind == SETTING else problem.runs[name].alternatives
