"""Check valves that are lifted in part: more loss below the least flow, and less sure where no least flow is stated."""

from dataclasses import replace

import fluids
import pytest
from networks import check_valve, network, parabola_pump, pipe, pump_part, run, surface

from optimizer.hydraulics import conditions_of, loss_table, part_head_loss_m, pump_head_m, solve_network
from optimizer.hydraulics.draws import lift_velocity_m_s
from optimizer.hydraulics.uncertainty import band
from optimizer.hydraulics.water import fluid_of
from optimizer.model.network import Network, Part, Water

BORE_M = 0.0266
LEAST_M3_S = 4e-4


def lifted_from() -> Part:
    return replace(check_valve(BORE_M, 2.0), least_flow_m3_s=LEAST_M3_S)


def line(part: Part, speed: float = 1.0, shut_off_m: float = 3.0, lift_m: float = 1.0) -> Network:
    one = run("line", "sump", "display", pump_part(), pipe(2.0, BORE_M), part, pipe(2.0, BORE_M))
    pump = parabola_pump(shut_off_m, 2e6, speed=speed)
    return network([surface("sump", 0.0), surface("display", lift_m)], [one], pumps=[pump])


def test_from_the_least_flow_on_the_loss_is_the_published_one() -> None:
    conditions = conditions_of(line(lifted_from()))
    for flow in (LEAST_M3_S, 1.5 * LEAST_M3_S):
        assert part_head_loss_m(lifted_from(), flow, conditions) == pytest.approx(
            part_head_loss_m(check_valve(BORE_M, 2.0), flow, conditions)
        )


def test_below_the_least_flow_the_loss_lies_between_square_law_and_constant() -> None:
    conditions = conditions_of(line(lifted_from()))
    at_least = part_head_loss_m(lifted_from(), LEAST_M3_S, conditions)
    before = 0.0
    for share in (0.1, 0.3, 0.5, 0.7, 0.9):
        loss = part_head_loss_m(lifted_from(), share * LEAST_M3_S, conditions)
        assert at_least * share**2 < loss < at_least
        assert loss > before
        before = loss


@pytest.mark.parametrize("speed", [0.62, 0.7, 0.8, 1.0])
def test_heads_close_with_a_flap_that_hangs_in_the_water(speed: float) -> None:
    plumbing = line(lifted_from(), speed)
    solution = solve_network(plumbing)
    flow = solution.flows_m3_s["line"]
    assert flow > 0.0
    lost = sum(row.head_loss_m for row in loss_table(plumbing, solution))
    assert pump_head_m(plumbing.pumps["pump"], flow) - 1.0 == pytest.approx(lost, abs=1e-6)
    assert flow <= solve_network(line(check_valve(BORE_M, 2.0), speed)).flows_m3_s["line"]


def test_a_flap_that_is_taken_out_gives_the_flow_of_the_line_without_it() -> None:
    plumbing = line(lifted_from(), 0.7)
    solution = solve_network(plumbing)
    (row,) = [row for row in loss_table(plumbing, solution) if row.index == 2]
    parts = plumbing.runs["line"].parts
    short = plumbing.with_runs({"line": replace(plumbing.runs["line"], parts=(*parts[:2], *parts[3:]))})
    gained = solve_network(short).flows_m3_s["line"] - solution.flows_m3_s["line"]
    assert row.gained_flow_m3_s == pytest.approx(gained, rel=1e-6)


def test_every_draw_closes_with_a_flap_that_hangs_in_the_water() -> None:
    low, high = band(line(lifted_from(), 0.7))["line"]
    assert 0.0 < low < solve_network(line(lifted_from(), 0.7)).flows_m3_s["line"] < high


def test_slow_water_makes_an_unstated_check_valve_less_sure() -> None:
    # 1.4 m/s lifts a swing check valve in full: Crane TP 410, 45 sqrt(v) in SI, here by the fluids library
    fluid = fluid_of(Water(35.0, 25.0))
    lifted = lift_velocity_m_s(fluid)
    told = fluids.fittings.v_lift_valve_Crane(rho=fluid.density_kg_m3, style="swing check angled")
    assert lifted == pytest.approx(told, rel=1e-12)
    slow = line(check_valve(BORE_M, 2.0), shut_off_m=1.6)
    assert solve_network(slow).velocities_m_s["line"] < 0.8 * lifted
    stated = line(replace(check_valve(BORE_M, 2.0), least_flow_m3_s=1e-6), shut_off_m=1.6)
    assert band(slow)["line"][0] < band(stated)["line"][0]
