"""Tanks that stand level with each other: one has the drains, the other one's water runs there, by hand.

What the pipe between them carries is told by the formulas of the tests' own simulation (Haaland's friction, other
losses of bulkheads), hence the tolerances of some percent.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from falling_systems import DOWN, EDGE_M, RETURN, SUMP, litres, lost, same, tank, written
from falling_water import carried_m3_s, let_fall
from scipy.optimize import brentq

from optimizer.hydraulics import solve_network
from optimizer.hydraulics.weirs import weir_flow_m3_s, weir_head_m
from optimizer.model.checks import Check
from optimizer.model.circuits import fed_surfaces, inflow_coefficients
from optimizer.model.safety import SafetyCheck, Verdict
from optimizer.model.system import System
from optimizer.verify.allowance import allowance_of
from optimizer.verify.balance import balances
from optimizer.verify.safety import safety_today

HEIGHTS = {"sump": 0, "display": 1.2, "twin": 1.2}


def joined(tmp_path: Path, size: str, drain: str = "twin", rim_mm: int = 40, to: str = "sump") -> System:
    runs = {"line": RETURN, "bridge": ("display", "twin", f"bulkhead, pipe 1 m size {size}")}
    facts = {
        "display": tank(0.5, ", return outlet depth: 20 mm", rim_mm),
        "twin": tank(0.3),
        "sump": SUMP,
    }
    if to != "sump":  # a tank in between, which runs on into the sump
        return written(tmp_path, {**HEIGHTS, to: 0.5}, runs, {**facts, to: "area: 0.1 m2"}, {drain: to, to: "sump"})
    return written(tmp_path, HEIGHTS, runs, facts, {drain: to})


def rows(system: System) -> dict[Check, SafetyCheck]:
    return {row.check: row for row in safety_today(system).checks}


def bridge_m(system: System, flow_m3_s: float) -> float:
    run = system.network.runs["bridge"]
    return float(brentq(lambda head_m: carried_m3_s(run, head_m) - flow_m3_s, 0.0, 50.0))


def test_the_drain_of_a_tank_that_stands_level_takes_the_water_of_the_one_that_is_fed(tmp_path: Path) -> None:
    told, own = rows(joined(tmp_path, "3 in")), rows(joined(tmp_path, "3 in", drain="display"))

    assert told[Check.MAIN_DRAIN].verdict is Verdict.SAFE
    assert own[Check.MAIN_DRAIN].limit is not None
    assert told[Check.MAIN_DRAIN].limit is not None
    # with 40 mm to the rim less comes through the pipe between than the drain takes
    assert told[Check.MAIN_DRAIN].limit < own[Check.MAIN_DRAIN].limit


@pytest.mark.parametrize("size", ["3/4 in", "1-1/2 in"])
def test_a_pipe_between_the_tanks_that_is_too_small_is_what_limits_the_flow(size: str, tmp_path: Path) -> None:
    system = joined(tmp_path, size)
    run, flow = system.network.runs["bridge"], solve_network(system.network).flows_m3_s["line"]
    head_m = brentq(lambda h: h + weir_head_m(EDGE_M, carried_m3_s(run, h)) - 0.040, 0.0, 0.040)
    by_hand = carried_m3_s(run, float(head_m))

    found = rows(system)

    assert found[Check.MAIN_DRAIN].limit == pytest.approx(by_hand, rel=0.12)
    assert found[Check.FREEBOARD].after == pytest.approx(weir_head_m(EDGE_M, flow) + bridge_m(system, flow), rel=0.2)
    assert (found[Check.FREEBOARD].verdict is Verdict.UNSAFE) == (flow > by_hand)
    assert (found[Check.MAIN_DRAIN].verdict is Verdict.UNSAFE) == (flow > by_hand)
    # the search is held to the same
    most = allowance_of(system, today_counts=False).most_m3_s["display"]
    assert most == pytest.approx(min(found[Check.MAIN_DRAIN].limit or 0.0, weir_flow_m3_s(EDGE_M, 0.040)), rel=1e-3)


@pytest.mark.long
def test_what_stands_higher_for_the_pipe_between_runs_back_as_well(tmp_path: Path) -> None:
    system = joined(tmp_path, "2 in")
    over_m = weir_head_m(EDGE_M, solve_network(system.network).flows_m3_s["line"])
    rises = {"display": rows(system)[Check.FREEBOARD].after or 0.0, "twin": over_m}
    mouths = {("line", "display"): 0.020, ("bridge", "display"): 0.3, ("bridge", "twin"): 0.3}

    assert litres(system) == same(lost(let_fall(system, rises, mouths, {**DOWN, "twin": "sump"})))
    assert rises["display"] > over_m + 0.010


def test_what_the_drain_of_a_level_tank_brings_counts_in_the_tank_it_ends_in(tmp_path: Path) -> None:
    system = joined(tmp_path, "3 in", to="low")
    line = solve_network(system.network).flows_m3_s

    assert fed_surfaces(system.network) == ("display", "low")
    assert inflow_coefficients(system.network, "low") == {"line": 1.0, "bridge": -1.0}
    told = {each.tank: (each.comes_m3_s, each.to) for each in balances(system, system.network, line)}
    assert told["display"] == (pytest.approx(line["line"]), "low")
    assert told["low"][0] == pytest.approx(line["line"])


def test_where_no_rim_is_stated_nothing_is_told_of_drains_elsewhere(tmp_path: Path) -> None:
    runs = {"line": RETURN, "bridge": ("display", "twin", "bulkhead, pipe 1 m size 3 in")}
    facts = {"display": "area: 0.5 m2, overflow edge: 0.6 m", "twin": tank(0.3), "sump": SUMP}
    found = rows(written(tmp_path, HEIGHTS, runs, facts, {"twin": "sump"}))

    assert found[Check.MAIN_DRAIN].verdict is Verdict.UNCHECKED
