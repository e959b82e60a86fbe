"""Where no plan meets the targets and the flows are not known: how far one gets, and what would make it possible."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from said import said
from small_trees import full_catalog, random_tree
from unknown_systems import branches, catalog, cheapest_of_all, line

from optimizer.choices.scaled import scaled
from optimizer.choices.velocity import velocity_rule
from optimizer.hydraulics import Variation, compile_network, conditions_of, solve_flows, solve_network
from optimizer.model.plan import Plan, Status, planned_networks
from optimizer.model.system import Setting, System, Target
from optimizer.pipeline import search
from optimizer.search.engine import solve
from optimizer.search.flow_search import TIME_CAME
from optimizer.search.question import Answer, Question
from optimizer.search.studies.how_far import STEP, best_reach
from optimizer.search.studies.ways_out import with_ways_out
from optimizer.search.unknown_pumps import find_any
from optimizer.search.watch import Watch
from optimizer.verify.openings import all_open, velocity_wants
from optimizer.verify.reach import best_speeds, present_networks, reach_of


def one_size(system: System) -> System:
    return replace(system, rules=replace(system.rules, sizes=("3/4 in",), resize=False))


@cache
def greedy() -> System:
    return one_size(branches("  left: 900 to 950 L/h\n  right: at least 2600 L/h"))


@cache
def told() -> Plan:
    return search(greedy(), catalog())


def test_without_a_valve_the_reach_is_the_flow_that_the_network_gives_over_the_target() -> None:
    system = line("  line: at least 2000 L/h")
    flows = solve_network(system.network).flows_m3_s

    reach = reach_of(system, present_networks(system))

    assert reach.scale == pytest.approx(3.6e6 * flows["line"] / 2000, rel=1e-6)


def test_more_than_an_upper_end_reaches_nothing_and_less_than_a_window_its_share() -> None:
    much, little = line("  line: 1000 to 1100 L/h"), line("  line: 2000 to 2100 L/h")
    flow = 3.6e6 * solve_network(much.network).flows_m3_s["line"]

    assert reach_of(much, present_networks(much)).scale == 0.0
    assert reach_of(little, present_networks(little)).scale == pytest.approx(flow / 2000, rel=1e-6)


def test_what_is_in_its_window_reaches_all_of_it_and_no_more() -> None:
    system = line("  line: 1600 to 1800 L/h")

    assert reach_of(system, present_networks(system)).scale == 1.0


@pytest.mark.long
def test_with_a_valve_the_reach_holds_and_a_little_more_does_not() -> None:
    system = branches("  left: at least 1000 L/h\n  right: at least 1000 L/h")
    plan = find_any(system, catalog()).plan
    networks = planned_networks(system, plan)

    reach = best_speeds(system, networks)
    again = [reach_of(scaled(system, reach.scale * factor), networks).scale for factor in (1.0, 1.01)]

    assert min(reach.flows_m3_s[""][run] for run in ("left", "right")) * 3.6e6 >= 999.9 * reach.scale
    assert again[0] >= 0.999
    assert again[1] < 1.0


@pytest.mark.long
def test_with_one_valve_no_position_of_it_reaches_more() -> None:
    system = branches("  left: at least 1000 L/h\n  right: at least 1000 L/h")
    networks = planned_networks(system, find_any(system, catalog()).plan)
    conditions = conditions_of(networks[0])
    compiled = compile_network(all_open(networks[0]), conditions)
    left, right = (compiled.run_index[name] for name in ("left", "right"))
    best = 0.0
    for added in np.geomspace(1e5, 1e9, 300):  # s²/m⁵: from nothing to nearly shut
        by_run = np.zeros(len(compiled.run_names))
        by_run[left] = added
        flows = solve_flows(compiled, Variation(added_square_s2_m5=by_run))
        best = max(best, 3.6e6 * min(flows[left], flows[right]) / 1000)

    assert reach_of(system, networks).scale == pytest.approx(best, rel=0.004)  # steps of 3 % in the loss, 1.5 % in flow


def test_every_setting_counts_for_the_reach() -> None:
    flow = solve_network(line("  line: any").network).flows_m3_s["line"]
    day = Setting("day", {"return": 0.8}, (Target("line", flow),))
    night = Setting("night", {"return": 0.8}, (Target("line", 4 * flow),))
    both = replace(line("  line: any"), targets=(), settings=(day, night))

    assert reach_of(both, present_networks(both)).scale == pytest.approx(0.25, rel=1e-4)


@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (3, 5))])
def test_where_the_velocity_limit_ends_the_reach_every_branch_carries_its_least_and_no_more(seed: int) -> None:
    """Valves may then stand in many ways; the flows that are told are those of the least water."""
    system = random_tree(seed, full_catalog(), branches=3)
    system = replace(
        system, carried_m3_s={"": {}}, targets=tuple(replace(t, low_m3_s=0.5 * t.low_m3_s) for t in system.targets)
    )
    free = reach_of(system, present_networks(system), velocity_counts=False)
    bore_m = min(bore for part in system.network.runs["riser"].parts for bore in part.end_bores_m)
    limit_m_s = 0.9 * free.flows_m3_s[""]["riser"] / (math.pi / 4 * bore_m**2)
    slow = replace(system, rules=replace(system.rules, velocity_limit_m_s=limit_m_s))
    limits = velocity_wants(slow.network, velocity_rule(slow), "")
    (pump,) = slow.network.pumps.values()
    hair = replace(pump, curve=tuple((flow, head_m * (1 + 1e-9)) for flow, head_m in pump.curve))
    told = [reach_of(slow, [replace(slow.network, pumps={pump.name: one})]) for one in (pump, hair)]

    for reach in told:
        at = scaled(slow, reach.scale)
        fullest = max(want.amount_m3_s(reach.flows_m3_s[""]) / want.high_m3_s for want in limits)
        assert fullest == pytest.approx(1.0, rel=1e-4)
        assert reach.flows_m3_s[""] == pytest.approx(
            {**reach.flows_m3_s[""], **{target.run: target.low_m3_s for target in at.targets}}, rel=1e-4
        )


@pytest.mark.long
@pytest.mark.parametrize("targets", ["  line: at least 3600 L/h", "  line: 3500 to 3600 L/h"])
def test_the_best_that_is_reached_is_that_of_all_combinations(targets: str) -> None:
    system = one_size(line(targets))

    found = best_reach(system, catalog(), Watch.of(60.0), 0.0, 1.0, proved=True)

    assert found.beyond <= found.scale * (1 + 2 * STEP)
    assert math.isfinite(cheapest_of_all(scaled(system, 0.999 * found.scale), catalog()))
    assert math.isinf(cheapest_of_all(scaled(system, found.beyond), catalog()))


@pytest.mark.slow
def test_a_no_says_how_far_one_gets_and_what_would_free_it() -> None:
    reasons = said(told().reasons)

    assert told().status is Status.INFEASIBLE
    assert any("69 % of the minimum flows, maximum flows and splits as they are" in reason for reason in reasons)
    assert any("run 'riser' takes the most of it" in reason for reason in reasons)


@pytest.mark.long
def test_each_way_out_that_is_told_is_one() -> None:
    freed = [reason for reason in said(told().reasons) if reason.startswith("what would make it possible: ")]
    pump = replace(greedy(), rules=replace(greedy().rules, other_pumps=True))
    alone = replace(greedy(), targets=greedy().targets[:1])

    for words, relaxed in (("a pump of the catalogs", pump), ("no target for 'right'", alone)):
        (reason,) = (reason for reason in freed if words in reason)
        plan = find_any(relaxed, catalog()).plan
        assert reason.endswith(f"the parts would then cost ${(plan.cost_cents or 0) / 100:.2f}")
    assert len(freed) == 2


@pytest.mark.long
def test_a_faster_pump_in_a_mode_is_a_way_out() -> None:
    plumbing = line("  line: 2500 to 3300 L/h")
    pumps = {name: replace(pump, speeds=(0.5, 1.0)) for name, pump in plumbing.network.pumps.items()}
    (name,) = pumps
    modes = (Setting("day", {name: 0.5}, plumbing.targets), Setting("feeding", {name: 0.0}, ()))
    asked = replace(plumbing, network=replace(plumbing.network, pumps=pumps), settings=modes, targets=())

    answer = solve(Question(asked, catalog(), Watch.of(60.0)))
    reasons = said(with_ways_out(asked, catalog(), answer, Watch.of(60.0), lambda plan: plan.cost_cents or 0).reasons)

    assert answer.proved_none
    assert any(f"possible: pump '{name}' at 100 % in the mode 'day'; the parts would then" in each for each in reasons)
    assert not any("without the mode" in each for each in reasons)


def test_without_time_a_no_still_says_what_was_not_looked_for() -> None:
    found = find_any(greedy(), catalog()).plan
    none = Answer(found)

    reasons = said(with_ways_out(greedy(), catalog(), none, Watch.of(0.0), lambda plan: plan.cost_cents or 0).reasons)

    assert reasons[0] == said(found.reasons)[0]
    assert "the time limit came: faster water than the `velocity limit for new pipe`" in reasons[-1]


def test_what_ended_without_an_answer_says_how_far_a_plan_gets() -> None:
    none = Answer(Plan(Status.NO_PLAN_FOUND, None, None, "USD", {}, {}, {}, reasons=(TIME_CAME,)), 0)
    easy = line("  line: 2000 to 2600 L/h")

    reasons = said(with_ways_out(easy, catalog(), none, Watch.of(60.0), lambda plan: 0).reasons)
    without_time = said(with_ways_out(greedy(), catalog(), none, Watch.of(0.0), lambda plan: 0).reasons)

    assert reasons[0] == "the time limit came"
    assert re.search(r"reaches (99|100) % of the minimum flows, maximum flows and splits as they are", reasons[1])
    assert "nor was one found in the time for any smaller share" in without_time[1]


def two_modes(night: float) -> System:
    """Return two branches in two modes; at night the pump has this share of its full speed."""
    system = one_size(branches("  left: at least 400 L/h\n  right: at least 300 L/h"))
    pump = system.network.pumps["return"]
    network = replace(system.network, pumps={"return": replace(pump, speed=1.0, speeds=(1.0,))})
    modes = tuple(Setting(name, {"return": share}, system.targets) for name, share in (("day", 1.0), ("night", night)))
    return replace(system, network=network, settings=modes)


@pytest.mark.long
def test_the_mode_in_which_the_head_is_too_little_is_named_and_so_is_the_speed_that_mends_it() -> None:
    system = two_modes(0.5)  # of 3.5 m that leaves 0.25 × 3.5 = 0.9 m, and the tanks stand 1.2 and 1.4 m up
    assert search(two_modes(1.0), catalog()).found

    reasons = said(search(system, catalog(), time_limit_s=60.0).reasons)

    assert any(reason.endswith("too little head at the minimum flows in mode 'night'") for reason in reasons)
    way = next(reason for reason in reasons if "100 % in the mode 'night'" in reason)
    assert way.startswith("what would make it possible: ")
