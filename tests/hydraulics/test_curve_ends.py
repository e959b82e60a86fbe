"""Past the last point of a pump's curve nothing is known: flows are told from below or not at all, never as safe."""

from __future__ import annotations

from dataclasses import replace

import pytest
from networks import PORTS, network, pipe, pump_part, run, surface, tee_point
from said import said

from optimizer.hydraulics import Variation, compile_network, solve_compiled, solve_network
from optimizer.hydraulics.uncertainty import uncertainty
from optimizer.model.doubt import doubt_of
from optimizer.model.network import Network, Pump

LONG = ((0.0, 4.0), (2e-4, 3.6), (4e-4, 2.8), (8e-4, 0.0))
SHORT = LONG[:2]
END_M3_S = SHORT[-1][0]
BORE = 0.0202


def line(curve: tuple[tuple[float, float], ...], speed: float = 1.0, length_m: float = 3.0) -> Network:
    """Return a pump that lifts 1 m through one pipe."""
    pump = Pump("pump", curve, speed, PORTS)
    only = run("line", "sump", "display", pump_part(), pipe(length_m, BORE))
    return replace(network([surface("sump", 0.0), surface("display", 1.0)], [only]), pumps={"pump": pump})


def forked(*, second_pump: bool = False) -> Network:
    """Return a pump that feeds two pipes, and where wanted another one that pushes into the same tee."""
    runs = [
        run("riser", "sump", "t", pump_part(), pipe(1.0, BORE)),
        run("left", "t", "display", pipe(1.0, BORE)),
        run("right", "loft", "t", pipe(4.0, BORE)),  # written against the way that the pump pushes
    ]
    points = [surface("sump", 0.0), surface("display", 1.0), surface("loft", 1.2), tee_point("t")]
    pumps = {"pump": Pump("pump", SHORT, 1.0, PORTS)}
    if second_pump:
        runs.append(run("riser 2", "sump", "t", replace(pump_part(), name="other"), pipe(1.0, BORE)))
        pumps["other"] = Pump("other", LONG, 1.0, PORTS)
    return replace(network(points, runs), pumps=pumps)


def test_what_flows_is_at_least_what_the_last_point_gives_and_the_whole_curve_gives_more() -> None:
    told, whole = solve_network(line(SHORT)), solve_network(line(LONG))

    assert told.flows_m3_s["line"] == pytest.approx(END_M3_S, rel=1e-4)
    assert told.doubt.at_least == {"line"}
    assert told.doubt.pumps == ("pump",)
    assert whole.flows_m3_s["line"] > told.flows_m3_s["line"]
    assert whole.doubt.known("line")


def test_the_last_point_goes_down_with_the_speed() -> None:
    told = solve_network(line(SHORT, speed=0.8))
    assert told.flows_m3_s["line"] == pytest.approx(0.8 * END_M3_S, rel=1e-4)
    assert told.doubt.words("line", "x") == "at least x"


def test_a_speed_of_the_moment_counts_as_that_of_the_pump() -> None:
    compiled = compile_network(line(SHORT, length_m=200.0))
    assert solve_compiled(compiled).doubt.known("line")
    slow = solve_compiled(compile_network(line(SHORT)), Variation(speeds={"pump": 0.9}))
    assert slow.flows_m3_s["line"] == pytest.approx(0.9 * END_M3_S, rel=1e-4)
    assert not slow.doubt.known("line")


def test_a_pump_within_its_curve_leaves_no_doubt_and_stands_where_it_stood() -> None:
    told = solve_network(line(SHORT, length_m=200.0))
    assert told.flows_m3_s["line"] < 0.95 * END_M3_S
    assert told.doubt.known("line")
    assert said(told.warnings) == ()


def test_a_run_written_against_the_push_is_known_from_neither_side() -> None:
    told = solve_network(forked())
    assert told.doubt.at_least == {"riser", "left"}
    assert told.doubt.unknown == {"right"}
    assert told.doubt.words("right", "x") == "not known"


def test_with_two_pumps_in_one_part_of_the_plumbing_nothing_is_known() -> None:
    # the more the one moves past its curve, the less the other does
    told = solve_network(forked(second_pump=True))
    assert told.doubt.pumps == ("pump",)
    assert told.doubt.unknown == {"riser", "left", "right", "riser 2"}


def test_a_part_behind_a_water_surface_is_not_touched() -> None:
    plumbing = forked()
    other = {"pond line": run("pond line", "pond", "sump", pipe(1.0, BORE))}
    drain = {"drain": run("drain", "display", "sump", pipe(1.0, BORE))}
    points = {**plumbing.points, "pond": surface("pond", 3.0)}
    told = solve_network(replace(plumbing, tanks_balance=True, points=points, runs={**plumbing.runs, **other, **drain}))
    assert told.doubt.known("pond line")
    assert told.doubt.words("drain", "x") == "at least x"  # it carries what its tank gets, and that is at least so much


def test_there_is_no_band_past_the_curve_and_no_high_end_near_it() -> None:
    assert uncertainty(line(SHORT), samples=32).band_m3_s == {}
    near = next(
        found
        for metres in range(4, 200, 2)
        if (found := uncertainty(line(SHORT, length_m=float(metres)), samples=64)).doubt.known("line")
    )
    low, high = near.band_m3_s["line"]
    assert low < END_M3_S
    assert high == float("inf")


def test_a_sum_is_known_from_below_only_where_all_that_is_in_doubt_adds_to_it() -> None:
    doubt = doubt_of(forked(), solve_network(forked()).flows_m3_s)
    assert doubt.sums({"riser": 1.0, "left": 1.0}).at_least == {""}
    assert doubt.sums({"riser": 1.0, "left": -1.0}).unknown == {""}
    assert doubt.sums({"left": 1.0, "right": 1.0}).unknown == {""}
    assert doubt.sums({}).known("")
