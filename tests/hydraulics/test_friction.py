import math

import fluids
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published import CUBIC_FOOT_M3, FOOT_M, GPM_M3_S, INCH_M, POUND_KG, PSI_PA, expected, inputs

from optimizer.hydraulics.friction import (
    HazenWilliams,
    PipePieces,
    area_m2,
    colebrook,
    darcy_friction_factor,
    pipe_head_loss_m,
    reynolds,
    rough_friction_factor,
)
from optimizer.hydraulics.water import GRAVITY_M_S2, Fluid

WATER = Fluid(998.2, 1.004e-6)
PLASTIC = 1.5e-6


@pytest.mark.parametrize("re", [4000.0, 1e4, 1e5, 1e6, 1e7, 1e8])
def test_smooth_pipe_has_the_printed_friction_factor(re: float) -> None:
    # White, Fluid Mechanics, 7th/8th ed., section 6.6, table under the smooth-wall law; from memory
    quantity = f"f at Re={re:.0e}"
    assert darcy_friction_factor(re, 0.0) == expected("ff-smooth-prandtl", quantity)


@pytest.mark.parametrize("roughness", [0.0001, 0.001, 0.01, 0.05])
def test_rough_pipe_has_the_printed_friction_factor(roughness: float) -> None:
    # Moody (1944), right-hand limit of the chart; from memory
    assert rough_friction_factor(1.0, roughness) == expected("ff-fully-rough", f"f at e/D={roughness:g}")
    assert colebrook(1e12, roughness) == expected("ff-fully-rough", f"f at e/D={roughness:g}")


def test_smooth_plastic_pipe_agrees_with_cranes_example() -> None:
    # Crane TP 410, Example 7-1, answer as reported by the fluids library's notebook
    given_ = inputs("ff-smooth-plastic-crane")
    fluid = Fluid(given_["rho"], given_["mu"] / given_["rho"])
    re = reynolds(given_["Q_L_min"] / 60000.0, given_["D"], fluid)
    assert re == expected("ff-smooth-plastic-crane", "Re")
    assert darcy_friction_factor(re, 0.0) == expected("ff-smooth-plastic-crane", "f")


def test_laminar_flow_in_a_thin_tube_agrees_with_the_textbook() -> None:
    # Cengel & Cimbala, Fluid Mechanics, 1st ed., Example 8-2; printed answer from memory
    given_ = inputs("pipe-laminar-tube")
    density = given_["rho_lbm_ft3"] * POUND_KG / CUBIC_FOOT_M3
    fluid = Fluid(density, given_["mu_lbm_ft_s"] * POUND_KG / FOOT_M / density)
    bore = given_["D_in"] * INCH_M
    flow = given_["V_ft_s"] * FOOT_M * area_m2(bore)
    loss = pipe_head_loss_m(flow, given_["L_ft"] * FOOT_M, bore, PLASTIC, fluid)
    assert reynolds(flow, bore, fluid) == expected("pipe-laminar-tube", "Re (laminar)")
    assert loss / FOOT_M == expected("pipe-laminar-tube", "head loss")
    assert loss * density * GRAVITY_M_S2 / PSI_PA == expected("pipe-laminar-tube", "pressure drop")


def test_turbulent_flow_in_a_stainless_pipe_agrees_with_the_textbook() -> None:
    # Cengel & Cimbala, 1st ed., Example 8-3; printed answer from memory
    case = "pipe-turbulent-stainless-2in"
    given_ = inputs(case)
    density = given_["rho_lbm_ft3"] * POUND_KG / CUBIC_FOOT_M3
    fluid = Fluid(density, given_["mu_lbm_ft_s"] * POUND_KG / FOOT_M / density)
    bore, roughness = given_["D_in"] * INCH_M, given_["eps_ft"] * FOOT_M
    flow = given_["Q_ft3_s"] * CUBIC_FOOT_M3
    loss = pipe_head_loss_m(flow, given_["L_ft"] * FOOT_M, bore, roughness, fluid)
    pressure = loss * density * GRAVITY_M_S2
    assert reynolds(flow, bore, fluid) == expected(case, "Re")
    assert darcy_friction_factor(reynolds(flow, bore, fluid), roughness / bore) == expected(case, "f")
    assert loss / FOOT_M == expected(case, "head loss")
    assert pressure / (POUND_KG * GRAVITY_M_S2 / FOOT_M**2) == expected(case, "pressure drop")
    assert pressure * flow == expected(case, "power")


def test_head_loss_agrees_with_a_textbook_oil_line() -> None:
    # White, Fluid Mechanics, 4th ed., Example 6.7: f = 0.0225 (chart, to 2 %), so h = 117 m; from memory
    assert pipe_head_loss_m(0.2, 500.0, 0.200, 0.26e-3, Fluid(900.0, 1e-5)) == pytest.approx(117.0, rel=0.02)


@pytest.mark.parametrize(
    ("case", "flows"),
    [
        ("hazen-williams-sch40-1in", (5, 10)),
        ("hazen-williams-sch40-1quarter", (10, 20)),
        ("hazen-williams-sch40-2in", (20, 30, 50)),
    ],
)
def test_hazen_williams_agrees_with_a_plumbing_codes_table(case: str, flows: tuple[int, ...]) -> None:
    # Illinois Administrative Code, title 77, part 906, appendix A, exhibit I
    given_ = inputs(case)
    for flow in flows:
        loss = pipe_head_loss_m(
            flow * GPM_M3_S, 100.0, given_["D_in"] * INCH_M, 0.0, WATER, HazenWilliams(c=given_["C"])
        )
        assert loss == expected(case, f"h at {flow} gpm")


@pytest.mark.parametrize("form", ["US form", "bar form", "SI form"])
def test_hazen_williams_agrees_with_the_three_usual_unit_forms(form: str) -> None:
    # NFPA 13 formulas, US and metric, and the usual SI form; from memory
    given_ = inputs("hazen-williams-unit-forms")
    loss = pipe_head_loss_m(
        given_["Q_gpm"] * GPM_M3_S, given_["L_ft"], given_["D_in"] * INCH_M, 0.0, WATER, HazenWilliams(c=given_["C"])
    )
    assert loss == expected("hazen-williams-unit-forms", form)


# Hazen-Williams (C 150) less Colebrook in percent of it, fresh water 25 °C, average sch 40 bores, roughness 0.0015 mm;
# computed once with the fluids library
@pytest.mark.parametrize(
    ("bore_in", "velocity", "percent"), [(0.608, 0.3, -19.5), (0.804, 1.0, -5.4), (1.029, 2.0, 1.3), (2.047, 3.0, 6.6)]
)
def test_hazen_williams_departs_from_colebrook_as_known(bore_in: float, velocity: float, percent: float) -> None:
    fluid, bore = Fluid(997.05, 8.927e-7), bore_in * INCH_M
    flow = velocity * area_m2(bore)
    codes = pipe_head_loss_m(flow, 1.0, bore, PLASTIC, fluid, HazenWilliams())
    assert 100.0 * (codes / pipe_head_loss_m(flow, 1.0, bore, PLASTIC, fluid) - 1.0) == pytest.approx(percent, abs=0.5)


@given(st.floats(4000.0, 1e8), st.floats(0.0, 0.05))
def test_colebrook_is_solved_to_machine_precision(re: float, roughness: float) -> None:
    # fluids.friction.Colebrook: the exact solution by the Lambert W function
    assert colebrook(re, roughness) == pytest.approx(fluids.friction.Colebrook(re, roughness), rel=1e-9)


@given(st.floats(2300.0, 1e6), st.floats(0.006, 0.1), st.floats(0.0, 0.02))
def test_a_single_pipe_and_an_array_of_pipes_lose_the_same(re: float, bore: float, relative: float) -> None:
    flow = re * math.pi * bore * WATER.kinematic_viscosity_m2_s / 4.0
    pieces = PipePieces.of(np.array([2.0]), np.array([bore]), np.array([relative * bore]), WATER)
    head, _ = pieces.head_and_slope(np.array([-flow]))
    assert -head[0] == pytest.approx(pipe_head_loss_m(flow, 2.0, bore, relative * bore, WATER), rel=1e-12)


@given(st.floats(10.0, 2e5), st.floats(0.006, 0.1), st.floats(0.0, 0.05))
def test_the_slope_of_head_loss_is_its_derivative(re: float, bore: float, relative: float) -> None:
    flow = re * math.pi * bore * WATER.kinematic_viscosity_m2_s / 4.0
    pieces = PipePieces.of(np.full(3, 2.0), np.full(3, bore), np.full(3, relative * bore), WATER)
    head, slope = pieces.head_and_slope(flow * np.array([1.0 - 1e-6, 1.0, 1.0 + 1e-6]))
    assert (head[2] - head[0]) / (2e-6 * flow) == pytest.approx(slope[1], rel=1e-4)


@given(st.floats(0.0, 8000.0), st.floats(1.0, 100.0), st.sampled_from([0.0, 1e-4, 0.01, 0.05]))
def test_head_loss_rises_strictly_with_flow_through_the_transition(re: float, more: float, relative: float) -> None:
    bore = 0.0205
    per_re = math.pi * bore * WATER.kinematic_viscosity_m2_s / 4.0
    low = pipe_head_loss_m(re * per_re, 1.0, bore, relative * bore, WATER)
    assert pipe_head_loss_m((re + more) * per_re, 1.0, bore, relative * bore, WATER) > low


@pytest.mark.parametrize("re", [2000.0, 2040.0, 4000.0])
def test_head_loss_does_not_jump(re: float) -> None:
    per_re = math.pi * 0.0205 * WATER.kinematic_viscosity_m2_s / 4.0
    below, above = (pipe_head_loss_m((re + d) * per_re, 1.0, 0.0205, PLASTIC, WATER) for d in (-1e-3, 1e-3))
    assert above == pytest.approx(below, rel=1e-5)


def test_hazen_williams_slope_is_its_derivative() -> None:
    pieces = PipePieces.of(np.full(3, 2.0), np.full(3, 0.02), np.full(3, 0.0), WATER, HazenWilliams(c=140.0))
    head, slope = pieces.head_and_slope(3e-4 * np.array([1.0 - 1e-6, 1.0, 1.0 + 1e-6]))
    assert (head[2] - head[0]) / 6e-10 == pytest.approx(slope[1], rel=1e-6)


def test_growth_on_the_wall_costs_what_is_known() -> None:
    # 0.05 mm of growth in place of 0.0015 mm costs 15 to 20 % at 1 m/s, 24 to 30 % at 2 m/s, for 2 to 1/2 in pipe;
    # computed once with the fluids library, sea water 25 °C; two points of slack for the rounded bores
    fluid = Fluid(1023.22, 9.371e-7)
    for velocity, low, high in ((1.0, 0.13, 0.22), (2.0, 0.22, 0.32)):
        for bore in (0.0154, 0.0261, 0.0520):
            flow = velocity * area_m2(bore)
            ratio = pipe_head_loss_m(flow, 1, bore, 5e-5, fluid) / pipe_head_loss_m(flow, 1, bore, PLASTIC, fluid)
            assert low < ratio - 1.0 < high
