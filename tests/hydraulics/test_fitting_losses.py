import math

import fluids
import pytest
from networks import FRESH, fitting, fixed_k, item, network, pipe, reducer, run, surface, valve
from published import INCH_M, expected, inputs

from optimizer.errors import NetworkError
from optimizer.hydraulics import (
    Conditions,
    conditions_of,
    entrance_head_loss_m,
    exit_head_loss_m,
    fluid_of,
    part_head_loss_m,
    valve_k,
)
from optimizer.hydraulics.fittings import (
    MinorLoss,
    change_of_bore,
    crane,
    crane_friction_factor,
    flow_coefficient,
    linear_and_square,
    three_k,
    two_k,
)
from optimizer.hydraulics.friction import area_m2
from optimizer.hydraulics.water import GRAVITY_M_S2, Fluid
from optimizer.model.catalog import Kind, LossMethod
from optimizer.model.network import Part, Water

CONDITIONS = Conditions(fluid_of(FRESH), {})


def k_at(loss: MinorLoss, re: float) -> float:
    """K of a loss at a Reynolds number, by way of the head it takes."""
    fluid = Fluid(1000.0, 1e-6)
    flow = re * math.pi * loss.bore_m * 1e-6 / 4.0
    linear, square = linear_and_square(loss, fluid.kinematic_viscosity_m2_s)
    return (linear * flow + square * flow**2) / ((flow / area_m2(loss.bore_m)) ** 2 / (2.0 * GRAVITY_M_S2))


def test_two_k_and_three_k_give_the_published_values() -> None:
    # Hooper (1981) and Darby (1999), worked from the tabulated constants
    assert k_at(two_k(1500.0, 4.0, 2 * INCH_M), 1e4) == expected("two-k-three-k-values", "2-K globe")
    assert k_at(three_k(950.0, 0.25, 4.0, 2.0, 2 * INCH_M), 1e4) == expected("two-k-three-k-values", "3-K angle valve")


# Standard threaded elbow by four methods, computed once with the fluids library: (nominal inches, Re, 2-K, 3-K, 30 fT)
@pytest.mark.parametrize(
    ("nominal", "bore_in", "re", "by_2k", "by_3k", "by_crane"),
    [(0.5, 0.608, 5e3, 1.22, 0.99, 0.77), (1.0, 1.029, 1e5, 0.80, 0.71, 0.67), (2.0, 2.047, 1e5, 0.60, 0.60, 0.57)],
)
def test_elbow_by_each_method(
    nominal: float, bore_in: float, re: float, by_2k: float, by_3k: float, by_crane: float
) -> None:
    bore = bore_in * INCH_M
    assert k_at(two_k(800.0, 0.4, bore), re) == pytest.approx(by_2k, abs=0.015)
    assert k_at(three_k(800.0, 0.14, 4.0, nominal, bore), re) == pytest.approx(by_3k, abs=0.015)
    assert k_at(crane(30.0, bore), re) == pytest.approx(by_crane, abs=0.015)


def test_two_k_and_three_k_agree_with_the_fluids_library() -> None:
    assert k_at(two_k(800.0, 0.4, 0.0266), 7e3) == pytest.approx(
        fluids.Hooper2K(0.0266 / INCH_M, 7e3, K1=800, Kinfty=0.4)
    )
    assert k_at(three_k(800.0, 0.14, 4.0, 1.0, 0.0266), 7e3) == pytest.approx(
        fluids.Darby3K(NPS=1.0, Re=7e3, K1=800, Ki=0.14, Kd=4.0)
    )


@pytest.mark.parametrize("angle_deg", [5.0, 30.0, 44.9, 45.0, 60.0, 120.0, 180.0])
def test_cones_are_those_of_crane_by_hand(angle_deg: float) -> None:
    # Crane TP 410 appendix A, formulas 1 to 4, on the smaller bore; from memory
    leaning, unlike = math.sin(math.radians(angle_deg / 2.0)), 1.0 - (0.0266 / 0.0525) ** 2
    narrows = (0.8 * leaning if angle_deg < 45.0 else 0.5 * math.sqrt(leaning)) * unlike
    widens = (2.6 * leaning if angle_deg < 45.0 else 1.0) * unlike**2

    assert change_of_bore(0.0525, 0.0266, angle_deg) == MinorLoss(0.0, pytest.approx(narrows, rel=1e-9), 0.0266)
    assert change_of_bore(0.0266, 0.0525, angle_deg) == MinorLoss(0.0, pytest.approx(widens, rel=1e-9), 0.0266)
    assert change_of_bore(0.0266, 0.0266, angle_deg).k_infinity == 0.0


@pytest.mark.parametrize("kv_m3_h", [3.0, 12.5, 60.0])
def test_a_kv_is_1_6e9_d4_over_kv_squared(kv_m3_h: float) -> None:
    # IEC 60534: 1 bar at Kv m3/h of water, density 1000 kg/m3; the constant is rounded to 1.6e9
    assert flow_coefficient(kv_m3_h, 0.0266).k_infinity == pytest.approx(1.6e9 * 0.0266**4 / kv_m3_h**2, rel=1e-3)


def test_fully_turbulent_friction_factor_is_cranes() -> None:
    # Crane TP 410 appendix A, 2009 and later; from memory
    names = ["0.5", "0.75", "1", "1.25", "1.5", "2", "3", "4"]
    for name, bore in zip(names, inputs("fT-table")["bore_in"], strict=True):
        assert crane_friction_factor(bore * INCH_M) == expected("fT-table", f"fT {name} in")


def test_fully_turbulent_friction_factor_agrees_with_the_fluids_library() -> None:
    for bore in (0.0158, 0.0266, 0.0525):
        assert crane_friction_factor(bore) == pytest.approx(fluids.fittings.ft_Crane(bore), rel=0.02)


@pytest.mark.parametrize(
    ("quantity", "multiple"),
    [
        ("ball K/fT", 3), ("gate K/fT", 8), ("globe K/fT", 340), ("swing_check_inclined_seat K/fT", 100),
        ("swing_check_vertical_seat K/fT", 50), ("angle_valve K/fT", 150), ("lift_check_globe K/fT", 600),
        ("lift_check_angle K/fT", 55), ("foot_poppet K/fT", 420), ("foot_hinged K/fT", 75),
        ("butterfly_2_to_8in K/fT", 45),
    ],
)  # fmt: skip
def test_a_valve_row_in_cranes_multiples_gives_the_printed_k_over_ft(quantity: str, multiple: float) -> None:
    # Crane TP 410 appendix A; from memory. Through a part's head loss, at any flow
    bore = 0.0525
    part = fitting(Kind.SWING_CHECK_VALVE, bore, LossMethod.CRANE, multiple)
    velocity_head = (1e-3 / area_m2(bore)) ** 2 / (2.0 * GRAVITY_M_S2)
    k = part_head_loss_m(part, 1e-3, CONDITIONS) / velocity_head
    assert k / crane_friction_factor(bore) == expected("valve-K-multiples", quantity)


def test_bends_of_any_radius_in_cranes_multiples() -> None:
    # Crane TP 410 appendix A, pipe bends; from memory; the same row against the fluids library's bend
    for ratio, multiple in zip(
        inputs("bend-K-vs-radius")["r_over_d"], (20, 14, 12, 12, 14, 17, 24, 30, 34, 38, 42, 50), strict=True
    ):
        bore = 0.0525
        assert multiple == expected("bend-K-vs-radius", f"K/fT at r/d {ratio}")
        assert k_at(crane(multiple, bore), 1e5) == pytest.approx(
            fluids.fittings.bend_rounded_Crane(Di=bore, angle=90.0, bend_diameters=ratio), rel=0.02
        )


def test_flow_coefficient_gives_the_printed_k() -> None:
    # Crane TP 410, Example 7-2; and K = 891 d^4/Cv^2 with IEC 60534 constants, from memory
    given_ = inputs("Kv-to-K-globe")
    k = k_at(flow_coefficient(given_["Kv"], given_["D"]), 1e5)
    assert k == expected("Kv-to-K-globe", "K")
    assert k / given_["f"] == expected("Kv-to-K-globe", "L/D")
    assert k / given_["f"] * given_["D"] == expected("Kv-to-K-globe", "L")
    case = inputs("Cv-Kv-K-forms")
    kv = case["Cv"] * 0.865
    assert k_at(flow_coefficient(kv, case["D_in"] * INCH_M), 1e5) == expected("Cv-Kv-K-forms", "K")


def test_flow_coefficient_loses_one_bar_at_its_flow() -> None:
    # the definition of Kv, IEC 60534: 1 bar at Kv m3/h of water
    part = fitting(Kind.GLOBE_VALVE, 0.0266, LossMethod.KV, 3.0)
    assert part_head_loss_m(part, 3.0 / 3600.0, CONDITIONS) * 1000.0 * GRAVITY_M_S2 == pytest.approx(1e5, rel=0.002)


def test_a_flow_sensor_of_kv_3_costs_what_is_known() -> None:
    # 20 L/min through Kv 3 costs 1.6 m; worked by hand from the definition
    part = fitting(Kind.ADAPTER, 0.0266, LossMethod.KV, 3.0)
    assert part_head_loss_m(part, 20.0 / 60000.0, CONDITIONS) == pytest.approx(1.6, abs=0.05)


def test_sudden_and_conical_changes_of_bore_give_the_printed_k() -> None:
    # Crane TP 410 appendix A, enlargements and contractions; from memory
    small, large = 0.02, 0.04
    for quantity, loss in (
        ("K sudden expansion", change_of_bore(small, large)),
        ("K sudden contraction", change_of_bore(large, small)),
        ("K expansion 30 deg", change_of_bore(small, large, 30.0)),
        ("K contraction 30 deg", change_of_bore(large, small, 30.0)),
    ):
        assert loss.bore_m == small
        assert loss.k_infinity == expected("expansion-sudden", quantity)


def test_a_reducer_loses_by_its_direction_on_the_small_bore() -> None:
    part = reducer(0.04, 0.02)
    velocity_head = (1e-3 / area_m2(0.02)) ** 2 / (2.0 * GRAVITY_M_S2)
    assert part_head_loss_m(part, 1e-3, CONDITIONS) == pytest.approx(0.375 * velocity_head)
    assert part_head_loss_m(part, -1e-3, CONDITIONS) == pytest.approx(-0.5625 * velocity_head)


def test_a_reducer_turned_round_swaps_its_losses() -> None:
    forwards, backwards = reducer(0.04, 0.02), reducer(0.02, 0.04)
    assert part_head_loss_m(forwards, -1e-3, CONDITIONS) == pytest.approx(
        -part_head_loss_m(backwards, 1e-3, CONDITIONS)
    )


def test_a_moulded_reducing_coupling_contracts_more_gently_than_a_bushing() -> None:
    bushing, coupling = reducer(0.04, 0.02), reducer(0.04, 0.02, Kind.REDUCING_COUPLING)
    assert part_head_loss_m(coupling, 1e-3, CONDITIONS) < part_head_loss_m(bushing, 1e-3, CONDITIONS)


def test_entrances_and_exits_have_the_printed_k() -> None:
    # Crane TP 410 appendix A, entrances and exits; from memory
    bore = 0.0266
    velocity_head = (1e-3 / area_m2(bore)) ** 2 / (2.0 * GRAVITY_M_S2)
    bulkhead = fitting(Kind.BULKHEAD, bore, LossMethod.NONE)
    flush = entrance_head_loss_m(bulkhead, 1e-3, CONDITIONS) / velocity_head
    projecting = entrance_head_loss_m(pipe(1.0, bore), 1e-3, CONDITIONS) / velocity_head
    leaving = exit_head_loss_m(pipe(1.0, bore), 1e-3, CONDITIONS) / velocity_head
    assert flush == expected("entrance-exit-K", "K r/d 0.0")
    assert projecting == expected("entrance-exit-K", "K projecting")
    assert leaving == expected("entrance-exit-K", "K exit")


@pytest.mark.parametrize(
    ("radius", "k"), [("0.02", 0.28), ("0.04", 0.24), ("0.06", 0.15), ("0.1", 0.09), ("0.15", 0.04)]
)
def test_a_rounded_entrance_can_be_written_as_a_catalog_k(radius: str, k: float) -> None:
    # Crane TP 410 appendix A; from memory
    velocity_head = (1e-3 / area_m2(0.0266)) ** 2 / (2.0 * GRAVITY_M_S2)
    loss = part_head_loss_m(fixed_k(k, 0.0266), 1e-3, CONDITIONS) / velocity_head
    assert loss == expected("entrance-exit-K", f"K r/d {radius}")


def test_a_pump_that_stands_in_the_sump_has_no_entrance_loss() -> None:
    part = Part(Kind.PUMP, (), (0.03, 0.03), name="return")
    assert entrance_head_loss_m(part, 1e-3, CONDITIONS) == 0.0


def test_an_elbow_that_opens_straight_into_the_tank_costs_about_three() -> None:
    # D. S. Miller, Internal Flow Systems, outlet correction of a bend r/d 1, as the fluids library carries it
    bore = 0.0254
    miller = [
        fluids.fittings.bend_rounded_Miller(bore, 90.0, Re=3e4, rc=bore, roughness=1.5e-6, L_unimpeded=length)
        for length in (0.0, 20.0 * bore)
    ]
    elbow = fitting(Kind.ELBOW, bore, LossMethod.CRANE, 30.0)
    alone = part_head_loss_m(elbow, 1e-3, CONDITIONS)
    jet = exit_head_loss_m(elbow, 1e-3, CONDITIONS) - exit_head_loss_m(pipe(1.0, bore), 1e-3, CONDITIONS)
    assert (alone + jet) / alone == pytest.approx(miller[0] / miller[1], rel=0.02)


def test_a_valve_adds_to_its_catalog_loss_what_closing_takes() -> None:
    open_, half = valve(0.0266, 1.0), valve(0.0266, 0.5)
    velocity_head = (5e-4 / area_m2(0.0266)) ** 2 / (2.0 * GRAVITY_M_S2)
    added = part_head_loss_m(half, 5e-4, CONDITIONS) - part_head_loss_m(open_, 5e-4, CONDITIONS)
    assert added / velocity_head == pytest.approx(valve_k(Kind.BALL_VALVE, 0.5))


def test_what_is_shut_takes_endless_head_and_what_is_open_ended_none() -> None:
    assert part_head_loss_m(valve(0.0266, 0.0), 1e-4, CONDITIONS) == math.inf
    assert part_head_loss_m(fitting(Kind.CAP, 0.0266, LossMethod.NONE), 1e-4, CONDITIONS) == math.inf
    assert part_head_loss_m(Part(Kind.OPEN_JOINT, (), ()), 1e-4, CONDITIONS) == 0.0


def test_minimum_wall_pipe_loses_less_than_average_pipe() -> None:
    # 1 in sch 40: 1.049 in less than 1.029 in by 7.8 % of head; computed once with the fluids library
    row = item(Kind.PIPE, (1.029 * INCH_M,), bore_min_wall=1.049 * INCH_M, roughness=1.5e-6)
    part = Part(Kind.PIPE, (), (row.bore_m, row.bore_m), row, length_m=1.0)
    plumbing = network([surface("a", 1.0), surface("b", 0.0)], [run("r", "a", "b", part)], water=Water(35.0, 25.0))
    average = part_head_loss_m(part, 8e-4, conditions_of(plumbing))
    largest = part_head_loss_m(part, 8e-4, conditions_of(plumbing, bore="minimum wall"))
    assert average / largest - 1.0 == pytest.approx(0.095, abs=0.02)


def test_the_loss_factor_multiplies_every_loss() -> None:
    twice = Conditions(fluid_of(FRESH), {}, loss_factor=2.0)
    for part in (pipe(1.0, 0.0266), fixed_k(2.0, 0.0266), reducer(0.04, 0.02), valve(0.02, 0.4)):
        assert part_head_loss_m(part, 3e-4, twice) == pytest.approx(2.0 * part_head_loss_m(part, 3e-4, CONDITIONS))


def test_a_row_with_too_few_coefficients_is_refused_in_words() -> None:
    with pytest.raises(NetworkError, match="elbow: 3-K cannot be read from coefficients"):
        part_head_loss_m(fitting(Kind.ELBOW, 0.0266, LossMethod.THREE_K, 800.0), 1e-4, CONDITIONS)
