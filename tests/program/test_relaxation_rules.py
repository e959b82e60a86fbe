"""What a flow problem can say: valves, checks, pumps, windows, splits, tees, packs, budgets. Invented, by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import pytest
from sizing.curves import PowerCurve
from sizing.duality import relaxed

from optimizer.errors import PlanError
from optimizer.hydraulics.pumps import PumpCurve
from optimizer.program.flow_problem import (
    RUN,
    SETTING,
    TEE,
    ChoiceRow,
    Envelope,
    FlowAlternative,
    FlowNode,
    FlowProblem,
    FlowRow,
    FlowRun,
    FlowTee,
    FlowTeeAlternative,
    Line,
    Range,
    RunEndKey,
    chosen_cents,
    no_good,
)
from optimizer.program.problem import Outcome
from optimizer.search.run_curves import PumpGain


def square(coefficient: float, cents: int, packs: int = 0, start: int = 0, end: int = 0) -> FlowAlternative:
    return FlowAlternative(cents, PowerCurve(coefficient, 2.0), start=start, end=end, packs=packs)


def line(alternatives: tuple[FlowAlternative, ...], flow: Range, **more: object) -> FlowProblem:
    """Water from a surface at 10 m to one at 0 m: h = c q² leaves q = sqrt(10 / c)."""
    run = FlowRun("line", "high", "low", alternatives, flow)
    nodes = {"high": FlowNode("high", head_m=10.0), "low": FlowNode("low", head_m=0.0)}
    return FlowProblem(nodes, {"line": replace(run, **more)})  # type: ignore[arg-type]


THREE = (square(100.0, 0), square(40.0, 300), square(10.0, 900))  # flows 0.316, 0.5, 1.0 m³/s


def test_without_a_valve_a_window_calls_for_the_part_that_gives_just_that_flow() -> None:
    edges = {"line": [0.45, 0.48, 0.52, 0.55]}

    assert relaxed(line(THREE, (0.45, 0.55)), edges).runs == {"line": 1}
    assert relaxed(line(THREE, (0.6, 0.9)), {"line": [0.7, 0.8]}).outcome is Outcome.INFEASIBLE


def test_with_a_valve_a_wider_part_serves_the_window_as_well() -> None:
    selection = relaxed(line(tuple(map(with_valve, THREE)), (0.6, 0.9)), {"line": [0.7, 0.8]})

    assert selection.runs == {"line": 2}
    assert selection.cents == selection.bound_cents == 900


def test_a_check_valve_holds_back_what_would_run_backwards() -> None:
    uphill = line(THREE, (-2.0, 2.0))
    swapped = replace(uphill, runs={"line": replace(uphill.runs["line"], start="low", end="high")})
    checked = replace(swapped, runs={"line": replace(swapped.runs["line"], one_way=True)})

    assert relaxed(swapped, {}).flows_m3_s["line"] < -0.1
    assert relaxed(checked, {}).flows_m3_s["line"] == pytest.approx(0.0, abs=1e-6)


def test_the_slowest_pump_setting_that_lifts_enough_is_chosen() -> None:
    def pump(head_m: float, cents: int) -> FlowAlternative:
        return FlowAlternative(cents, PumpGain(((PumpCurve(0.0, 4.0, head_m, head_m - 16.0, 1.0, None), 1.0),)))

    settings = (pump(4.0, 10), pump(12.0, 20), pump(30.0, 50))
    nodes = {"low": FlowNode("low", head_m=0.0), "high": FlowNode("high", head_m=10.0)}
    run = FlowRun("riser", "low", "high", (square(1.0, 0),), (0.9, 4.0), settings=settings)

    # at 0.9 m³/s: 12 - 0.81 - 0.81 > 10; the flow that closes the heads is 1.0
    selection = relaxed(FlowProblem(nodes, {"riser": run}), {"riser": [0.95, 1.05, 2.0]})
    assert selection.settings == {"riser": 1}
    assert selection.cents == 20
    assert selection.flows_m3_s["riser"] == pytest.approx(1.0, abs=0.03)


def fork(**more: object) -> FlowProblem:
    """From 10 m through a riser to a tee, and from there by two branches to 0 m."""
    nodes = {
        "high": FlowNode("high", head_m=10.0),
        "tee": FlowNode("tee"),
        "a": FlowNode("a", head_m=0.0),
        "b": FlowNode("b", head_m=0.0),
    }
    runs = {
        "riser": FlowRun("riser", "high", "tee", (square(4.0, 0),), (0.0, 2.0)),
        "left": FlowRun("left", "tee", "a", THREE, (0.0, 2.0)),
        "right": FlowRun("right", "tee", "b", THREE, (0.0, 2.0)),
    }
    return FlowProblem(nodes, runs, **more)  # type: ignore[arg-type]


def narrow(problem: FlowProblem) -> dict[str, list[float]]:
    return {name: [0.1 * i for i in range(1, 20)] for name in problem.runs}


def test_a_split_is_a_row_over_flows() -> None:
    # the left branch gets at least twice what the right one gets: sqrt(c_right / c_left) >= 2
    problem = fork(flow_rows=(FlowRow("split", {"left": 1.0, "right": -2.0}, low_m3_s=0.0),))

    selection = relaxed(problem, narrow(problem))
    assert selection.runs == {"riser": 0, "left": 2, "right": 0} or selection.runs["left"] == 2
    assert selection.cents == 900


def test_a_sum_of_flows_can_be_asked_for() -> None:
    # both at c = 40 are one of c = 10: 10 = (4 + 10) q², q = 0.845; one at 40 and one at 100 give 0.72
    problem = fork(flow_rows=(FlowRow("sum", {"left": 1.0, "right": 1.0}, low_m3_s=0.8),))

    assert relaxed(problem, narrow(problem)).cents == 600


def test_what_is_forbidden_together_is_not_chosen_together() -> None:
    problem = fork(flow_rows=(FlowRow("sum", {"left": 1.0, "right": 1.0}, low_m3_s=0.8),))
    first = relaxed(problem, narrow(problem))

    other = replace(problem, choice_rows=(no_good(first.picks()),))
    second = relaxed(other, narrow(other))
    assert second.picks() != first.picks()
    assert second.cents == 900  # c = 10 beside c = 100


def test_rules_over_choices_and_the_cutoff_bind() -> None:
    sum_row = (FlowRow("sum", {"left": 1.0, "right": 1.0}, low_m3_s=0.8),)
    one_change = ChoiceRow("one change", {(RUN, run, k): 1.0 for run in ("left", "right") for k in (1, 2)}, high=1.0)
    problem = fork(flow_rows=sum_row, choice_rows=(one_change,))

    assert relaxed(problem, narrow(problem)).cents == 900
    assert relaxed(problem, narrow(problem), cutoff_cents=899).outcome is Outcome.INFEASIBLE


def test_the_first_can_of_cement_serves_all_runs() -> None:
    problem = fork(flow_rows=(FlowRow("sum", {"left": 1.0, "right": 1.0}, low_m3_s=0.8),), packs=(500,))
    glued = tuple(square(a.curve.loss_m(1.0), a.cents, packs=int(a.cents > 0)) for a in THREE)
    runs = {name: run if name == "riser" else replace(run, alternatives=glued) for name, run in problem.runs.items()}
    problem = replace(problem, runs=runs)

    selection = relaxed(problem, narrow(problem))
    assert selection.cents == 600 + 500
    assert chosen_cents(problem, selection.picks()) == 1100


@dataclass(frozen=True)
class Neck:
    """A tee that takes a fixed head from one branch."""

    head_m: float

    def envelope(self, end: RunEndKey, own: Range, others: Mapping[RunEndKey, Range]) -> Envelope:
        lost = Line(0.0, self.head_m if end == ("left", True) else 0.0)
        return Envelope((lost,), (lost,))


def test_a_tee_adds_its_loss_to_the_runs_that_meet_in_it_and_agrees_with_their_ends() -> None:
    ends = (("riser", False), ("left", True), ("right", True))
    cheap = FlowTeeAlternative(0, dict.fromkeys(ends, 0), Neck(8.0))
    good = FlowTeeAlternative(250, dict.fromkeys(ends, 0), Neck(0.0))
    other_size = FlowTeeAlternative(10, dict.fromkeys(ends, 1), Neck(0.0))  # no run ends like that
    tee = FlowTee("tee", (cheap, good, other_size))
    wanted = FlowRow("left", {"left": 1.0}, low_m3_s=0.25)
    problem = fork(tees={"tee": tee}, flow_rows=(wanted,))

    # left at c = 100 needs 6.25 m beyond the tee, which 8 m in the neck do not leave; c = 10 needs 0.63 m, but at 900
    selection = relaxed(problem, narrow(problem))
    assert selection.tees == {"tee": 1}
    assert selection.cents == 250
    assert (TEE, "tee", 1) in selection.picks()


def test_the_same_plumbing_can_serve_two_settings() -> None:
    once = line(THREE, (0.45, 2.0))
    nodes = {**once.nodes, "mid": FlowNode("mid", head_m=2.5)}
    again = FlowRun("turned down", "mid", "low", THREE, (0.3, 2.0), same_as="line")
    problem = FlowProblem(nodes, {**once.runs, "turned down": again})

    # c = 40 gives 0.5 m³/s from 10 m but only 0.25 from 2.5 m; c = 10 gives 1.0 and 0.5
    bins = {name: [0.05 * i for i in range(5, 40)] for name in problem.runs}
    selection = relaxed(problem, bins)
    assert selection.runs == {"line": 2, "turned down": 2}
    assert selection.cents == 900
    assert (SETTING, "line", 0) not in selection.picks()


def test_a_problem_that_contradicts_itself_is_refused_in_words() -> None:
    with pytest.raises(PlanError, match="'nowhere', which is no point"):
        FlowProblem({}, {"r": FlowRun("r", "nowhere", "x", THREE, (0.0, 1.0))})
    with pytest.raises(PlanError, match="finite bounds"):
        FlowRun("r", "a", "b", THREE, (0.0, float("inf")))
    with pytest.raises(PlanError, match="fixed head"):
        FlowNode("n", head_m=1.0, demand_m3_s=0.1)


def with_valve(alternative: FlowAlternative) -> FlowAlternative:
    return replace(alternative, throttled=True)


def test_a_valve_in_one_alternative_holds_its_flow_under_what_the_head_would_give() -> None:
    # open, c = 10 gives 1.0 m³/s; only the alternative with a valve can be held to less
    group = (square(10.0, 0), with_valve(square(10.0, 200)))

    selection = relaxed(line(group, (0.6, 0.9)), {"line": [0.7, 0.8]})
    assert selection.runs == {"line": 1}


def two_settings(low: Range, high: Range) -> FlowProblem:
    """The same line with a valve between 10 m and 0 m, and between 2.5 m and 0 m: any k gives flows of 2 to 1."""
    once = line((with_valve(square(10.0, 0)),), high)
    nodes = {**once.nodes, "mid": FlowNode("mid", head_m=2.5)}
    again = FlowRun("turned down", "mid", "low", once.runs["line"].alternatives, low, same_as="line")
    return FlowProblem(nodes, {**once.runs, "turned down": again})


@pytest.mark.parametrize(
    ("low", "high", "outcome"),
    [
        ((0.24, 0.26), (0.48, 0.52), Outcome.OPTIMAL),  # k = 30 with c = 10: 0.25 and 0.5
        ((0.30, 0.32), (0.48, 0.52), Outcome.INFEASIBLE),  # each by itself with a k of its own, both with none
    ],
)
def test_a_valve_stands_alike_in_every_setting(low: Range, high: Range, outcome: Outcome) -> None:
    assert relaxed(two_settings(low, high), {}).outcome is outcome
    alone = [line((with_valve(square(10.0, 0)),), high), two_settings(low, (0.01, 2.0))]
    assert all(relaxed(problem, {}).outcome is Outcome.OPTIMAL for problem in alone)
