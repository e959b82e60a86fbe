"""The relaxation of flows not known: never above the truth, and with refinement equal to it."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import root
from sizing.curves import PowerCurve, parallel_power_curve
from sizing.duality import relaxed
from sizing.networks import NetworkSizing, SizedNetworks, SizingPoint
from sizing.proof import flow_problem, size_network
from sizing.tightening import tighten

from optimizer.hydraulics.pumps import PumpCurve
from optimizer.program.flow_problem import RUN, ChoiceRow, FlowProblem, LossCurve
from optimizer.program.problem import Outcome
from optimizer.program.relaxation import FLOW_SOLVERS
from optimizer.search.run_curves import PumpGain

sys.path.insert(0, str(Path(__file__).parent))
from looped import cheapest_of_all, looped_network

SEEDS = [0, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(1, 5))]


PUMP = PumpCurve(0.0, 4.0, 12.0, -4.0, 1.0, None)  # 12 m - q²
CURVES: tuple[LossCurve, ...] = (PowerCurve(3.0, 1.852), PumpGain(((PUMP, 1.0),)))


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize(
    "span", [(0.0, 2.0), (0.5, 0.6), (-2.0, -0.3), (-1.0, 2.0), (-2.0, 0.2), (-0.1, 3.0), (1.0, 1.0)]
)
def test_the_lines_enclose_the_loss_everywhere_in_the_range(curve: LossCurve, span: tuple[float, float]) -> None:
    lines = curve.envelope(*span)

    for q in np.linspace(*span, 301).tolist():
        assert all(line.at(q) <= curve.loss_m(q) + 1e-9 for line in lines.below)
        assert all(line.at(q) >= curve.loss_m(q) - 1e-9 for line in lines.above)


def test_pipes_side_by_side_share_the_flow_at_one_loss() -> None:
    together = parallel_power_curve([3.0, 5.0], 1.852)
    first = (7.0 / 3.0) ** (1 / 1.852)
    second = (7.0 / 5.0) ** (1 / 1.852)

    assert together.loss_m(first + second) == pytest.approx(7.0, rel=1e-12)


def test_the_network_solution_agrees_with_a_general_root_finder() -> None:
    sizing = looped_network(3)
    networks = SizedNetworks(sizing)
    row = np.array([1, 0, 2, 1, 0, 1])
    solved = networks.solve(row[None, :])

    def missing(heads: np.ndarray) -> np.ndarray:
        """Return what each point lacks, with flows from Hazen-Williams solved for the flow."""
        at = {"S": 30.0} | dict(zip("ABCD", heads.tolist(), strict=True))
        lack = {name: -point.demand_m3_s for name, point in sizing.points.items()}
        for pipe, k in zip(sizing.pipes.values(), row.tolist(), strict=True):
            drop = at[pipe.start] - at[pipe.end]
            bore = pipe.sizes[k].bore_m
            flow = math.copysign(140.0 * (abs(drop) * bore**4.871 / (10.667 * pipe.length_m)) ** (1 / 1.852), drop)
            lack[pipe.start] -= flow
            lack[pipe.end] += flow
        return np.array([1e3 * lack[name] for name in "ABCD"])

    found = root(missing, solved.heads_m[0] + 0.3, method="hybr")
    assert np.abs(found.fun).max() < 1e-7  # L/s
    assert solved.heads_m[0] == pytest.approx(found.x, abs=1e-5)


def fixed_to(problem: FlowProblem, design: dict[str, int]) -> FlowProblem:
    rows = tuple(ChoiceRow(name, {(RUN, name, k): 1.0}, low=1.0) for name, k in design.items())
    return replace(problem, choice_rows=rows)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("duality", [False, True])
def test_the_relaxation_is_never_above_the_cheapest_of_all_designs(seed: int, duality: bool) -> None:
    sizing = looped_network(seed)
    cents, design = cheapest_of_all(sizing)
    problem = flow_problem(sizing)

    found = relaxed(problem, {}, duality=duality)
    assert found.bound_cents is not None
    assert found.bound_cents <= cents
    kept = relaxed(fixed_to(problem, design), {}, duality=duality, cutoff_cents=cents)
    assert kept.outcome is Outcome.OPTIMAL
    assert kept.runs == design


@pytest.mark.long
@pytest.mark.parametrize("seed", SEEDS)
def test_the_sized_network_costs_what_the_cheapest_of_all_designs_costs(seed: int) -> None:
    sizing = looped_network(seed)

    plan = size_network(sizing)
    assert plan.outcome is Outcome.OPTIMAL
    assert plan.cents == plan.bound_cents == cheapest_of_all(sizing)[0]


@pytest.mark.parametrize("seed", SEEDS)
def test_tightening_keeps_the_true_flows_of_every_design_within_the_cutoff(seed: int) -> None:
    sizing = looped_network(seed)
    cents, design = cheapest_of_all(sizing)

    narrowed = tighten(flow_problem(sizing), {}, cutoff_cents=cents)
    assert narrowed is not None
    networks = SizedNetworks(sizing)
    flows = networks.solve(networks.row(design)[None, :]).flows_m3_s[0]
    for (name, run), flow in zip(narrowed.runs.items(), flows.tolist(), strict=True):
        low, high = run.flow_range_m3_s
        assert low <= flow <= high
        least, most = run.alternatives[design[name]].flow_range_m3_s
        assert least <= flow <= most


def test_tightening_below_the_least_cost_leaves_little_and_the_relaxation_nothing() -> None:
    sizing = looped_network(2)
    cutoff = cheapest_of_all(sizing)[0] - 1
    wide = flow_problem(sizing)

    narrowed = tighten(wide, {}, cutoff_cents=cutoff)
    if narrowed is not None:
        assert width(narrowed) < 0.2 * width(wide)


def width(problem: FlowProblem | None) -> float:
    assert problem is not None
    return sum(run.flow_range_m3_s[1] - run.flow_range_m3_s[0] for run in problem.runs.values())


@pytest.mark.parametrize("seed", SEEDS)
def test_the_duality_row_narrows_the_flows_further(seed: int) -> None:
    sizing = looped_network(seed)
    problem, cutoff = flow_problem(sizing), cheapest_of_all(sizing)[0]

    with_row = tighten(problem, {}, cutoff_cents=cutoff, rounds=2, picks=False, duality=True)
    without = tighten(problem, {}, cutoff_cents=cutoff, rounds=2, picks=False, duality=False)
    assert width(with_row) < 0.99 * width(without)


def test_narrower_bins_never_lower_the_bound() -> None:
    problem = flow_problem(looped_network(5))
    bounds = []
    for pieces in (2, 8):
        edges = {name: np.linspace(*run.flow_range_m3_s, pieces + 1).tolist() for name, run in problem.runs.items()}
        bounds.append(relaxed(problem, edges, duality=False).bound_cents or 0)
    assert bounds[0] <= bounds[1]


@pytest.mark.long
@pytest.mark.parametrize("solver", FLOW_SOLVERS)
def test_every_offered_solver_gives_the_same_proof(solver: str) -> None:
    sizing = looped_network(4)

    assert size_network(sizing, solver=solver).cents == cheapest_of_all(sizing)[0]


@pytest.mark.long
def test_heads_out_of_reach_are_proved_to_be_so() -> None:
    sizing = looped_network(0)
    high = {
        name: point if point.fixed_head_m else SizingPoint(name, None, point.demand_m3_s, 29.99)
        for name, point in sizing.points.items()
    }

    plan = size_network(NetworkSizing(high, sizing.pipes, sizing.law))
    assert plan.outcome is Outcome.INFEASIBLE
    assert plan.cents is None
    assert plan.gap == 1.0
