"""The cheapest design of a network with its proof: relaxation, true network, refinement, until cost meets bound."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from sizing.curves import PowerCurve, parallel_power_curve
from sizing.duality import relaxed
from sizing.networks import NetworkSizing, SizedNetworks
from sizing.tightening import tighten
from sizing.walk import good_design

from optimizer.program.flow_problem import (
    RUN,
    FlowAlternative,
    FlowNode,
    FlowProblem,
    FlowRun,
    RelaxedSelection,
    no_good,
)
from optimizer.program.problem import Outcome
from optimizer.program.relaxation import cost_step

_SPLITS = 3  # bins cut after a design that the true network refuses: where the relaxation erred most
_ERROR_M = 1e-4  # smaller errors of the relaxation are not worth a bin
_SHARE_FOR_DESCENT = 0.1  # of the time
_SHARE_FOR_TIGHTENING = 0.5
_ROUNDS = 9
# with the duality row, for every size as well, and the share that a round must save for another to follow
_STAGES = ((False, False, 0.4), (True, False, 0.3), (True, True, 0.2))
Tell = Callable[[str], None]


@dataclass(frozen=True)
class SizedPlan:
    """How a sizing ended.

    OPTIMAL: `design` costs `bound_cents` and nothing cheaper keeps the least heads. FEASIBLE: `design` keeps them, and
    nothing costs less than `bound_cents`. INFEASIBLE: no design keeps them. NO_PLAN_FOUND: the time ran out without
    one. Every design given was solved as a network and keeps every least head there.
    """

    outcome: Outcome
    design: Mapping[str, int]
    cents: int | None
    bound_cents: int
    seconds: float
    rounds: int

    @property
    def gap(self) -> float:
        """Return what is unproved, as a share of the cost; 0 with a proof, 1 without a design."""
        return 1.0 if self.cents is None else 1.0 - self.bound_cents / self.cents if self.cents else 0.0


@dataclass
class _State:
    problem: FlowProblem
    networks: SizedNetworks
    until: float
    design: dict[str, int] = field(default_factory=dict)
    cents: int | None = None
    bound: int = 0
    bins: dict[str, list[float]] = field(default_factory=dict)
    rounds: int = 0

    @property
    def left_s(self) -> float:
        return self.until - time.monotonic()

    @property
    def cutoff(self) -> int | None:
        """Return the most that a better design may cost."""
        return None if self.cents is None else self.cents - cost_step(self.problem)


def size_network(
    sizing: NetworkSizing, *, time_limit_s: float = 60.0, solver: str | None = None, tell: Tell = lambda _: None
) -> SizedPlan:
    """Return the cheapest sizes that keep every least head, with the proof, or the best found and the bound.

    A walk finds a good design. Only cheaper ones are of interest from then on: flows, heads and sizes are narrowed to
    what those can have, and the relaxation is solved. What it chooses is solved as a network: if it keeps every
    head it is the new best; if not, it is forbidden and the bins are cut at its flows where the relaxation erred
    most. When nothing cheaper is left, the best is proven.

    Parameters
    ----------
    time_limit_s
        Wall time for all [s]; when it is over, the result has the gap.
    solver
        One of `program.relaxation.FLOW_SOLVERS`; None tries them in order.
    tell
        Gets a line at every step.
    """
    began = time.monotonic()
    state = _State(flow_problem(sizing), SizedNetworks(sizing), began + time_limit_s)
    found = good_design(state.networks, time_limit_s=_SHARE_FOR_DESCENT * time_limit_s)
    if found is not None:
        state.design, state.cents = state.networks.named(found), int(state.networks.cost(found))
        tell(f"a design of {state.cents} cents keeps every head")
    outcome = _prove(state, solver, tell)
    return SizedPlan(outcome, state.design, state.cents, state.bound, time.monotonic() - began, state.rounds)


def flow_problem(sizing: NetworkSizing) -> FlowProblem:
    """Return the sizing as a flow problem; in every run any flow up to the whole demand, either way."""
    most = 1.000001 * sum(abs(point.demand_m3_s) for point in sizing.points.values())
    nodes = {
        name: FlowNode(name, head_m=point.fixed_head_m)
        if point.fixed_head_m is not None
        else FlowNode(name, least_head_m=point.least_head_m, demand_m3_s=point.demand_m3_s)
        for name, point in sizing.points.items()
    }
    exponent = sizing.law.flow_exponent
    runs = {}
    for name, pipe in sizing.pipes.items():
        curves: list[PowerCurve] = [
            parallel_power_curve(pipe.coefficients(k, sizing.law), exponent) for k in range(len(pipe.sizes))
        ]
        alternatives = tuple(FlowAlternative(pipe.cents(k), curve) for k, curve in enumerate(curves))
        runs[name] = FlowRun(name, pipe.start, pipe.end, alternatives, (-most, most))
    return FlowProblem(nodes, runs)


def _prove(state: _State, solver: str | None, tell: Tell) -> Outcome:
    if not _tighten(state, tell):
        return _nothing_cheaper(state)
    while state.left_s > 0.0:
        state.rounds += 1
        found = relaxed(
            state.problem,
            state.bins,
            cutoff_cents=state.cutoff,
            time_limit_s=max(state.left_s, 0.1),
            solver=solver,
            duality=True,
        )
        if found.outcome is Outcome.INFEASIBLE:
            return _nothing_cheaper(state)
        state.bound = max(state.bound, found.bound_cents or 0)
        tell(f"round {state.rounds}: bound {state.bound} cents; {state.left_s:.0f} s are left")
        if not found.runs:
            break
        if not _take(state, found):
            _refine(state, found)
        if state.cents is not None and state.bound >= state.cents:
            return _nothing_cheaper(state)
    if state.cents is not None:
        state.bound = min(state.bound, state.cents)
    return Outcome.NO_PLAN_FOUND if state.cents is None else Outcome.FEASIBLE


def _nothing_cheaper(state: _State) -> Outcome:
    if state.cents is None:
        return Outcome.INFEASIBLE
    state.bound = state.cents
    return Outcome.OPTIMAL


def _tighten(state: _State, tell: Tell) -> bool:
    """Narrow the problem, rough and quick rounds first; False when nothing is cheaper than the best."""
    until = time.monotonic() + _SHARE_FOR_TIGHTENING * state.left_s
    for duality, picks, enough in _STAGES:
        narrowed = tighten(
            state.problem,
            state.bins,
            cutoff_cents=state.cutoff,
            rounds=_ROUNDS,
            time_limit_s=max(until - time.monotonic(), 0.0),
            duality=duality,
            picks=picks,
            enough=enough,
        )
        if narrowed is None:
            return False
        state.problem = narrowed
        ranges = [run.flow_range_m3_s for run in narrowed.runs.values()]
        tell(f"flows narrowed to {sum(b - a for a, b in ranges):.4g} m³/s in all; {state.left_s:.0f} s are left")
    return True


def _take(state: _State, relaxed: RelaxedSelection) -> bool:
    """Take a design that keeps every head as the best if it is cheaper; forbid it either way."""
    row = state.networks.row(relaxed.runs)
    kept = bool(state.networks.solve(row[None, :]).shortfall_m[0] <= 0.0)
    cents = int(state.networks.cost(row))
    if kept and (state.cents is None or cents < state.cents):
        state.design, state.cents = dict(relaxed.runs), cents
    forbidden = no_good((RUN, name, k) for name, k in relaxed.runs.items())
    state.problem = replace(state.problem, choice_rows=(*state.problem.choice_rows, forbidden))
    return kept


def _refine(state: _State, relaxed: RelaxedSelection) -> None:
    """Cut the bins of the runs whose loss the relaxation had most wrong, at its flow and at the true one."""
    row = state.networks.row(relaxed.runs)
    true = dict(zip(state.networks.names, state.networks.solve(row[None, :]).flows_m3_s[0].tolist(), strict=True))
    errors = {}
    for name, run in state.problem.runs.items():
        curve = run.alternatives[relaxed.runs[name]].curve
        drop = relaxed.heads_m[run.start] - relaxed.heads_m[run.end]
        errors[name] = abs(curve.loss_m(relaxed.flows_m3_s[name]) - drop)
    for name in sorted(errors, key=lambda name: -errors[name])[:_SPLITS]:
        if errors[name] > _ERROR_M:
            _cut(state, name, relaxed.flows_m3_s[name], true[name])


def _cut(state: _State, name: str, relaxed_m3_s: float, true_m3_s: float) -> None:
    """Cut where the relaxation erred, unless an edge is near; then half way to the truth."""
    low, high = state.problem.runs[name].flow_range_m3_s
    edges = state.bins.setdefault(name, [0.0])
    apart = 0.02 * (high - low)
    for place in (relaxed_m3_s, 0.5 * (relaxed_m3_s + true_m3_s)):
        if all(abs(place - edge) > apart for edge in (*edges, low, high)):
            edges.append(place)
            return
