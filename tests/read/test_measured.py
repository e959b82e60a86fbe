"""Dials, readings, factors and the state of the pipe, as a system file says them."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.errors import InputError
from optimizer.model.calibration import Calibration, Measurement
from optimizer.model.catalog import Catalog
from optimizer.model.dial import POWER, RPM, Dial, DialKind
from optimizer.model.system import System
from optimizer.read.systems import load_system

GALLON_H_M3_S = 3.785411784e-3 / 3600.0
SYSTEM = """\
system: For a test
units: US
surfaces: {{sump: 0, display: 10 ft}}
pumps:
  return: {{curve: [0 gal/h at 20 ft, 4800 gal/h at 0 ft], ports: 1 in socket, speed: 72 %{pump}}}
runs:
  line:
    from: sump
    to: display
    size: 1 in sch 40 PVC
    parts: [pump return, pipe 3 ft, {check}, ball valve, pipe 3 ft]
{more}
"""


@pytest.fixture
def read(catalog: Catalog, tmp_path: Path):  # type: ignore[no-untyped-def]
    def read_text(pump: str = "", more: str = "", check: str = "swing check valve") -> System:
        path = tmp_path / "system.yaml"
        path.write_text(SYSTEM.format(pump=pump, more=more, check=check), encoding="utf-8")
        return load_system(path, catalog)

    return read_text


def fault_of(read, **words: str) -> str:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError) as caught:
        read(**words)
    return str(caught.value).split(": ", 1)[1]


@pytest.mark.parametrize(
    ("written", "dial", "speed"),
    [
        ("", None, 0.72),
        (", dial: rpm", RPM, 0.72),
        (", dial: Power", POWER, 0.72 ** (1 / 3)),
        (", dial: floor 30 %", Dial(DialKind.FLOOR, 0.3), 0.3 + 0.7 * 0.72),
        (", dial: {50 %: 70 %, 80 %: 90 %}", Dial(DialKind.TABLE, table=((0.5, 0.7), (0.8, 0.9))), 0.7 + 0.2 * 22 / 30),
    ],
)
def test_a_dial_says_what_its_percent_mean(read, written: str, dial: Dial | None, speed: float) -> None:  # type: ignore[no-untyped-def]
    pump = read(pump=written).network.pumps["return"]
    assert pump.dial == dial
    assert pump.speed == pytest.approx(speed)


def test_settings_that_can_be_dialled_go_through_the_dial_too(read) -> None:  # type: ignore[no-untyped-def]
    pump = read(pump=", speeds: [50 %, 100 %], dial: power").network.pumps["return"]
    assert pump.speeds == (pytest.approx(0.5 ** (1 / 3)), 1.0)


@pytest.mark.parametrize(
    ("written", "message"),
    [
        (", dial: powr", "found 'powr' as a dial; allowed: rpm, power, floor 30 % or a table"),
        (", dial: powr", "did you mean 'power'?"),
        (", dial: floor 100 %", "found 'floor 100 %'; allowed: a floor below 100 % of full rpm"),
        (", dial: {50 %: 70 %, 80 %: 60 %}", "found a dial that does not rise"),
        (", dial: {}", "found an empty table"),
        (", dial: {50 %: much}", "'much'"),
    ],
)
def test_a_dial_that_is_none_is_refused(read, written: str, message: str) -> None:  # type: ignore[no-untyped-def]
    assert message in fault_of(read, pump=written)


def test_readings_are_read_with_all_that_was_set(read) -> None:  # type: ignore[no-untyped-def]
    more = (
        "measured:\n"
        "  - {run: line, flow: 1190 gal/h, at: 72 %}\n"
        "  - {run: line, flow: 24, at: {return: 38 %}, valves: {line: 45 % open}, accuracy: 10 %}"
    )
    first, second = read(more=more).measured
    assert first == Measurement("line", pytest.approx(1190 * GALLON_H_M3_S), {"return": 0.72}, {}, 0.05, first.place)
    assert (second.settings, second.openings, second.accuracy) == ({"return": 0.38}, {"line": 0.45}, 0.1)
    assert second.flow_m3_s == pytest.approx(24 * GALLON_H_M3_S)
    assert second.place.endswith("system.yaml:14:5")


@pytest.mark.parametrize(
    ("reading", "message"),
    [
        ("{run: lien, flow: 20}", "found the unknown run 'lien'; allowed: line; did you mean 'line'?"),
        ("{run: line}", "found a reading without 'flow'; allowed: run and flow in every reading"),
        ("{run: line, flow: 20 psi}", "psi"),
        ("{run: line, flow: 20, at: 120 %}", "found '120 %'; allowed: a share from 0 % to 100 %"),
        ("{run: line, flow: 20, at: {retrun: 50 %}}", "unknown key 'retrun' in values by pump; allowed: return"),
        ("{run: line, flow: 20, accuracy: 0 %}", "an accuracy above 0 %"),
        ("{run: line, flow: 20, valves: {lin: open}}", "found a valve in the unknown run 'lin'; allowed: line"),
        ("{run: line, flow: 20, valves: {line: ajar}}", "found 'ajar'; allowed: 45 % open, half open, open or shut"),
        ("{run: line, flow: 20, when: today}", "found the unknown key 'when' in a reading"),
        ("line at 20 gal/h", "found 'line at 20 gal/h' as a reading"),
    ],
)
def test_a_reading_that_can_not_be_read_is_a_fault(read, reading: str, message: str) -> None:  # type: ignore[no-untyped-def]
    assert message in fault_of(read, more=f"measured: [{reading}]")


def test_the_valve_of_a_run_without_one_is_a_fault(catalog: Catalog, tmp_path: Path) -> None:
    path = tmp_path / "system.yaml"
    text = SYSTEM.format(pump="", check="elbow", more="measured: [{run: line, flow: 9, valves: {line: open}}]")
    path.write_text(text.replace("ball valve", "elbow"), encoding="utf-8")
    with pytest.raises(InputError, match="found run 'line', which has no valve"):
        load_system(path, catalog)


def test_factors_are_in_the_network_that_is_read(read) -> None:  # type: ignore[no-untyped-def]
    more = "calibration: {loss factor: 1.2, pump head factor: 0.9, height shift: -3 in, dial: {return: floor 40 %}}"
    system = read(more=more)
    assert system.calibration == Calibration(
        1.2, {"return": 0.9}, pytest.approx(-0.0762), {"return": Dial(DialKind.FLOOR, 0.4)}
    )
    assert system.network.loss_factor == 1.2
    assert system.network.points["sump"].head_m == pytest.approx(0.0762)
    assert system.network.points["display"].head_m == pytest.approx(3.048)
    assert system.network.pumps["return"].speed == pytest.approx(0.4 + 0.6 * 0.72)


@pytest.mark.parametrize(
    ("block", "message"),
    [
        ("{loss factor: 120 %}", "found '120 %'; allowed: a plain number above 0, such as 1.12"),
        ("{loss factor: 0}", "a plain number above 0"),
        ("{pump head factor: {retrun: 0.9}}", "unknown key 'retrun'"),
        ("{height shift: 3 gal/h}", "gal/h"),
        ("{dial: {return: fast}}", "found 'fast' as a dial"),
        ("{wear: 0.9}", "unknown key 'wear' in calibration; allowed: loss factor, pump head factor"),
        ("1.2", "found '1.2' as calibration"),
    ],
)
def test_factors_that_are_none_are_refused(read, block: str, message: str) -> None:  # type: ignore[no-untyped-def]
    assert message in fault_of(read, more=f"calibration: {block}")


@pytest.mark.parametrize(("written", "growth_m"), [("new", 0.0), ("grown over", 5e-5), ("0.2 mm", 2e-4)])
def test_the_pipe_wall_is_new_grown_over_or_measured(read, written: str, growth_m: float) -> None:  # type: ignore[no-untyped-def]
    assert read(more=f"pipe: {written}").network.extra_roughness_m == pytest.approx(growth_m)


@pytest.mark.parametrize(("written", "message"), [("old", "new, grown over"), ("5 mm", "at most 2 mm"), ("0.2", "mm")])
def test_a_pipe_wall_that_is_none_is_refused(read, written: str, message: str) -> None:  # type: ignore[no-untyped-def]
    assert message in fault_of(read, more=f"pipe: {written}")


def test_a_check_valve_may_have_a_least_flow(read) -> None:  # type: ignore[no-untyped-def]
    parts = read(check="{part: swing check valve, least flow: 200 gal/h}").network.runs["line"].parts
    assert parts[2].least_flow_m3_s == pytest.approx(200 * GALLON_H_M3_S)


def test_only_a_check_valve_has_a_least_flow(read) -> None:  # type: ignore[no-untyped-def]
    assert "no check valve" in fault_of(read, check="{part: elbow, least flow: 200 gal/h}")
