"""Published worked examples, each built as plumbing and solved as a network."""

import math
from collections.abc import Callable
from pathlib import Path

import pytest
from networks import (
    fitting,
    fixed_k,
    network,
    parabola_pump,
    pipe,
    pump_part,
    reducer,
    run,
    supply,
    surface,
    tee_point,
)
from published import FOOT_M, FT2_S_M2_S, GPM_M3_S, INCH_M, POUND_KG, all_cases, expected, inputs

from optimizer.hydraulics import GRAVITY_M_S2, Conditions, Fluid, solve_network
from optimizer.hydraulics.friction import area_m2, darcy_friction_factor, reynolds
from optimizer.model.catalog import Kind, LossMethod
from optimizer.model.network import Network, Part, Pump

HORSEPOWER_W = 745.6998715822702


def solved(plumbing: Network, fluid: Fluid) -> dict[str, float]:
    return dict(solve_network(plumbing, Conditions(fluid, plumbing.devices)).flows_m3_s)


def supply_head_for(flow_m3_s: float, build: Callable[[float], Network], fluid: Fluid) -> float:
    """The supply head at which the first run carries a flow, by bisection on network solutions."""
    low, high = 0.0, 500.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        carried = next(iter(solved(build(middle), fluid).values()))
        low, high = (middle, high) if carried < flow_m3_s else (low, middle)
    return low


def test_pump_power_of_a_line_with_fittings() -> None:
    # White, Fluid Mechanics, 7th/8th ed., Example 6.16; from memory. Entrance and exit are among the K: supplies add
    # none
    case = "fittings-pump-power-2in"
    given = inputs(case)
    bore, flow, density = given["D_in"] * INCH_M, given["Q_ft3_s"] * FOOT_M**3, 1.94 * 515.378818
    fluid = Fluid(density, 1.1e-5 * FT2_S_M2_S)
    roughness = given["e_over_D"] * bore
    losses = [fixed_k(k, bore) for k in (0.5, 6.9, 0.15, 0.95, 2.7, 1.0)]
    assert sum(part.item.loss.coefficients[0] for part in losses if part.item) == expected(case, "sum of K")

    def build(head: float) -> Network:
        line = run("line", "low", "high", pipe(given["L_ft"] * FOOT_M, bore, roughness), *losses)
        return network([supply("low", 20 * FOOT_M + head), supply("high", 120 * FOOT_M)], [line])

    head = supply_head_for(flow, build, fluid)
    assert darcy_friction_factor(reynolds(flow, bore, fluid), roughness / bore) == expected(case, "f")
    assert head / FOOT_M == expected(case, "pump head")
    assert head * density * GRAVITY_M_S2 * flow / HORSEPOWER_W == expected(case, "power")


def test_two_reservoirs_joined_by_a_rough_pipe() -> None:
    # Cengel & Cimbala, 1st ed., Example 8-8; printed answer from memory
    case = "fittings-two-reservoirs-gravity"
    given = inputs(case)
    fluid, flow = Fluid(999.7, 1.307e-3 / 999.7), given["Q_L_s"] / 1000.0

    def build(z1: float) -> Network:
        parts = [pipe(given["L"], given["D"], given["eps"]), *(fixed_k(k, given["D"]) for k in given["K"])]
        return network([supply("upper", z1), supply("lower", given["z2"])], [run("pipe", "upper", "lower", *parts)])

    z1 = supply_head_for(flow, build, fluid)
    assert z1 == expected(case, "z1")
    assert z1 - given["z2"] == expected(case, "head loss")
    assert darcy_friction_factor(reynolds(flow, given["D"], fluid), given["eps"] / given["D"]) == expected(case, "f")


def test_a_tank_drains_through_two_sizes_of_pipe() -> None:
    # Crane TP 410, Example 7-19
    case = "gravity-tank-3in-2in"
    given = inputs(case)
    wide, narrow, rough = given["D1_in"] * INCH_M, given["D2_in"] * INCH_M, given["eps_in"] * INCH_M
    density = 62.364 * POUND_KG / FOOT_M**3
    parts = [
        fitting(Kind.BULKHEAD, wide, LossMethod.NONE),
        fitting(Kind.ELBOW, wide, LossMethod.CRANE, 60.0),
        fitting(Kind.GATE_VALVE, wide, LossMethod.CRANE, 8.0),
        pipe(given["L1_ft"] * FOOT_M, wide, rough),
        reducer(wide, narrow),
        pipe(given["L2_ft"] * FOOT_M, narrow, rough),
    ]
    plumbing = network(
        [surface("tank", given["H_ft"] * FOOT_M), surface("out", 0.0)], [run("d", "tank", "out", *parts)]
    )
    flow = solved(plumbing, Fluid(density, given["mu_cP"] * 1e-3 / density))["d"]
    assert flow / GPM_M3_S == expected(case, "Q")


def test_operating_point_of_a_small_pump() -> None:
    # Cengel & Cimbala, ch. 14, problem with printed answer; coefficients and answer from memory
    case = "op-small-pump-lpm"
    given = inputs(case)
    per_m3_s = 60000.0**2
    flow, head = operating_point(
        [parabola_pump(given["H0"], given["a"] * per_m3_s)], given["Hs"], given["b"] * per_m3_s
    )
    assert flow * 60000.0 == expected(case, "Q")
    assert head == expected(case, "H")


@pytest.mark.parametrize(("case", "count"), [("op-one-pump-32in", 1), ("op-two-series", 2)])
def test_operating_point_of_one_pump_and_of_two_in_series(case: str, count: int) -> None:
    # White, Fluid Mechanics, 7th/8th ed., Examples 11.6 and 11.8; from memory
    unit = 1000.0 * GPM_M3_S
    pumps = [parabola_pump(490.0 * FOOT_M, 0.26 * FOOT_M / unit**2, f"p{i}") for i in range(count)]
    flow, head = operating_point(pumps, 120.0 * FOOT_M, 0.335 * FOOT_M / unit**2)
    assert flow / unit == expected(case, "Q")
    assert head / FOOT_M == expected(case, "H")


def operating_point(pumps: list[Pump], static_m: float, square_s2_m5: float) -> tuple[float, float]:
    """Flow and total pump head against Hs + b Q², the b as a plain K on some bore."""
    bore = 0.1
    k = square_s2_m5 * 2.0 * GRAVITY_M_S2 * area_m2(bore) ** 2
    line = run("line", "low", "high", *(pump_part(pump.name) for pump in pumps), fixed_k(k, bore))
    plumbing = network([supply("low", 0.0), supply("high", static_m)], [line], pumps=pumps)
    flow = solve_network(plumbing).flows_m3_s["line"]
    return flow, static_m + square_s2_m5 * flow**2


def test_two_equal_pumps_in_parallel_share_the_flow() -> None:
    # closed form: each gives half, H0 - a (Q/2)² = Hs + b Q²
    bore, pumps = 0.03, [parabola_pump(5.0, 4e6, "a"), parabola_pump(5.0, 4e6, "b")]
    k = 1e6 * 2.0 * GRAVITY_M_S2 * area_m2(bore) ** 2
    tiny = fixed_k(1e-9, bore)
    runs = [
        run("a", "low", "join", pump_part("a"), tiny),
        run("b", "low", "join", pump_part("b"), tiny),
        run("line", "join", "high", fixed_k(k, bore)),
    ]
    plumbing = network([supply("low", 0.0), supply("high", 2.0), tee_point("join")], runs, pumps=pumps)
    flows = solve_network(plumbing).flows_m3_s
    assert flows["line"] == pytest.approx(math.sqrt(3.0 / (1e6 + 4e6 / 4.0)), rel=1e-6)
    assert flows["a"] == pytest.approx(flows["b"])


def _three_pipes(given: dict[str, list[float]]) -> list[Part]:
    return [
        pipe(length, bore, ratio * bore)
        for length, bore, ratio in zip(given["L"], given["D"], given["e_over_D"], strict=True)
    ]


def test_three_pipes_in_series() -> None:
    # White, Fluid Mechanics, 7th/8th ed., Example 6.17; from memory
    given = inputs("series-three-pipes")
    head = given["dp"] / (given["rho"] * given["g"]) + given["dz"]
    plumbing = network([supply("a", head), supply("b", 0.0)], [run("line", "a", "b", *_three_pipes(given))])
    assert head == expected("series-three-pipes", "total head")
    flow = solved(plumbing, Fluid(given["rho"], given["nu"]))["line"]
    assert flow * 3600.0 == expected("series-three-pipes", "Q")


def test_three_reservoirs() -> None:
    # White, Fluid Mechanics, 7th/8th ed., Example 6.19; from memory
    given = inputs("three-reservoir")
    points = [tee_point("junction"), *(supply(f"r{i}", z) for i, z in enumerate(given["z"]))]
    runs = [run(f"Q{i + 1}", f"r{i}", "junction", part) for i, part in enumerate(_three_pipes(given))]
    plumbing = network(points, runs)
    solution = solve_network(plumbing, Conditions(Fluid(given["rho"], given["nu"]), {}))
    assert solution.heads_m["junction"] == expected("three-reservoir", "junction head")
    for name, flow in solution.flows_m3_s.items():
        assert flow * 3600.0 == expected("three-reservoir", name)


def test_a_siphon_without_loss() -> None:
    # Cengel & Turner / Cengel & Cimbala, siphon Example 5-7; printed answer from memory. Only the velocity head is lost
    case, given = "siphon-ideal", inputs("siphon-ideal")
    bore = given["D"]
    hose = fixed_k(0.0, bore)
    plumbing = network([supply("tank", given["z_surface"]), surface("can", 0.0)], [run("hose", "tank", "can", hose)])
    flow = solved(plumbing, Fluid(given["rho"], 6e-7))["hose"]
    velocity = flow / area_m2(bore)
    crest_m = 101_300.0 / (given["rho"] * GRAVITY_M_S2) + given["z_surface"] - given["z_crest"]
    crest_m -= velocity**2 / (2.0 * GRAVITY_M_S2)
    assert velocity == expected(case, "velocity")
    assert given["V_L"] / 1000.0 / flow == expected(case, "time")
    assert crest_m * given["rho"] * GRAVITY_M_S2 / 1000.0 == expected(case, "p crest")


# Full-siphon drains: K 0.5 at the entrance, two elbows of 30 fT, an open valve, exit 1, smooth average-bore sch 40
# pipe, sea water at 25 °C; computed once with the fluids library [L/min]. The pipe's length was not stated and is
# taken as the drop.
@pytest.mark.parametrize(
    ("bore_in", "drop_m", "litres_per_minute"),
    [(0.804, 0.6, 34), (1.029, 0.9, 70), (1.360, 0.9, 128), (1.590, 1.2, 202), (2.047, 0.9, 305)],
)
def test_full_siphon_drains_carry_what_is_known(bore_in: float, drop_m: float, litres_per_minute: float) -> None:
    bore = bore_in * INCH_M
    parts = [
        fitting(Kind.BULKHEAD, bore, LossMethod.NONE),
        fitting(Kind.ELBOW, bore, LossMethod.CRANE, 30.0),
        fitting(Kind.ELBOW, bore, LossMethod.CRANE, 30.0),
        fitting(Kind.GATE_VALVE, bore, LossMethod.CRANE, 8.0),
        pipe(drop_m, bore),
    ]
    plumbing = network([surface("display", drop_m), surface("sump", 0.0)], [run("d", "display", "sump", *parts)])
    flow = solved(plumbing, Fluid(1023.22, 9.371e-7))["d"]
    assert flow * 60000.0 == pytest.approx(litres_per_minute, rel=0.12)


def test_half_the_nameplate_is_normal() -> None:
    # closed form: Q = sqrt((s² H0 - Hs)/(a + k)); at Hs/H0 = 0.4 and k/a = 1.6, just under half of the zero-head flow
    bore, a = 0.03, 2e6
    k = 1.6 * a * 2.0 * GRAVITY_M_S2 * area_m2(bore) ** 2
    for speed in (1.0, 0.8, 0.65):
        line = run("line", "low", "high", pump_part(), fixed_k(k, bore))
        plumbing = network(
            [supply("low", 0.0), supply("high", 2.0)], [line], pumps=[parabola_pump(5.0, a, speed=speed)]
        )
        flow = solve_network(plumbing).flows_m3_s["line"]
        assert flow == pytest.approx(math.sqrt((speed**2 * 5.0 - 2.0) / (2.6 * a)), rel=1e-7)
        if speed == 1.0:
            assert 0.45 < flow / math.sqrt(5.0 / a) < 0.5


def test_every_published_case_is_checked_somewhere() -> None:
    text = "".join(path.read_text(encoding="utf-8") for path in Path(__file__).parent.glob("test_*.py"))
    assert [case for case in all_cases() if case not in text] == []
