"""Written quantities → SI and back. Conversion constants: NIST Special Publication 811 (2008), appendix B.8."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer import units
from optimizer.errors import QuantityError

# NIST SP 811, B.8, from memory: in 2.54 E-02 m, ft 3.048 E-01 m, gallon (US) 3.785 412 E-03 m³, psi 6.894 757 E+03 Pa.
INCH_M, FOOT_M, GALLON_M3, PSI_PA = 0.0254, 0.3048, 3.785412e-3, 6.894757e3


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("14 in", 14),
        ("14in.", 14),
        ('3"', 3),
        ("3″", 3),
        ("8 ft 6 in", 102),
        ("8 feet", 96),
        ("6'-4\"", 76),
        ("6'4\"", 76),
        ("6′ 4 1/2″", 76.5),
        ("6' 4 1/2\"", 76.5),
        ("6'-4-1/2\"", 76.5),
        ("1 1/2 in", 1.5),
        ("1-1/2 in", 1.5),
        ("1½ in", 1.5),
        ("½ in", 0.5),
        ("3/4 in", 0.75),
        ("1.25 in", 1.25),
        (".5 in", 0.5),
    ],
)
def test_inch_lengths_are_read_as_people_write_them(text: str, inches: float) -> None:
    assert units.parse_length(text) == pytest.approx(inches * INCH_M, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "length_m"), [("32 mm", 0.032), ("2.4 m", 2.4), ("15cm", 0.15), ("2 metres", 2.0), ("2\u00a0m", 2.0)]
)
def test_metric_lengths_are_read_as_people_write_them(text: str, length_m: float) -> None:
    assert units.parse_length(text) == pytest.approx(length_m, rel=1e-9)


@pytest.mark.parametrize(
    "text",
    [
        *["14", 14, 14.0, "-3 in", "0 in", "8 ft 14 in", "8 ft 6", "nan in", "inf m", "1e3 m", "1/0 in", "1 3/2 in"],
        *[
            "in",
            "",
            "in 3",
            "3 in in",
            "3 gal/h",
            "1,5 m",
            "3 4 in",
            "35 ppt",
            True,
            math.nan,
            math.inf,
            "9" * 400 + " m",
            "1/" + "9" * 5000 + " m",
        ],
    ],
)
@pytest.mark.parametrize("system", ["US", "metric", None])
def test_what_is_not_a_length_is_refused(text: units.Quantity, system: str | None) -> None:
    with pytest.raises(QuantityError):
        units.parse_length(text, system)


def test_a_decimal_comma_is_answered_with_a_point() -> None:
    with pytest.raises(QuantityError) as caught:
        units.parse_length("1,5 m", "metric")

    assert caught.value.suggestion == "1.5 m"


def test_a_comma_between_thousands_is_answered_both_ways() -> None:
    with pytest.raises(QuantityError) as caught:
        units.parse_flow("1,100 gal/h", "US")

    assert caught.value.suggestion == "1100 gal/h or 1.100 gal/h"


def test_a_misspelt_unit_is_answered_with_the_nearest_one() -> None:
    with pytest.raises(QuantityError) as caught:
        units.parse_flow("1100 gal/hs")

    assert caught.value.suggestion == "1100 gal/h"


def test_a_length_without_a_unit_says_so() -> None:
    with pytest.raises(QuantityError, match="found '14', a length without a unit"):
        units.parse_length("14", "US")


@pytest.mark.parametrize(
    ("text", "system", "flow_m3_s"),
    [
        ("1100 gal/h", None, 1100 * GALLON_M3 / 3600),
        ("1100 gph", None, 1100 * GALLON_M3 / 3600),
        ("1100", "US", 1100 * GALLON_M3 / 3600),
        (1100, "US", 1100 * GALLON_M3 / 3600),
        ("5 gal/min", None, 5 * GALLON_M3 / 60),
        ("5 gpm", None, 5 * GALLON_M3 / 60),
        ("900 L/h", None, 0.9 / 3600),
        ("900", "metric", 0.9 / 3600),
        ("1.2 m3/h", None, 1.2 / 3600),
        ("1.2 m³/h", None, 1.2 / 3600),
        ("0 gal/h", None, 0.0),
    ],
)
def test_flows_agree_with_nist_constants(text: units.Quantity, system: str | None, flow_m3_s: float) -> None:
    assert units.parse_flow(text, system) == pytest.approx(flow_m3_s, rel=1e-6)  # NIST prints 7 digits


def test_a_bare_number_needs_a_unit_when_the_unit_system_is_unknown() -> None:
    for parse in (units.parse_flow, units.parse_head, units.parse_pressure, units.parse_temperature, units.parse_speed):
        with pytest.raises(QuantityError, match="without a unit"):
            parse("5", None)


@pytest.mark.parametrize(
    ("text", "system", "pressure_pa"),
    [
        ("60 psi", None, 60 * PSI_PA),
        ("60", "US", 60 * PSI_PA),
        ("0.5 bar", None, 5e4),
        ("4", "metric", 4e5),
        ("400 kPa", None, 4e5),
    ],
)
def test_pressures_agree_with_nist_constants(text: str, system: str | None, pressure_pa: float) -> None:
    assert units.parse_pressure(text, system) == pytest.approx(pressure_pa, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "system"), [("77 degF", None), ("77", "US"), ("25 degC", None), ("25 °C", None), ("25", "metric")]
)
def test_temperatures_are_read_in_either_scale(text: str, system: str | None) -> None:
    assert units.parse_temperature(text, system) == pytest.approx(25.0, abs=1e-9)  # (77 - 32) / 1.8


def test_heads_and_speeds_follow_the_unit_system() -> None:
    assert units.parse_head("23", "US") == pytest.approx(23 * FOOT_M)
    assert units.parse_head("7", "metric") == 7
    assert units.parse_head("9 ft 4 in") == pytest.approx(112 * INCH_M)
    assert units.parse_speed("5", "US") == pytest.approx(1.524)
    assert units.parse_speed("1.5 m/s") == 1.5


def test_an_elevation_may_lie_below_the_water_line_but_a_head_may_not() -> None:
    assert units.parse_elevation("-2 ft 6 in") == pytest.approx(-30 * INCH_M)
    with pytest.raises(QuantityError, match="0 or more"):
        units.parse_head("-2 ft")


@pytest.mark.parametrize("text", ["35 g/kg", "35 ppt", "35", 35])
def test_parts_per_thousand_are_grams_in_a_kilogram_and_not_pints(text: units.Quantity) -> None:
    assert units.parse_salinity(text, "US") == 35


def test_a_specific_gravity_is_not_taken_for_a_salinity() -> None:
    with pytest.raises(QuantityError, match="specific gravity"):
        units.parse_salinity("1.026", "US")


@pytest.mark.parametrize(
    ("text", "share"), [("80 %", 0.8), ("80%", 0.8), ("0.8", 0.8), (0.8, 0.8), ("100 %", 1.0), ("0 %", 0.0)]
)
def test_shares_are_read_with_or_without_percent(text: units.Quantity, share: float) -> None:
    assert units.parse_fraction(text) == pytest.approx(share)


def test_a_bare_80_is_asked_for_its_percent_sign() -> None:
    with pytest.raises(QuantityError) as caught:
        units.parse_fraction("80")

    assert caught.value.suggestion == "80 %"


def test_constants_for_showing_agree_with_pint() -> None:
    import pint

    registry = pint.UnitRegistry()
    pairs = {"inch": ("meter", units.METRES_PER_INCH), "foot": ("meter", units.METRES_PER_FOOT)}
    pairs |= {"gallon": ("meter ** 3", units.M3_PER_GALLON), "liter": ("meter ** 3", units.M3_PER_LITRE)}
    pairs |= {"psi": ("pascal", units.PASCALS_PER_PSI), "bar": ("pascal", units.PASCALS_PER_BAR)}
    for unit, (target, constant) in pairs.items():
        assert registry.Quantity(1.0, unit).to(target).magnitude == pytest.approx(constant, rel=1e-12)


@given(eighths=st.integers(min_value=1, max_value=100_000))
def test_a_shown_us_length_reads_back_as_itself(eighths: int) -> None:
    length_m = eighths * INCH_M / 8

    assert units.parse_length(units.show_length(length_m, "US")) == pytest.approx(length_m, rel=1e-9)


@given(length_m=st.floats(min_value=0.01, max_value=1000))
def test_a_shown_length_is_within_half_a_step_of_the_true_one(length_m: float) -> None:
    assert abs(units.parse_length(units.show_length(length_m, "US")) - length_m) <= INCH_M / 16 * 1.0001
    assert abs(units.parse_length(units.show_length(length_m, "metric")) - length_m) <= 0.0051


@given(text=st.text(alphabet="0123456789 .,/-'\"infmtc%x", max_size=14))
def test_any_text_gives_a_length_above_zero_or_a_quantity_error(text: str) -> None:
    try:
        length_m = units.parse_length(text, "US")
    except QuantityError:
        return
    assert 0 < length_m < math.inf


@given(flow_m3_s=st.floats(min_value=0, max_value=1), system=st.sampled_from(["US", "metric"]))
def test_flow_value_is_undone_by_reading_it(flow_m3_s: float, system: str) -> None:
    value = units.flow_value(flow_m3_s, system)

    assert units.parse_flow(value, system) == pytest.approx(flow_m3_s, rel=1e-9, abs=1e-15)


def test_results_are_shown_in_trade_units() -> None:
    assert units.show_flow(1100 * GALLON_M3 / 3600, "US") == "1,100 gph"
    assert units.show_flow(0.9 / 3600, "metric") == "900 L/h"
    assert units.show_flow(2.5 / 3600 / 1000, "metric") == "2.5 L/h"
    assert units.show_head(7 * FOOT_M, "US") == "7.00 ft"
    assert units.show_velocity(1.524, "US") == "5.0 ft/s"
    assert units.show_volume(0.02, "metric") == "20.0 L"
    assert units.show_pressure(60 * PSI_PA, "US") == "60.0 psi"
    assert units.show_length(0.35, "metric") == "350 mm"
    assert units.show_length(102.5 * INCH_M, "US") == "8 ft 6-1/2 in"
    assert units.show_length(96 * INCH_M, "US") == "8 ft"
    assert units.show_length(0.375 * INCH_M, "US") == "3/8 in"


def test_no_minus_sign_is_shown_before_zero() -> None:
    assert units.show_head(-1e-9, "metric") == "0.00 m"
    assert units.show_length(-1e-9, "US") == "0 in"


def test_reading_needs_pint_only_on_first_use() -> None:
    import subprocess
    import sys

    code = "import sys, optimizer.units as u; u.show_flow(1.0, 'US'); sys.exit('pint' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


SHIPPED = pint.UnitRegistry(cache_folder=None)


def _every_conversion() -> list[tuple[str, str]]:
    """Return (unit, unit of the result) of every word and every bare number that is understood."""
    dimensions = [one for one in vars(units).values() if isinstance(one, units._Dimension)]
    return sorted({(unit, one.target) for one in dimensions for unit in (*one.words.values(), *one.bare.values())})


@pytest.mark.parametrize(("unit", "target"), _every_conversion())
def test_units_convert_as_in_the_table_that_pint_ships(unit: str, target: str) -> None:
    for number in (0.0, 1.0, 35.0, 1234.5):
        expected = SHIPPED.Quantity(number, unit).to(target).magnitude
        assert units._convert(number, unit, target) == pytest.approx(expected, rel=1e-11, abs=1e-11)
