"""What comes into a tank goes out of it: a gravity line carries what its head gives, no more than its tank is fed."""

from __future__ import annotations

from dataclasses import replace

import networks
import numpy as np
import pytest
from networks import PORTS, outlet, pipe, pump_part, run, surface, tee_point
from said import said

from optimizer.choices.wants import Want, at_full_flows
from optimizer.hydraulics import compile_network, loss_table, solve_flows, solve_network
from optimizer.hydraulics.steady import other_states
from optimizer.hydraulics.tank_balance import tank_balance
from optimizer.hydraulics.uncertainty import uncertainty
from optimizer.model.circuits import (
    fed_surfaces,
    gravity_lines,
    inflow_coefficients,
    mouths_of,
    ring_runs,
    sumps,
)
from optimizer.model.network import Network, Point, Pump, Run
from optimizer.verify.chance import rows_met

BORE, WIDE = 0.0202, 0.0408
CURVE = ((0.0, 4.0), (3e-4, 3.0), (6e-4, 0.0))


def network(points: list[Point], runs: list[Run]) -> Network:
    return replace(networks.network(points, runs), tanks_balance=True)


def pump_run(name: str, start: str, end: str, pump: str, length_m: float = 2.0) -> Run:
    return run(name, start, end, replace(pump_part(), name=pump), pipe(length_m, BORE))


def upper(*more: Run, line_bore_m: float = WIDE) -> Network:
    """Return a sump, a refugium that a pump fills, and a line from it down into the display."""
    points = [surface("sump", 0.0), surface("display", 1.0), surface("refugium", 1.8)]
    runs = [
        pump_run("fill", "sump", "refugium", "fuge"),
        run("gravity line", "refugium", "display", pipe(1.0, line_bore_m)),
        *more,
    ]
    names = dict.fromkeys(part.name for each in runs for part in each.parts if part.name)
    return replace(network(points, runs), pumps={name: Pump(name, CURVE, 1.0, PORTS) for name in names})


def test_a_wide_line_carries_what_its_tank_is_fed() -> None:
    told = solve_network(upper())
    assert told.flows_m3_s["gravity line"] == pytest.approx(told.flows_m3_s["fill"], rel=1e-9)
    assert told.starved == {"gravity line"}
    assert any("partly full" in text for text in said(told.warnings))


def test_a_narrow_line_carries_what_its_head_gives() -> None:
    narrow = 0.009
    told = solve_network(upper(line_bore_m=narrow))
    points = [surface("refugium", 1.8), surface("display", 1.0)]
    alone = solve_network(network(points, [run("line", "refugium", "display", pipe(1.0, narrow))]))
    assert told.flows_m3_s["gravity line"] == pytest.approx(alone.flows_m3_s["line"], rel=1e-9)
    assert told.flows_m3_s["gravity line"] < told.flows_m3_s["fill"]
    assert told.starved == frozenset()


def test_water_goes_down_a_stair_of_tanks() -> None:
    plumbing = upper(run("drain line", "display", "sump", pipe(1.0, WIDE)), pump_run("main", "sump", "display", "main"))
    told = solve_network(plumbing).flows_m3_s
    assert told["drain line"] == pytest.approx(told["fill"] + told["main"], rel=1e-9)
    for tank in ("refugium", "display"):
        assert sum(c * told[name] for name, c in inflow_coefficients(plumbing, tank).items()) == pytest.approx(0.0)


def test_a_pump_that_draws_from_the_tank_leaves_less_for_its_line() -> None:
    told = solve_network(upper(pump_run("polish", "refugium", "sump", "polish", 20.0))).flows_m3_s
    assert told["polish"] > 0.0
    assert told["gravity line"] == pytest.approx(max(told["fill"] - told["polish"], 0.0), abs=1e-9)


def test_when_the_pump_stops_nothing_runs_down_in_the_end() -> None:
    still = upper()
    still = replace(still, pumps={"fuge": replace(still.pumps["fuge"], speed=0.0)})
    assert solve_network(still).flows_m3_s["gravity line"] == pytest.approx(0.0, abs=1e-12)


def test_a_line_whose_pump_is_off_carries_back_what_its_tank_gets_otherwise() -> None:
    # no check valve: the display stands at the mouth of the stopped line, and what the refugium gives runs down it
    plumbing = upper(pump_run("main", "sump", "display", "main"))
    off = replace(plumbing, pumps={**plumbing.pumps, "main": replace(plumbing.pumps["main"], speed=0.0)})
    told, full = solve_network(off).flows_m3_s, solve_network(replace(off, tanks_balance=False)).flows_m3_s
    assert told["main"] == pytest.approx(full["main"], rel=1e-9)  # less than the refugium gives
    slow = replace(off, pumps={**off.pumps, "fuge": replace(off.pumps["fuge"], speed=0.7)})
    told = solve_network(slow).flows_m3_s
    assert 0.0 < told["fill"] < -full["main"]
    assert told["main"] == pytest.approx(-told["fill"], rel=1e-9)
    all_off = replace(off, pumps={name: replace(pump, speed=0.0) for name, pump in off.pumps.items()})
    assert solve_network(all_off).flows_m3_s == pytest.approx(dict.fromkeys(off.runs, 0.0), abs=1e-12)
    assert not any("partly full" in text for text in said(solve_network(all_off).warnings))


def test_a_tank_that_nothing_feeds_is_a_lake() -> None:
    points = [surface("pond", 2.0), surface("ditch", 0.0)]
    told = solve_network(network(points, [run("line", "pond", "ditch", pipe(1.0, BORE))]))
    assert told.flows_m3_s["line"] > 1e-4
    assert told.starved == frozenset()


def test_levels_may_be_held_whatever_flows() -> None:
    held = replace(upper(), tanks_balance=False)
    assert solve_network(held).flows_m3_s["gravity line"] > 2.0 * solve_network(upper()).flows_m3_s["gravity line"]


def test_two_lines_of_one_tank_carry_together_what_it_gets() -> None:
    told = solve_network(upper(run("second", "refugium", "sump", pipe(3.0, WIDE)))).flows_m3_s
    assert told["gravity line"] + told["second"] == pytest.approx(told["fill"], rel=1e-9)
    assert min(told["gravity line"], told["second"]) > 0.0


def test_every_draw_of_the_band_balances_too() -> None:
    found = uncertainty(upper(), samples=16)
    at = {name: i for i, name in enumerate(found.run_names)}
    np.testing.assert_allclose(found.flows_m3_s[:, at["gravity line"]], found.flows_m3_s[:, at["fill"]], rtol=1e-9)


def test_no_part_of_a_line_that_runs_partly_full_is_said_to_cost_flow() -> None:
    plumbing = upper()
    table = loss_table(plumbing, solve_network(plumbing))
    assert all(np.isnan(row.gained_flow_m3_s) for row in table if row.run == "gravity line")
    assert any(row.gained_flow_m3_s > 0.0 for row in table if row.run == "fill")


def ring(tank: str = "display") -> Network:
    """Return a pump that feeds a display, and another one that stirs a tank through two jets."""
    points = [surface("sump", 0.0), surface("display", 1.0), tee_point("t")]
    runs = [
        pump_run("riser", "sump", "display", "main"),
        pump_run("ring in", tank, "t", "wave"),
        run("jet 1", "t", tank, pipe(1.0, BORE)),
        run("jet 2", "t", tank, pipe(2.0, BORE)),
    ]
    pumps = {name: Pump(name, CURVE, 1.0, PORTS) for name in ("main", "wave")}
    return replace(network(points, runs), pumps=pumps)


def test_a_ring_feeds_and_empties_nothing() -> None:
    plumbing = ring()
    assert ring_runs(plumbing) == {"ring in", "jet 1", "jet 2"}
    assert fed_surfaces(plumbing) == ("display",)
    assert sumps(plumbing) == ("sump",)
    told = solve_network(plumbing).flows_m3_s
    net = sum(c * told[name] for name, c in inflow_coefficients(plumbing, "display").items())
    assert net == pytest.approx(told["riser"], rel=1e-6)


def test_a_ring_in_the_sump_leaves_it_the_sump() -> None:
    assert sumps(ring("sump")) == ("sump",)
    assert fed_surfaces(ring("sump")) == ("display",)


def test_a_tank_that_a_second_pump_draws_from_is_still_fed() -> None:
    plumbing = upper(pump_run("main", "sump", "display", "main"), pump_run("skim", "display", "refugium", "skim"))
    assert fed_surfaces(plumbing) == ("display", "refugium")
    assert sumps(plumbing) == ("sump",)


@pytest.mark.parametrize(("height_m", "lowest"), [(0.0, ("a", "b")), (0.5, ("a",))])
def test_of_two_tanks_that_pump_into_each_other_the_lower_is_the_sump(height_m: float, lowest: tuple[str, ...]) -> None:
    points = [surface("a", 0.0), surface("b", height_m)]
    plumbing = network(points, [pump_run("up", "a", "b", "up"), pump_run("down", "b", "a", "down")])
    plumbing = replace(plumbing, pumps={name: Pump(name, CURVE, 1.0, PORTS) for name in ("up", "down")})
    assert sumps(plumbing) == lowest
    assert fed_surfaces(plumbing) == tuple(name for name in ("a", "b") if name not in lowest)


def test_what_drains_of_a_tank_bring_into_another_counts_there() -> None:
    points = [surface("sump", 0.0), surface("display", 1.0), surface("settling box", 1.8)]
    plumbing = network(points, [pump_run("fill", "sump", "settling box", "p")])
    plumbing = replace(plumbing, pumps={"p": Pump("p", CURVE, 1.0, PORTS)}, falls=(("settling box", "display"),))
    assert fed_surfaces(plumbing) == ("display", "settling box")
    assert inflow_coefficients(plumbing, "display") == {"fill": 1.0}


def test_outlets_above_a_tank_feed_it() -> None:
    points = [surface("sump", 0.0), surface("display", 1.0), outlet("spray bar", 1.4)]
    plumbing = network(points, [pump_run("riser", "sump", "spray bar", "p"), pump_run("more", "sump", "display", "q")])
    plumbing = replace(plumbing, pumps={name: Pump(name, CURVE, 1.0, PORTS) for name in "pq"})
    assert inflow_coefficients(plumbing, "display") == {"riser": 1.0, "more": 1.0}


def test_the_mouths_of_a_tank_are_those_of_its_gravity_lines() -> None:
    plumbing = upper(pump_run("polish", "refugium", "sump", "polish"))
    assert [top for top, _ in gravity_lines(plumbing)] == ["refugium"]
    assert mouths_of(plumbing, "refugium") == ("gravity line",)
    assert mouths_of(plumbing, "display") == ()


def parting(high_m: float) -> Network:
    """Return a pump's riser that parts to a display and to a refugium, which runs down into the display."""
    points = [surface("sump", 0.0), surface("display", 1.0), surface("refugium", high_m), tee_point("split")]
    runs = [
        pump_run("riser", "sump", "split", "main"),
        run("low", "split", "display", pipe(1.0, BORE)),
        run("high", "split", "refugium", pipe(1.0, BORE)),
        run("gravity line", "refugium", "display", pipe(1.0, WIDE)),
    ]
    names = dict.fromkeys(part.name for each in runs for part in each.parts if part.name)
    pumps = {name: Pump(name, CURVE, 1.0, PORTS) for name in names}
    return replace(network(points, runs), pumps=pumps)


def test_a_tank_that_a_weak_pump_does_not_reach_gives_nothing_to_the_others() -> None:
    # higher than what the pump has left at the tee: as if the line up to it were not there
    told = solve_network(parting(3.5))
    points = [surface("sump", 0.0), surface("display", 1.0), tee_point("split")]
    runs = [pump_run("riser", "sump", "split", "main"), run("low", "split", "display", pipe(1.0, BORE))]
    alone = replace(network(points, runs), pumps={"main": Pump("main", CURVE, 1.0, PORTS)})

    assert told.flows_m3_s["high"] == pytest.approx(0.0, abs=1e-12)
    assert told.flows_m3_s["gravity line"] == pytest.approx(0.0, abs=1e-12)
    assert told.flows_m3_s["low"] == pytest.approx(solve_network(alone).flows_m3_s["low"], rel=1e-6)
    assert any("until it has fallen" in text for text in said(told.warnings))
    assert other_states(parting(3.5), told.flows_m3_s) == ()


def test_what_a_part_costs_is_told_from_the_same_balance_of_tanks() -> None:
    plumbing = parting(3.5)
    told = solve_network(plumbing)
    gained = [row.gained_flow_m3_s for row in loss_table(plumbing, told) if row.run in ("riser", "low")]

    # without what a part takes no less flows, and no more than the pump's curve has: 6e-4 m³/s
    assert max(gained) > 0.0
    assert min(gained) >= -1e-9
    assert max(gained) < 6e-4 - told.flows_m3_s["riser"]


def test_in_no_draw_does_a_tank_give_more_than_it_gets() -> None:
    plumbing = parting(1.25)
    drawn = uncertainty(plumbing, samples=64)
    at = {name: drawn.flows_m3_s[:, i] for i, name in enumerate(drawn.run_names)}
    reached = at["high"] > 1e-9

    assert 0 < reached.sum() < 64  # what is drawn decides whether the pump reaches the refugium
    assert at["high"].min() >= -1e-9
    np.testing.assert_allclose(at["gravity line"], np.maximum(at["high"], 0.0), atol=1e-9)
    np.testing.assert_allclose(at["riser"], at["low"] + at["high"], atol=1e-9)


def test_a_pump_that_is_too_weak_lets_run_back_what_comes_in_otherwise() -> None:
    full = upper(pump_run("main", "sump", "display", "main"))
    weak = replace(full, pumps={**full.pumps, "main": replace(full.pumps["main"], speed=0.4)})
    told = solve_network(weak).flows_m3_s
    free = solve_network(replace(weak, tanks_balance=False)).flows_m3_s
    assert free["main"] < 0.0
    assert told["main"] == pytest.approx(max(free["main"], -told["gravity line"]), rel=1e-9)
    nothing = replace(weak, pumps={**weak.pumps, "fuge": replace(weak.pumps["fuge"], speed=0.0)})
    assert solve_network(nothing).flows_m3_s["main"] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("speed", [0.55, 0.8])
def test_balanced_flows_move_as_small_steps_of_the_full_ones_have_it(speed: float) -> None:
    # two gravity lines share what the refugium gets, and a weak pump lets the display run back: central differences
    plumbing = upper(run("second", "refugium", "sump", pipe(3.0, WIDE)), pump_run("main", "sump", "display", "main"))
    weak = replace(plumbing.pumps["main"], speed=0.4)
    plumbing = replace(plumbing, pumps={"fuge": replace(plumbing.pumps["fuge"], speed=speed), "main": weak})
    balance = tank_balance(plumbing)
    full = solve_flows(compile_network(plumbing))
    step, each = 1e-9, np.eye(len(full))
    moved = [balance.balanced(full + step * to) - balance.balanced(full - step * to) for to in each]

    assert (balance.balanced(full) != full).any()
    np.testing.assert_allclose(balance.rates(full, each), np.array(moved).T / (2.0 * step), atol=1e-5)
    np.testing.assert_allclose(balance.rates(full[None], each[None])[0], balance.rates(full, each), atol=1e-12)


def test_full_flows_keep_the_weaker_rows_wherever_what_is_carried_keeps_the_rows() -> None:
    plumbing = upper(run("second", "sump", "refugium", pipe(3.0, WIDE)), pump_run("main", "sump", "display", "main"))
    balance, dice = tank_balance(plumbing), np.random.default_rng(5)
    wants = (
        Want("line", {"gravity line": 1.0}, 2e-4, 4e-4),
        Want("against its start", {"second": 1.0}, -3e-4, -1e-4),
        Want("into the display", {"main": 1.0, "gravity line": 1.0}, 4e-4, 6e-4),
        Want("split", {"main": 1.0, "gravity line": -0.5}, 0.0, 3e-4),
    )
    takes_all = Want("lines", {"pump": 1.0, "gravity line": -1.0}, high_m3_s=0.0, in_full=frozenset({"gravity line"}))
    assert takes_all in at_full_flows(plumbing, (takes_all,))
    rows = at_full_flows(plumbing, wants)
    names = tuple(plumbing.runs)
    full = dice.uniform(0.0, 1e-3, (20_000, len(names))) * np.where(np.array(names) == "second", -1.0, 1.0)
    kept = rows_met(balance.balanced(full), names, wants)
    weaker = rows_met(full, names, rows)

    assert kept.sum() > 20
    assert weaker[kept].all()
    assert not weaker.all()
    assert not rows_met(full, names, wants)[kept].all()  # as they are they would forbid what is allowed
    assert any(row.name == "water into refugium" and row.low_m3_s == 2e-4 for row in rows)


@pytest.mark.parametrize("runs", [("gravity line",), ("gravity line", "second")])
def test_lines_whose_tank_gets_more_than_they_may_carry_run_full_and_keep_their_upper_limit(
    runs: tuple[str, ...],
) -> None:
    second = [run("second", "refugium", "sump", pipe(3.0, WIDE))] if "second" in runs else []
    plumbing = upper(*second)
    balance, dice, names = tank_balance(plumbing), np.random.default_rng(6), tuple(plumbing.runs)
    held = Want("held", dict.fromkeys(runs, 1.0), high_m3_s=4e-4)
    wants = (Want("fed", {"fill": 1.0}, 5e-4), held)
    full = dice.uniform(0.0, 1e-3, (5_000, len(names)))
    kept = rows_met(balance.balanced(full), names, wants)

    assert held in at_full_flows(plumbing, wants)
    assert kept.sum() > 20
    assert rows_met(full, names, (held,))[kept].all()
    assert held not in at_full_flows(plumbing, (Want("fed", {"fill": 1.0}, 3e-4), held))  # they may be short then


def test_of_two_lines_a_limit_on_one_alone_says_nothing_of_its_full_flow() -> None:
    plumbing = upper(run("second", "refugium", "sump", pipe(3.0, WIDE)))
    alone = Want("alone", {"second": 1.0}, high_m3_s=4e-4)

    assert alone not in at_full_flows(plumbing, (Want("fed", {"fill": 1.0}, 5e-4), alone))  # the other takes the rest
