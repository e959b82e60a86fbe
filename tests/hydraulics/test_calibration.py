"""Measured flows give back the factors that made them, and say what they cannot tell apart."""

import math

import pytest
from networks import PORTS, check_valve, fitting, fixed_k, network, parabola_pump, pipe, pump_part, run, surface, valve

from optimizer.errors import NetworkError
from optimizer.hydraulics import GRAVITY_M_S2, readings, solve_network
from optimizer.hydraulics.calibration import CalibrationReport, Explanation, calibrate
from optimizer.hydraulics.friction import area_m2
from optimizer.model.calibration import Calibration, Measurement, with_calibration, with_dial, without_calibration
from optimizer.model.catalog import Kind, LossMethod
from optimizer.model.dial import POWER, RPM, Dial, DialKind
from optimizer.model.network import Network, Part, Pump

GALLON_H_M3_S = 3.785411784e-3 / 3600.0
FOOT_M = 0.3048
H0_M, A_S2_M5, LIFT_M, K, BORE_M = 4.0, 2.0e6, 1.5, 12.0, 0.0266
SURFACE_K = 1.5  # sharp entrance of a union and a full velocity head at the exit


def plain(dial: Dial | None = RPM) -> Network:
    """A pump, one plain K and open water at both ends: the flow has a closed form."""
    pump = with_dial(parabola_pump(H0_M, A_S2_M5), dial)
    line = run("line", "sump", "display", fixed_k(0.0, BORE_M), pump_part(), fixed_k(K, BORE_M))
    return network([surface("sump", 0.0), surface("display", LIFT_M)], [line], pumps=[pump])


def closed_form(speed: float, loss: float = 1.0, head: float = 1.0, shift_m: float = 0.0) -> float:
    """Q = sqrt((s² h H0 - lift) / (h a + f k)): hydraulics of one line, by hand."""
    k_s2_m5 = (K + SURFACE_K) / (2.0 * GRAVITY_M_S2 * area_m2(BORE_M) ** 2)
    left_m = speed**2 * head * H0_M - LIFT_M - shift_m
    return math.sqrt(left_m / (head * A_S2_M5 + loss * k_s2_m5))


def read(setting: float, flow_m3_s: float, **more: object) -> Measurement:
    return Measurement("line", flow_m3_s, {"pump": setting}, **more)  # type: ignore[arg-type]


def best_of(report: CalibrationReport) -> Explanation:
    assert report.best is not None
    return report.best


def test_flows_as_published_need_no_factor() -> None:
    report = calibrate(plain(), [read(s, closed_form(s)) for s in (0.7, 0.85, 1.0)])
    assert best_of(report).calibration == Calibration()
    assert best_of(report).free == ()
    assert report.settled


def test_a_loss_factor_comes_back_from_the_closed_form() -> None:
    flows = [read(s, closed_form(s, loss=1.6), accuracy=0.01) for s in (0.65, 0.8, 1.0)]
    found = best_of(calibrate(plain(), flows))
    assert [str(factor.kind) for factor in found.free] == ["loss factor"]
    assert found.calibration.loss_factor == pytest.approx(1.6, rel=0.01)
    assert found.expected_m3_s == pytest.approx([one.flow_m3_s for one in flows], rel=0.005)


def test_wear_comes_back_from_the_closed_form() -> None:
    flows = [read(s, closed_form(s, head=0.85), accuracy=0.01) for s in (0.7, 0.8, 0.9, 1.0)]
    report = calibrate(plain(), flows)
    assert best_of(report).calibration.pump_head_factors["pump"] == pytest.approx(0.85, rel=0.01)
    assert report.settled or len(report.explanations) > 1


def test_loss_and_wear_together_come_back_from_settings_of_a_valve() -> None:
    # a fouled pump and a narrowed line are told apart by two valve settings: common practice, no source
    line = run("line", "sump", "display", pump_part(), valve(BORE_M, k=2.0), pipe(4.0, BORE_M), fixed_k(6.0, BORE_M))
    described = network(
        [surface("sump", 0.0), surface("display", LIFT_M)], [line], pumps=[with_dial(parabola_pump(H0_M, 1e6), RPM)]
    )
    truth = with_calibration(described, Calibration(1.5, {"pump": 0.88}))

    def measured(setting: float, opening: float) -> Measurement:
        blank = read(setting, 1.0, openings={"line": opening}, accuracy=0.005)
        from optimizer.hydraulics.readings import with_valves

        pumps = {"pump": with_dial(truth.pumps["pump"], RPM)}
        at = with_valves(truth, blank.openings)
        flow = solve_network(_at_speed(at, setting, pumps["pump"])).flows_m3_s["line"]
        return read(setting, flow, openings={"line": opening}, accuracy=0.005)

    readings = [measured(1.0, 1.0), measured(1.0, 0.5), measured(0.8, 1.0), measured(0.8, 0.5), measured(0.9, 0.7)]
    found = best_of(calibrate(described, readings)).calibration
    assert found.loss_factor == pytest.approx(1.5, rel=0.05)
    assert found.pump_head_factors["pump"] == pytest.approx(0.88, rel=0.02)


def _at_speed(plumbing: Network, speed: float, pump: Pump) -> Network:
    from dataclasses import replace

    return replace(plumbing, pumps={"pump": replace(pump, speed=speed)})


@pytest.mark.long
def test_a_power_dial_is_told_from_rpm_by_three_settings() -> None:
    described = plain(None)
    flows = [read(p, closed_form(p ** (1 / 3)), accuracy=0.02) for p in (0.35, 0.5, 0.7, 1.0)]
    report = calibrate(described, flows)
    assert best_of(report).calibration.dials == {"pump": POWER}
    assert report.settled


@pytest.mark.long
def test_a_floor_of_the_dial_comes_back() -> None:
    described = plain(None)
    flows = [read(p, closed_form(0.45 + 0.55 * p), accuracy=0.01) for p in (0.4, 0.55, 0.7, 0.85, 1.0)]
    dial = best_of(calibrate(described, flows)).calibration.dials["pump"]
    assert dial.kind is DialKind.FLOOR
    assert dial.floor == pytest.approx(0.45, abs=0.01)


def test_a_dial_that_is_known_is_not_guessed_at() -> None:
    report = calibrate(plain(RPM), [read(0.8, closed_form(0.8, loss=1.4)), read(0.9, closed_form(0.9, loss=1.4))])
    assert all(not one.calibration.dials for one in (*report.explanations, *report.failing))


def test_one_reading_can_not_settle_anything() -> None:
    report = calibrate(plain(), [read(0.8, 0.8 * closed_form(0.8))])
    kinds = {str(factor.kind) for one in report.explanations for factor in one.free}
    assert kinds == {"loss factor", "pump head factor", "height shift"}
    assert all(len(one.free) == 1 for one in report.explanations)
    assert not report.settled


def test_the_next_reading_parts_what_one_reading_could_not() -> None:
    flow = closed_form(0.8, loss=2.0)
    report = calibrate(plain(), [read(0.8, flow)])
    following = report.next_reading
    assert following is not None
    # take it, as the true loss factor would have it, and the believable rivals that it parts are gone or fit less
    setting = following.reading.settings["pump"]
    again = calibrate(plain(), [read(0.8, flow, accuracy=0.02), read(setting, closed_form(setting, loss=2.0))])
    assert best_of(again).calibration.loss_factor == pytest.approx(2.0, rel=0.1)


def test_no_more_factors_are_fitted_than_there_are_different_readings() -> None:
    same = read(0.8, 0.9 * closed_form(0.8))
    report = calibrate(plain(), [same, same, same])
    assert all(len(one.free) <= 1 for one in (*report.explanations, *report.failing))


def test_readings_that_nothing_explains_give_no_best() -> None:
    report = calibrate(plain(), [read(0.8, 1.3e-3, accuracy=0.01), read(0.9, 0.2e-3, accuracy=0.01)])
    assert report.best is None
    assert not report.settled


def test_factors_put_into_a_network_give_the_expected_flows() -> None:
    described = plain(None)
    flows = [read(p, closed_form(p ** (1 / 3), loss=1.3)) for p in (0.4, 0.6, 0.9)]
    found = best_of(calibrate(described, flows))
    for one, expected in zip(flows, found.expected_m3_s, strict=True):
        plumbing = with_calibration(described, found.calibration)
        pump = plumbing.pumps["pump"]
        assert pump.dial is not None
        at = _at_speed(plumbing, pump.dial.speed(one.settings["pump"]), pump)
        assert solve_network(at).flows_m3_s["line"] == pytest.approx(expected, rel=1e-6)


def test_a_calibration_can_be_taken_back() -> None:
    described = plain(None)
    calibration = Calibration(1.2, {"pump": 0.9}, 0.1, {"pump": POWER})
    back = without_calibration(with_calibration(described, calibration), calibration)
    assert back.pumps["pump"].speed == pytest.approx(described.pumps["pump"].speed)
    assert (back.loss_factor, back.height_shift_m, back.pumps["pump"].dial) == (1.0, 0.0, None)
    assert back.points["sump"].head_m == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("reading", "message"),
    [
        (Measurement("lien", 1e-3), "there is no run 'lien'"),
        (Measurement("line", 1e-3, {"pomp": 0.5}), "a reading names the pump 'pomp'; the pumps are pump"),
        (Measurement("line", 1e-3, {}, {"line": 0.5}), "has no valve"),
        (Measurement("line", 1e-3, accuracy=0.0), "accuracy 0"),
    ],
)
def test_a_reading_of_what_is_not_there_is_refused(reading: Measurement, message: str) -> None:
    with pytest.raises(NetworkError, match=message):
        calibrate(plain(), [reading])


def test_without_a_reading_there_is_nothing_to_fit() -> None:
    with pytest.raises(NetworkError, match="nothing was measured"):
        calibrate(plain(), [])


# A pump rated just over 4800 gal/h with the sump a floor below gives just under 1200 gal/h at 72 % and 24 gal/h at 38 %
# of its dial: common practice, no source. The plumbing between is invented, about as narrow as such a return line is.


def from_the_cellar(*, with_check_valve: bool = False) -> Network:
    gal_h, bore = GALLON_H_M3_S, 0.0351
    curve = ((0.0, 20.0), (1500 * gal_h, 18.5), (3000 * gal_h, 13.0), (4000 * gal_h, 7.5), (4850 * gal_h, 0.0))
    pump = Pump("return", tuple((flow, head * FOOT_M) for flow, head in curve), 1.0, PORTS)
    elbow = fitting(Kind.ELBOW, bore, LossMethod.THREE_K, 800.0, 0.14, 4.0, 1.25)
    parts: list[Part] = [pump_part("return"), pipe(14.0, bore), *[elbow] * 7, fixed_k(3.0, bore)]
    if with_check_valve:
        parts.append(check_valve(bore, 0.5))
    line = run("return line", "sump", "display", *parts)
    return network([surface("sump", 0.0), surface("display", LIFT_FT * FOOT_M)], [line], pumps=[pump])


LIFT_FT = 10.47
TWO_READINGS = (
    Measurement("return line", 1190.0 * GALLON_H_M3_S, {"return": 0.72}),
    Measurement("return line", 24.0 * GALLON_H_M3_S, {"return": 0.38}),
)


@pytest.fixture(scope="module", params=[False, True], ids=["no check valve", "check valve"])
def trade(request: pytest.FixtureRequest) -> CalibrationReport:
    return calibrate(from_the_cellar(with_check_valve=request.param), TWO_READINGS)


@pytest.mark.long
def test_the_trade_fact_fits_a_power_dial(trade: CalibrationReport) -> None:
    found = best_of(trade)
    assert found.calibration.dials["return"].kind is DialKind.POWER
    assert found.expected_m3_s[0] == pytest.approx(1190.0 * GALLON_H_M3_S, rel=0.1)
    assert found.expected_m3_s[1] < 100.0 * GALLON_H_M3_S
    # the dial's 38 % is just what lifts the water: 0.38^(2/3) = 0.525 of the shut-off head
    shut_off_m = 20.0 * FOOT_M * found.calibration.pump_head_factors.get("return", 1.0)
    lift_m = LIFT_FT * FOOT_M + found.calibration.height_shift_m
    assert lift_m / shut_off_m == pytest.approx(0.525, abs=0.02)


def test_the_trade_fact_read_as_rpm_implies_an_absurd_pump(trade: CalibrationReport) -> None:
    as_rpm = [one for one in trade.explanations if one.calibration.dials["return"].kind is DialKind.RPM]
    assert as_rpm
    assert not any(one.believable for one in as_rpm)
    absurd = next(one for one in as_rpm if any("the head of the curve" in text for text in one.oddities))
    assert absurd.calibration.pump_head_factors["return"] > 3.0  # 70 ft of shut-off head from an aquarium pump


def test_two_readings_can_not_settle_the_trade_fact(trade: CalibrationReport) -> None:
    believable = {one.calibration.dials["return"].kind for one in trade.explanations if one.believable}
    assert believable == {DialKind.POWER, DialKind.FLOOR}
    assert not trade.settled


def test_a_third_reading_is_named_with_the_flows_to_expect(trade: CalibrationReport) -> None:
    following = trade.next_reading
    assert following is not None
    setting = following.reading.settings["return"]
    assert 0.45 <= setting <= 0.6 or 0.85 <= setting <= 0.95
    assert len(following.expected_m3_s) == len(trade.explanations)
    assert any(following.apart)
    assert all(flow > 0.0 for flow in following.expected_m3_s)


def test_readings_under_one_setting_are_solved_for_once(monkeypatch: pytest.MonkeyPatch) -> None:
    solved: list[int] = []
    original = readings.solve_flows
    monkeypatch.setattr(readings, "solve_flows", lambda *given: solved.append(1) or original(*given))
    counts = []
    for often in (1, 100):
        solved.clear()
        calibrate(plain(), [read(0.9, closed_form(0.9))] * often)
        counts.append(len(solved))

    assert counts[1] < 3 * counts[0]
