import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from networks import PORTS, parabola_pump
from published import FOOT_M, GPM_M3_S, expected, inputs
from scipy.interpolate import PchipInterpolator

from optimizer.errors import NetworkError
from optimizer.hydraulics import device_head_loss_m, past_curve, pump_head_m, pump_power_w
from optimizer.hydraulics.curves import MonotoneCurve
from optimizer.hydraulics.pumps import pump_curve
from optimizer.model.network import Device, Pump

HORSEPOWER_W = 745.6998715822702


def rising_points(falling: bool = False) -> st.SearchStrategy[list[tuple[float, float]]]:
    steps = st.lists(st.tuples(st.floats(0.1, 2.0), st.floats(0.05, 3.0)), min_size=2, max_size=6)

    def add_up(pairs: list[tuple[float, float]]) -> list[tuple[float, float]]:
        points, x, y = [(0.0, 20.0)], 0.0, 20.0
        for dx, dy in pairs:
            x, y = x + dx, y - dy if falling else y + dy
            points.append((x, y))
        return points

    return steps.map(add_up)


@given(rising_points(falling=True), st.floats(0.0, 1.0))
def test_a_curve_agrees_with_scipys_monotone_interpolation(points: list[tuple[float, float]], share: float) -> None:
    # scipy.interpolate.PchipInterpolator, of the same published scheme
    x = share * points[-1][0]
    reference = PchipInterpolator([p[0] for p in points], [p[1] for p in points])
    value, slope = MonotoneCurve.through(points).value_and_slope(x)
    assert value == pytest.approx(float(reference(x)), abs=1e-9)
    assert slope == pytest.approx(float(reference.derivative()(x)), abs=1e-7)


@given(rising_points(falling=True), st.floats(-3.0, 15.0), st.floats(0.01, 1.0), st.floats(0.2, 1.0))
def test_a_pumps_head_falls_with_flow_at_every_speed(
    points: list[tuple[float, float]], flow: float, more: float, speed: float
) -> None:
    curve = pump_curve(Pump("p", tuple(points), 1.0, PORTS))
    assert curve.head_and_slope(flow + more, speed)[0] < curve.head_and_slope(flow, speed)[0]


@given(rising_points(falling=True), st.floats(-3.0, 15.0), st.sampled_from([0.0, 0.4, 1.0]))
def test_the_slope_of_a_pump_is_its_derivative(points: list[tuple[float, float]], flow: float, speed: float) -> None:
    curve = pump_curve(Pump("p", tuple(points), 1.0, PORTS))
    knots = [p[0] * speed for p in points] + [0.0]
    if min(abs(flow - knot) for knot in knots) < 1e-3:
        return
    (low, _), (_, slope), (high, _) = (curve.head_and_slope(flow + d, speed) for d in (-1e-6, 0.0, 1e-6))
    assert (high - low) / 2e-6 == pytest.approx(slope, rel=1e-3, abs=1e-4)


def test_affinity_gives_the_printed_point() -> None:
    # Crane TP 410, Example 7-33; the printed digits were not seen, a source says they match
    given_ = inputs("affinity-speed-change")
    flow, head, speed = given_["Q_gpm"] * GPM_M3_S, given_["H_ft"] * FOOT_M, given_["n2"] / given_["n1"]
    pump = Pump("p", ((0.0, 1.5 * head), (flow, head)), 1.0, PORTS, power_w=given_["P_hp"] * HORSEPOWER_W)
    assert flow * speed / GPM_M3_S == expected("affinity-speed-change", "Q")
    assert pump_head_m(pump, flow * speed, speed) / FOOT_M == expected("affinity-speed-change", "H")
    power = pump_power_w(pump, speed)
    assert power is not None
    assert power / HORSEPOWER_W == expected("affinity-speed-change", "P")


def test_two_points_mean_a_parabola() -> None:
    pump = parabola_pump(9.0, 1e6)
    assert pump_head_m(pump, 0.0015) == pytest.approx(9.0 - 1e6 * 0.0015**2)


def test_a_flow_past_the_last_point_is_told() -> None:
    pump = Pump("p", ((0.0, 5.0), (0.001, 3.0)), 0.5, PORTS)
    assert not past_curve(pump, 0.0005)
    assert past_curve(pump, 0.00051)
    assert past_curve(pump, 0.0011, speed=1.0)


def test_a_stopped_pump_resists_both_ways() -> None:
    pump = parabola_pump(9.0, 1e6)
    assert pump_head_m(pump, 0.001, 0.0) == pytest.approx(-1.0)
    assert pump_head_m(pump, -0.001, 0.0) == pytest.approx(1.0)


def test_power_is_unknown_where_the_file_gives_none() -> None:
    assert pump_power_w(parabola_pump(9.0, 1e6)) is None


@pytest.mark.parametrize("curve", [((0.0, 5.0),), ((0.0, 5.0), (0.001, 5.0)), ((0.001, 5.0), (0.0, 6.0)), ()])
def test_a_curve_that_is_none_is_refused(curve: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(NetworkError, match="two points or more, flow rising, head falling"):
        pump_head_m(Pump("p", curve, 1.0, PORTS), 0.0)


def test_one_rated_point_is_a_square_law() -> None:
    device = Device("uv", ((3e-4, 0.64),), PORTS)
    assert device_head_loss_m(device, 3e-4) == pytest.approx(0.64)
    assert device_head_loss_m(device, 6e-4) == pytest.approx(2.56)
    assert device_head_loss_m(device, -1.5e-4) == pytest.approx(-0.16)


def test_points_of_a_square_law_give_it_back_between_and_beyond() -> None:
    device = Device("uv", tuple((q, 7e6 * q * q) for q in (1e-4, 2.5e-4, 4e-4)), PORTS)
    for flow in (0.5e-4, 1.7e-4, 3.3e-4, 9e-4):
        assert device_head_loss_m(device, flow) == pytest.approx(7e6 * flow * flow)


@given(rising_points(), st.floats(0.0, 15.0), st.floats(0.01, 1.0))
def test_a_devices_loss_rises_with_flow(points: list[tuple[float, float]], flow: float, more: float) -> None:
    device = Device("d", tuple((x, y) for x, y in points if x > 0.0), PORTS)
    assert device_head_loss_m(device, flow + more) > device_head_loss_m(device, flow)


def test_a_device_whose_loss_falls_is_refused() -> None:
    with pytest.raises(NetworkError, match="flow and loss rising"):
        device_head_loss_m(Device("d", ((1e-4, 1.0), (2e-4, 0.5)), PORTS), 1e-4)
    assert math.isfinite(device_head_loss_m(Device("d", ((1e-4, 1.0),), PORTS), 1e-4))
