"""In how many cases a plan works: against closed forms, against the network solved draw by draw, against readings."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.choices.demands import flows_if_known
from optimizer.choices.scaled import scaled
from optimizer.hydraulics import compile_network, solve_flows
from optimizer.hydraulics.chance import least_share
from optimizer.hydraulics.draws import ensemble_flows_m3_s
from optimizer.hydraulics.posterior import draws_after
from optimizer.hydraulics.uncertainty import uncertainty
from optimizer.model.calibration import Measurement
from optimizer.model.plan import Plan, RunPlan, Status, planned_networks
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.verify.allowance import flow_limits_m3_s
from optimizer.verify.chance import Cases, TooLongError, chance_of, trimmed_works, works_known
from optimizer.verify.check import verify_plan

EXAMPLES = Path(__file__).parents[2] / "examples"


def example(name: str, scale: float) -> System:
    return scaled(load_system(EXAMPLES / f"{name}.yaml", load_catalog()), scale)


def as_it_is(system: System) -> Plan:
    runs = {name: RunPlan(name, run.parts, (), (), (), ()) for name, run in system.network.runs.items()}
    speeds = {name: max(pump.speed, *pump.speeds, 0.0) for name, pump in system.network.pumps.items()}
    return Plan(Status.FEASIBLE, 0, 0, "USD", runs, {}, speeds)


LARGER = (("cellar-sump", 0.78), ("metric-unions", 0.93))


@pytest.mark.parametrize(
    ("name", "scale"), [("single-return", 0.82), *(pytest.param(*one, marks=pytest.mark.slow) for one in LARGER)]
)
def test_head_enough_at_the_targets_is_what_trimming_by_the_network_comes_to(name: str, scale: float) -> None:
    # Two ways that share the draws alone: sums of losses along every way at the targets, and valves sought in each
    # draw until the solved network meets every row.
    system = example(name, scale)
    plan = as_it_is(system)
    known = flows_if_known(system)
    assert known is not None
    cases = Cases.of(system, 60)
    added_up = works_known(cases, known, system.network)
    trimmed = trimmed_works(system, cases.draws, planned_networks(system, plan), verify_plan(system, plan).valves)
    assert 0.15 < added_up.mean() < 0.95
    assert int((added_up != trimmed).sum()) <= 1  # one on the edge


def test_without_a_valve_to_trim_a_line_works_where_its_flow_is_enough() -> None:
    system = example("single-return", 0.82)
    plan = as_it_is(system)
    chance = chance_of(system, plan, verify_plan(system, plan))
    compiled = compile_network(system.network)
    flows = ensemble_flows_m3_s(compiled, draws_after((), system.network, chance.draws, 20), solve_flows(compiled))
    assert chance.as_set == pytest.approx(float((flows[:, 0] >= system.targets[0].low_m3_s).mean()), abs=0.002)


def test_a_target_that_just_is_reached_works_in_half_of_all_cases_and_a_lower_one_in_more() -> None:
    shares = []
    for scale in (0.82, 0.74, 0.62):
        system = example("single-return", scale)
        plan = as_it_is(system)
        chance = chance_of(system, plan, verify_plan(system, plan))
        assert chance.trimmed is not None
        shares.append(chance.trimmed)
    assert shares == sorted(shares)
    assert 0.4 < shares[0] < 0.6
    assert shares[-1] > 0.9


def test_readings_narrow_the_draws_as_they_narrow_the_flows() -> None:
    # The same update, once of the flows and once of what is drawn: the spreads of the flow agree to linear order.
    network = load_system(EXAMPLES / "single-return.yaml", load_catalog()).network
    compiled = compile_network(network)
    value = solve_flows(compiled)
    measured = [Measurement("return line", 0.97 * float(value[0]), accuracy=0.03)]
    narrow = ensemble_flows_m3_s(compiled, draws_after(measured, network, 256, 20), value)[:, 0]
    wide = ensemble_flows_m3_s(compiled, draws_after((), network, 256, 20), value)[:, 0]
    updated = uncertainty(network, measured=measured).flows_m3_s[:, 0]
    assert np.std(narrow) < 0.9 * np.std(wide)
    assert np.std(narrow) == pytest.approx(np.std(updated), rel=0.15)


@pytest.mark.parametrize(("works", "draws"), [(20, 20), (300, 300)])
def test_the_lower_limit_of_all_that_work_is_the_root_of_a_twentieth(works: int, draws: int) -> None:
    # By hand: all n of n work with chance p^n, which is 0.05 at p = 0.05^(1/n).
    assert least_share(works, draws) == pytest.approx(0.05 ** (1 / draws), rel=1e-9)


def test_the_lower_limit_of_a_share_is_where_as_many_would_be_luck() -> None:
    # By hand, for 18 of 20: the binomial tail P(X >= 18) at the limit is 0.05.
    p = least_share(18, 20)
    tail = sum(math.comb(20, k) * p**k * (1 - p) ** (20 - k) for k in (18, 19, 20))
    assert tail == pytest.approx(0.05, rel=1e-6)
    assert least_share(0, 20) == 0.0


def test_where_nothing_can_be_trimmed_a_case_that_floods_is_none_that_works(tmp_path: Path) -> None:
    # No valve and one speed: what flows in a draw flows, and works where the drain takes it with the other one blocked.
    path = tmp_path / "line.yaml"
    path.write_text(
        """
system: line without a valve
units: US
surfaces: {sump: 0, display: 4 ft}
pumps: {lift: {curve: [0 gph at 10 ft, 600 gph at 8 ft, 1000 gph at 5 ft, 1400 gph at 0 ft], ports: 3/4 in NPT male}}
runs:
  line: {from: sump, to: display, size: 3/4 in sch 40 PVC, parts: [pump lift, adapter NPT female x socket, pipe 4 ft, elbow, pipe 2 ft]}
tanks: {display: {length: 36 in, width: 18 in}}
drains:
  main: {from: display, mode: full siphon, size: 2 in sch 40 PVC, fall: 3 ft, parts: [bulkhead, pipe 3 ft]}
  spare: {from: display, mode: emergency, size: 1-1/2 in sch 40 PVC, fall: 3 ft, head over lip: 1.9 in, parts: [pipe 3 ft]}
targets: {line: 200 to 2000 gph}
"""  # noqa: E501
    )
    system = load_system(path, load_catalog())
    assert flows_if_known(system) is None
    plan = as_it_is(system)
    chance = chance_of(system, plan, verify_plan(system, plan))
    compiled = compile_network(system.network)
    flows = ensemble_flows_m3_s(compiled, draws_after((), system.network, chance.draws, 20), solve_flows(compiled))
    taken = float((flows[:, 0] <= flow_limits_m3_s(system, system.network)["display"]).mean())

    assert chance.as_set == 1.0
    assert 0.2 < taken < 0.8
    assert chance.trimmed == pytest.approx(taken, abs=0.01)


def test_valves_left_as_set_never_do_better_than_valves_trimmed() -> None:
    system = example("cellar-sump", 0.6)
    plan = as_it_is(system)
    chance = chance_of(replace(system), plan, verify_plan(system, plan))
    assert chance.trimmed is not None
    assert chance.as_set is not None
    assert chance.as_set <= chance.trimmed


def test_trimming_that_takes_too_long_ends_and_is_not_told() -> None:
    system = example("cellar-sump", 0.78)
    plan = as_it_is(system)
    valves = verify_plan(system, plan).valves
    with pytest.raises(TooLongError):
        trimmed_works(system, Cases.of(system, 30).draws, planned_networks(system, plan), valves, seconds=0.0)
