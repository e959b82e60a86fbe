"""What is said of dials, bands and explanations. Pumps and flows are invented."""

from dataclasses import replace

from invented import GAL_H, demo_report, demo_system

from optimizer.documents.calibration_text import calibration_blocks, lift_share
from optimizer.documents.payload import flow_json
from optimizer.documents.tables import plain_text
from optimizer.documents.text import plan_blocks
from optimizer.documents.words import flow_span, pump_setting
from optimizer.hydraulics.calibration import CalibrationReport, Explanation
from optimizer.hydraulics.factors import Factor, FactorKind
from optimizer.hydraulics.next_reading import NextReading
from optimizer.model.calibration import Calibration, Measurement
from optimizer.model.dial import POWER, RPM, Dial, DialKind
from optimizer.model.network import Pump


def pump_of(system) -> Pump:  # type: ignore[no-untyped-def]
    return next(iter(system.network.pumps.values()))


def reading(run: str, flow: float, **settings: float) -> Measurement:
    return Measurement(run, flow * GAL_H, settings)


def explanation(calibration: Calibration, *free: Factor, oddities: tuple[str, ...] = ()) -> Explanation:
    spreads = tuple(0.05 for _ in free)
    return Explanation(calibration, free, spreads, (700 * GAL_H,), True, oddities, 0.1, 1.1)


def test_a_setting_says_what_the_dial_shows_and_what_the_pump_does() -> None:
    pump = pump_of(demo_system())
    assert pump_setting(replace(pump, dial=None), 0.9) == "90 %"
    assert pump_setting(replace(pump, dial=RPM), 0.9) == "90 %"
    assert pump_setting(replace(pump, dial=POWER), 0.9) == "73 % (90 % of full rpm)"
    assert pump_setting(replace(pump, dial=Dial(DialKind.FLOOR, 0.5)), 0.9) == "80 % (90 % of full rpm)"


def test_a_span_names_its_unit_once() -> None:
    assert flow_span(300 * GAL_H, 340 * GAL_H, "US") == "300 to 340 gph"


def test_a_plan_with_bands_shows_them_beside_its_flows() -> None:
    report = demo_report()
    run = report.verification.demands[0].run
    text = plain_text(plan_blocks(replace(report, band={run: (700 * GAL_H, 800 * GAL_H)})))
    assert "80 % range" in text
    assert "700 to 800 gph" in text
    assert "8 times of 10" not in plain_text(plan_blocks(replace(report, band=None)))


def test_flows_without_a_band_have_no_keys_for_one() -> None:
    from test_text import solution

    assert all("flow_low_m3_s" not in run for run in flow_json(demo_system(), solution())["runs"])


def test_what_the_readings_leave_open_is_said() -> None:
    system = demo_system()
    name, run = pump_of(system).name, next(iter(system.network.runs))
    worn = explanation(Calibration(1.0, {name: 0.9}), Factor(FactorKind.PUMP_HEAD, name))
    rough = explanation(Calibration(1.3), Factor(FactorKind.LOSS))
    odd = explanation(Calibration(3.0), Factor(FactorKind.LOSS), oddities=("an absurd plumbing",))
    following = NextReading(reading(run, 0.0, **{name: 1.0}), (9e-4, 8e-4, 5e-4), (False, False, True))
    report = CalibrationReport((reading(run, 700, **{name: 0.8}),), rough, (rough, worn, odd), (), False, following)
    text = plain_text(calibration_blocks(system, report))
    assert "losses × 1.30 (± 0.05)" in text
    assert f"head of pump {name} × 0.90 (± 0.05)" in text
    assert "C needs an absurd plumbing." in text
    assert "One reading cannot distinguish A from B." in text
    assert "That distinguishes A from C; B would need a reading better than 5 %." in text
    assert "Watch the overflow and the drains" in text


def test_what_settles_it_is_said_and_nothing_more_is_asked_for() -> None:
    system = demo_system()
    run = next(iter(system.network.runs))
    best = explanation(Calibration(1.3), Factor(FactorKind.LOSS))
    readings = (reading(run, 700), reading(run, 600), reading(run, 500))
    best = replace(best, expected_m3_s=tuple(one.flow_m3_s for one in readings))
    text = plain_text(calibration_blocks(system, CalibrationReport(readings, best, (best,), (), True, None)))
    assert "Three readings settle it" in text
    assert "Measure next" not in text


def test_the_lift_is_a_share_of_what_the_pump_can_lift() -> None:
    system = demo_system()
    heads = [point.head_m for point in system.network.points.values() if point.is_fixed and point.head_m is not None]
    expected = (max(heads) - min(heads)) / pump_of(system).curve[0][1]
    share = lift_share(system.network, Calibration())
    assert share is not None
    assert abs(share - expected) < 1e-12
