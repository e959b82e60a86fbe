"""What a dial shows and what the pump does: every kind of dial rises, and can be read backwards."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.errors import NetworkError
from optimizer.hydraulics import pump_head_m
from optimizer.model.dial import POWER, RPM, Dial, DialKind

TABLE = Dial(DialKind.TABLE, table=((0.3, 0.55), (0.6, 0.8), (1.0, 1.0)))
DIALS = [RPM, POWER, Dial(DialKind.FLOOR, 0.3), TABLE, Dial(DialKind.TABLE, table=((0.5, 0.7),))]


@given(st.sampled_from(DIALS), st.floats(0.01, 1.0))
def test_a_speed_can_be_read_back_from_the_dial(dial: Dial, setting: float) -> None:
    assert dial.setting(dial.speed(setting)) == pytest.approx(setting, rel=1e-9)


@given(st.sampled_from(DIALS), st.floats(0.0, 0.99), st.floats(0.001, 0.01))
def test_a_higher_setting_is_a_higher_speed(dial: Dial, setting: float, more: float) -> None:
    assert dial.speed(setting) < dial.speed(setting + more) <= 1.0 + 1e-12


@pytest.mark.parametrize("dial", DIALS)
def test_all_dials_agree_at_rest_and_at_full(dial: Dial) -> None:
    assert dial.speed(0.0) == 0.0
    assert dial.speed(1.0) == pytest.approx(1.0)


def test_half_the_power_is_four_fifths_of_the_speed() -> None:
    # affinity, P ~ n³: 0.5^(1/3) = 0.794
    assert POWER.speed(0.5) == pytest.approx(0.7937, abs=1e-4)


def test_between_the_points_of_a_table_lie_straight_lines() -> None:
    assert TABLE.speed(0.45) == pytest.approx(0.675)
    assert TABLE.speed(0.15) == pytest.approx(0.275)
    assert Dial(DialKind.TABLE, table=((0.5, 0.7),)).speed(0.75) == pytest.approx(0.85)


@pytest.mark.parametrize(
    "table", [((0.5, 0.7), (0.6, 0.6)), ((0.5, 0.7), (0.5, 0.8)), ((0.5, 1.2),), ((0.0, 0.3), (1.0, 1.0))]
)
def test_a_table_that_does_not_rise_is_refused(table: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(NetworkError, match="rise together"):
        Dial(DialKind.TABLE, table=table)


def test_a_floor_at_full_speed_is_refused() -> None:
    with pytest.raises(NetworkError, match="the floor of a dial"):
        Dial(DialKind.FLOOR, 1.0)


def test_wear_lowers_a_pumps_head_at_every_flow() -> None:
    from dataclasses import replace

    from networks import parabola_pump

    pump = parabola_pump(4.0, 1e6)
    worn = replace(pump, head_factor=0.9)
    for flow in (0.0, 5e-4, 1.5e-3):
        assert pump_head_m(worn, flow, 0.8) == pytest.approx(0.9 * pump_head_m(pump, flow, 0.8))
    with pytest.raises(NetworkError, match="head factor"):
        pump_head_m(replace(pump, head_factor=0.0), 0.0)
