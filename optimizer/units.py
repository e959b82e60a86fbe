"""Quantities as people write them → SI numbers, and back to text: the only place where trade units live.

Reading goes through a strict grammar of our own: pint alone would read `1 1/2 in` as 0.0127 m, `35 ppt` as pints and
`3"` as a bare 3 without a word. It loads slowly, so it converts only what `unit_factors` has no number for.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from functools import lru_cache
from textwrap import shorten
from typing import Any

from optimizer.errors import QuantityError
from optimizer.ranges import checked
from optimizer.unit_factors import converted
from optimizer.unit_guesses import guess
from optimizer.unit_words import AREA as _AREA
from optimizer.unit_words import DEFINITIONS as _DEFINITIONS
from optimizer.unit_words import DURATION as _DURATION
from optimizer.unit_words import FLOW as _FLOW
from optimizer.unit_words import FRACTION as _FRACTION
from optimizer.unit_words import HEAD as _HEAD
from optimizer.unit_words import LENGTH as _LENGTH
from optimizer.unit_words import M3_PER_GALLON as M3_PER_GALLON
from optimizer.unit_words import M3_PER_LITRE as M3_PER_LITRE
from optimizer.unit_words import METRES_PER_FOOT as METRES_PER_FOOT
from optimizer.unit_words import METRES_PER_INCH as METRES_PER_INCH
from optimizer.unit_words import METRIC as METRIC
from optimizer.unit_words import PASCALS_PER_BAR as PASCALS_PER_BAR
from optimizer.unit_words import PASCALS_PER_PSI as PASCALS_PER_PSI
from optimizer.unit_words import POWER as _POWER
from optimizer.unit_words import PRESSURE as _PRESSURE
from optimizer.unit_words import SALINITY as _SALINITY
from optimizer.unit_words import SECONDS_PER_HOUR as SECONDS_PER_HOUR
from optimizer.unit_words import SPEED as _SPEED
from optimizer.unit_words import TEMPERATURE as _TEMPERATURE
from optimizer.unit_words import US as US
from optimizer.unit_words import VOLUME as _VOLUME
from optimizer.unit_words import Dimension as _Dimension
from optimizer.unit_words import case_is_right

_DECIMAL = r"\d+(?:\.\d+)?|\.\d+"
_MIXED = rf"(?:\d+[ ]*[ -][ ]*)?\d+[ ]*/[ ]*\d+|{_DECIMAL}"
_PLAIN = re.compile(
    rf"(?P<sign>[-+]?)[ ]*(?P<number>{_MIXED})[ ]*"
    r"(?P<unit>(?:[cdm]?m|ft|in)3[ ]*/[ ]*[a-z]+|(?:[cdm]?m|ft|in)[23]|[^\d\s.,/+-]\D*)?",
    re.IGNORECASE,
)
_FEET_INCHES = re.compile(
    rf"(?P<sign>[-+]?)[ ]*(?P<feet>\d+)[ ]*(?:ft\.?|foot|feet|['′’])[ ]*-?[ ]*"
    rf"(?P<inches>{_MIXED})[ ]*(?:in\.?|inch|inches|[\"″”]|'')",
    re.IGNORECASE,
)
_MOST_DIGITS = 40
_POINTED = re.compile(r"[-+]?[ ]*(?P<number>[1-9]\d{0,2}(?:\.\d{3})+)(?![\d.])")
_SMALL = frozenset(  # units of which thousands are usual
    f"{amount} / {time}"
    for amount in ("gallon", "imperial_gallon", "liter", "milliliter")
    for time in ("hour", "minute", "day")
) | {"gallon", "imperial_gallon", "liter", "milliliter", "millimeter", "pascal", "hectopascal", "millibar", "watt"}
_COMMA = re.compile(r"\d,\d|\d,$|^,\d")
_VULGAR = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}

Quantity = str | int | float


def parse_length(text: Quantity, units: str | None = None) -> float:
    """Return a length [m] above 0.

    `14` alone is refused in both unit systems: it may be inches or feet, millimetres or metres.

    Raises
    ------
    QuantityError
        Not a length in the grammar, or zero, negative or without unit.
    """
    length_m = _length(text, units, _LENGTH)
    if not length_m > 0:
        raise QuantityError(_quoted(text), "a length above 0")
    return checked("length", length_m, _shown(text))


def parse_depth(text: Quantity, units: str | None = None) -> float:
    """Return how far below a water line something lies [m], 0 where it lies at it, with its unit."""
    depth_m = _length(text, units, _LENGTH)
    if depth_m < 0:
        raise QuantityError(_quoted(text), "a depth of 0 or more")
    return checked("tank length", depth_m, _shown(text)) if depth_m > 0 else 0.0


def parse_tank_length(text: Quantity, units: str | None = None) -> float:
    """Return a measure of a tank [m] above 0, with its unit."""
    length_m = _length(text, units, _LENGTH)
    if not length_m > 0:
        raise QuantityError(_quoted(text), "a length above 0")
    return checked("tank length", length_m, _shown(text))


def parse_head(text: Quantity, units: str | None = None) -> float:
    """Return a head or head loss [m of the flowing water], 0 or more. A bare number is ft (US) or m (metric)."""
    return checked("head", _not_negative(text, _length(text, units, _HEAD), "a head of 0 or more"), _shown(text))


def is_pressure(text: Quantity) -> bool:
    """Return whether a quantity is written with a unit of pressure."""
    match = _PLAIN.fullmatch(_clean(text)) if isinstance(text, str) else None
    return match is not None and (match["unit"] or "").strip().lower() in _PRESSURE.words


def parse_elevation(text: Quantity, units: str | None = None) -> float:
    """Return a height [m], which may lie below the sump's water line. A bare number is ft (US) or m (metric)."""
    return checked("height", _length(text, units, _HEAD), _shown(text))


def parse_flow(text: Quantity, units: str | None = None) -> float:
    """Return a volume flow [m³/s], 0 or more. A bare number is gal/h (US; gal is the US gallon) or L/h (metric)."""
    return checked("flow", _not_negative(text, _plain(text, units, _FLOW), "a flow of 0 or more"), _shown(text))


def parse_pressure(text: Quantity, units: str | None = None) -> float:
    """Return a gauge pressure [Pa], 0 or more. A bare number is psi (US) or bar (metric)."""
    return checked(
        "pressure", _not_negative(text, _plain(text, units, _PRESSURE), "a pressure of 0 or more"), _shown(text)
    )


def parse_temperature(text: Quantity, units: str | None = None) -> float:
    """Return a water temperature [°C] from 0 to 60. A bare number is °F (US) or °C (metric)."""
    return checked("temperature", _plain(text, units, _TEMPERATURE), _shown(text))


def parse_salinity(text: Quantity, units: str | None = None) -> float:
    """Return a salinity [g/kg] from 0 to 50. `ppt` and a bare number count as g/kg; 1.026 is refused: a gravity."""
    salinity_g_kg = _plain(text, units, _SALINITY)
    if 1.015 <= salinity_g_kg <= 1.035:
        raise QuantityError(f"{_quoted(text)}, which looks like a specific gravity", "a salinity in g/kg", "35 g/kg")
    return checked("salinity", salinity_g_kg, _shown(text))


def parse_speed(text: Quantity, units: str | None = None) -> float:
    """Return a speed of water [m/s] above 0. A bare number is ft/s (US) or m/s (metric)."""
    speed_m_s = _plain(text, units, _SPEED)
    if not speed_m_s > 0:
        raise QuantityError(_quoted(text), "a speed above 0")
    return checked("speed", speed_m_s, _shown(text))


def parse_power(text: Quantity, units: str | None = None) -> float:
    """Return a power [W] above 0. A bare number is W."""
    power_w = _plain(text, units, _POWER)
    if not power_w > 0:
        raise QuantityError(_quoted(text), "a power above 0")
    return checked("power", power_w, _shown(text))


def parse_volume(text: Quantity, units: str | None = None) -> float:
    """Return a volume [m³] of 0 or more. A bare number is gal (US) or L (metric)."""
    return checked("volume", _not_negative(text, _plain(text, units, _VOLUME), "a volume of 0 or more"), _shown(text))


def parse_area(text: Quantity, units: str | None = None) -> float:
    """Return an area [m²] above 0. A bare number is ft² (US) or m² (metric)."""
    area_m2 = _plain(text, units, _AREA)
    if not area_m2 > 0:
        raise QuantityError(_quoted(text), "an area above 0")
    return checked("area", area_m2, _shown(text))


def parse_duration(text: Quantity, units: str | None = None) -> float:
    """Return a time [h] of 0 or more."""
    return checked("time", _not_negative(text, _plain(text, units, _DURATION), "a time of 0 or more"), _shown(text))


def parse_fraction(text: Quantity, units: str | None = None) -> float:
    """Return a share from 0 to 1: `80 %`, or a bare number from 0 to 1. A bare 80 is refused, for it lacks its sign."""
    sign, number, unit = _split(text, _FRACTION)
    share = sign * number * (_convert(1.0, _unit(text, unit, _FRACTION), "dimensionless") if unit else 1.0)
    if not 0 <= share <= 1:
        meant = f"{_clean(text)} %" if not unit and 1 < share <= 100 else None
        raise QuantityError(_quoted(text), "a share from 0 % to 100 %", meant)
    return share


def _not_negative(text: Quantity, value: float, allowed: str) -> float:
    if value < 0:
        raise QuantityError(_quoted(text), allowed)
    return value


def _length(text: Quantity, units: str | None, dimension: _Dimension) -> float:
    """Return metres: feet with inches by hand-written grammar, all else as one number with one unit."""
    if (match := _FEET_INCHES.fullmatch(_clean(text))) is None:
        return _plain(text, units, dimension)
    inches = _number(text, match["inches"], dimension)
    if inches >= 12:
        raise QuantityError(_quoted(text), "fewer than 12 inches after the feet")
    sign = -1.0 if match["sign"] == "-" else 1.0
    feet = _number(text, match["feet"], dimension)
    return sign * _convert(feet * 12 + inches, "inch", dimension.target)


def _plain(text: Quantity, units: str | None, dimension: _Dimension) -> float:
    sign, number, unit = _split(text, dimension)
    if found := _unit(text, unit, dimension) if unit else dimension.bare.get(units or ""):
        _ask_about_thousands(text, found)
        return _convert(sign * number, found, dimension.target)
    raise QuantityError(
        f"{_quoted(text)}, {_a(dimension.what)} without a unit", f"{_a(dimension.what)} such as {dimension.example}"
    )


def _split(text: Quantity, dimension: _Dimension) -> tuple[float, float, str]:
    """Return (sign, number, written unit or "")."""
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        return _finite(text, float(text), dimension)
    match = _PLAIN.fullmatch(_clean(text))
    if match is None:
        raise QuantityError(_quoted(text), f"{_a(dimension.what)} such as {dimension.example}", _without_comma(text))
    sign = -1.0 if match["sign"] == "-" else 1.0
    return sign, _number(text, match["number"], dimension), (match["unit"] or "").strip()


def _finite(text: Quantity, number: float, dimension: _Dimension) -> tuple[float, float, str]:
    if not math.isfinite(number):
        raise QuantityError(_quoted(text), f"{_a(dimension.what)} that is a finite number")
    return math.copysign(1.0, number), abs(number), ""


def _number(text: Quantity, written: str, dimension: _Dimension) -> float:
    """Return the value of `14`, `2.5`, `3/4`, `1 1/2` or `1-1/2`."""
    if len(written) > _MOST_DIGITS:
        raise QuantityError(_quoted(text), f"{_a(dimension.what)} of at most {_MOST_DIGITS} digits")
    if "/" not in written:
        return _finite(text, float(written), dimension)[1]
    whole, fraction = re.fullmatch(r"(?:(\d+)[ -]+)?(\d+/\d+)", re.sub(r" */ *", "/", written)).groups()  # type: ignore[union-attr]
    top, bottom = (int(part) for part in fraction.split("/"))
    if bottom == 0 or (whole and top >= bottom):
        raise QuantityError(_quoted(text), "a proper fraction, such as 1/2 or 1-1/2")
    return float(int(whole or 0) + Fraction(top, bottom))


def _unit(text: Quantity, written: str, dimension: _Dimension) -> str:
    """Return the pint unit of a written one."""
    word = re.sub(r"\s*/\s*", "/", written.lower()).rstrip(".").replace(". ", " ").strip()
    word = word.replace("hour", "h") if "/" in word else word
    if word in dimension.words and case_is_right(written):
        return dimension.words[word]
    near = guess(written, dimension, _sizes(dimension))
    number = _clean(text)[: -len(written)].strip()
    suggestion = f"{number} {re.sub('^l/', 'L/', near)}" if near else _without_comma(text)
    allowed = f"{_a(dimension.what)} such as {dimension.example}"
    raise QuantityError(f"{_quoted(text)} with the unit {written!r}", allowed, suggestion)


def _sizes(dimension: _Dimension) -> dict[str, float]:
    """Return how large each unit of a dimension is, in the unit of the result; degrees differ in their zero alone."""
    if dimension is _TEMPERATURE:
        return dict.fromkeys(dimension.words.values(), 1.0)
    return {unit: _convert(1.0, unit, dimension.target) for unit in set(dimension.words.values())}


def _clean(text: Quantity) -> str:
    """Return the text with plain spaces, minus signs and fractions."""
    shown = str(text).replace("\u2212", "-").replace("\u2013", "-").replace("\u00a0", " ").strip()
    for vulgar, plain in _VULGAR.items():
        shown = re.sub(rf"(?<=\d) ?{vulgar}", f" {plain}", shown).replace(vulgar, plain)
    return re.sub(r"\s+", " ", shown)


def _a(what: str) -> str:
    """Return `a length`, `an area`."""
    return f"{'an' if what[0] in 'aeiou' else 'a'} {what}"


def _quoted(text: Quantity) -> str:
    return f"'{_shown(text)}'"


def _shown(text: Quantity) -> str:
    return shorten(str(text), 60)


def _ask_about_thousands(text: Quantity, unit: str) -> None:
    """Refuse `1.100 L/h`: where thousands of a unit are usual, a point and three digits may part thousands."""
    match = _POINTED.match(_clean(text)) if isinstance(text, str) and unit in _SMALL else None
    if match is not None:
        written, rest = match["number"], _clean(text)[match.end() :]
        whole, decimal = written.replace(".", ""), f"{float(written):g}" if written.count(".") == 1 else ""
        meant = f"{whole}{rest} or {decimal}{rest}" if decimal else f"{whole}{rest}"
        raise QuantityError(_quoted(text), "a point for decimals alone, with no zero or thousands behind it", meant)


def _without_comma(text: Quantity) -> str | None:
    """Return what a number with a comma may have meant: a decimal point, or no comma where it parts thousands."""
    shown = _clean(text)
    if match := re.match(r"[-+]?\d{1,3}(?:\.\d{3})+,\d+(?!\d)", shown):  # 1.100,5
        return match[0].replace(".", "").replace(",", ".") + shown[match.end() :]
    if match := re.match(r"[-+]?\d{1,3}(?:,\d{3})+(\.\d+)(?!\d)", shown):  # 1,100.5
        return match[0].replace(",", "") + shown[match.end() :]
    if not _COMMA.search(shown):
        return _without_points(shown)
    pointed = re.sub(r",(?=\d)", ".", shown, count=1)
    if re.search(r"\d,\d{3}(?!\d)", shown):
        whole = re.sub(r",(?=[0-9])", "", shown)
        return whole if shown.count(",") > 1 else f"{whole} or {pointed}"
    return pointed


def _without_points(shown: str) -> str | None:
    """Return `1100500 L` for `1.100.500 L`."""
    match = re.match(r"[-+]?\d{1,3}(?:\.\d{3}){2,}(?![\d.])", shown)
    return match[0].replace(".", "") + shown[match.end() :] if match else None


def _convert(number: float, unit: str, target: str) -> float:
    """Return number × unit in the target unit: by our own table, by pint where that does not know the unit."""
    value = converted(number, unit, target)
    if value is None:
        value = _registry().Quantity(number, unit).to(target).magnitude
    return float(f"{value:.12g}")  # 0.3556 m, not 0.35559999999999997 m


@lru_cache(maxsize=1)
def _registry() -> Any:
    """Return pint with the units of this module alone: its own table of a thousand units costs 0.1 s at each start."""
    import pint

    return pint.UnitRegistry(list(_DEFINITIONS), cache_folder=None)


def flow_value(flow_m3_s: float, units: str) -> float:
    """Return a flow in the unit that `flow_unit` names."""
    return flow_m3_s * SECONDS_PER_HOUR / (M3_PER_GALLON if units == US else M3_PER_LITRE)


def flow_unit(units: str) -> str:
    return "gph" if units == US else "L/h"


def head_value(head_m: float, units: str) -> float:
    """Return a head in the unit that `head_unit` names."""
    return head_m / METRES_PER_FOOT if units == US else head_m


def head_unit(units: str) -> str:
    return "ft" if units == US else "m"


length_value, length_unit = head_value, head_unit  # lengths and heads are both in ft or m


def velocity_value(velocity_m_s: float, units: str) -> float:
    """Return a velocity in the unit that `velocity_unit` names."""
    return head_value(velocity_m_s, units)


def velocity_unit(units: str) -> str:
    return "ft/s" if units == US else "m/s"


def volume_value(volume_m3: float, units: str) -> float:
    """Return a volume in the unit that `volume_unit` names."""
    return volume_m3 / (M3_PER_GALLON if units == US else M3_PER_LITRE)


def volume_unit(units: str) -> str:
    return "gal" if units == US else "L"


def pressure_value(pressure_pa: float, units: str) -> float:
    """Return a pressure in the unit that `pressure_unit` names."""
    return pressure_pa / (PASCALS_PER_PSI if units == US else PASCALS_PER_BAR)


def pressure_unit(units: str) -> str:
    return "psi" if units == US else "bar"


def show_flow(flow_m3_s: float, units: str) -> str:
    """Return `1,100 gph` or `4,160 L/h`; below 10 with one decimal."""
    value = flow_value(flow_m3_s, units)
    return f"{_fixed(value, 0 if abs(value) >= 9.95 else 1)} {flow_unit(units)}"


def show_head(head_m: float, units: str) -> str:
    """Return a head to 0.01 ft or 0.01 m."""
    return f"{_fixed(head_value(head_m, units), 2)} {head_unit(units)}"


def show_velocity(velocity_m_s: float, units: str) -> str:
    """Return a velocity to 0.1 ft/s or 0.01 m/s."""
    return f"{_fixed(velocity_value(velocity_m_s, units), 1 if units == US else 2)} {velocity_unit(units)}"


def show_volume(volume_m3: float, units: str) -> str:
    """Return a volume to 0.1 gal or 0.1 L."""
    return f"{_fixed(volume_value(volume_m3, units), 1)} {volume_unit(units)}"


def show_pressure(pressure_pa: float, units: str) -> str:
    """Return a pressure to 0.1 psi or 0.01 bar."""
    return f"{_fixed(pressure_value(pressure_pa, units), 1 if units == US else 2)} {pressure_unit(units)}"


def show_bore(bore_m: float, units: str) -> str:
    """Return a bore finely enough to tell two apart: `0.17 in` or `4.3 mm`."""
    return f"{bore_m / METRES_PER_INCH:.2f} in" if units == US else f"{1000 * bore_m:.1f} mm"


def show_length(length_m: float, units: str) -> str:
    """Return `8 ft 6-1/2 in` to the nearest 1/8 in, or `2.40 m` (below 1 m `350 mm`)."""
    if not math.isfinite(length_m):
        return str(length_m)
    if units != US:
        millimetres = round(length_m * 1000)
        return f"{millimetres} mm" if abs(millimetres) < 1000 else f"{length_m:.2f} m"
    eighths = round(abs(length_m) / METRES_PER_INCH * 8)
    sign = "-" if length_m < 0 and eighths else ""
    feet, rest = divmod(eighths, 96)
    inches = _show_inches(rest)
    if not feet:
        return f"{sign}{inches} in"
    return f"{sign}{feet} ft {inches} in" if rest else f"{sign}{feet} ft"


def show_cut(length_m: float, units: str) -> str:
    """Return a length at the saw: `4 ft 8-5/8 in` to the nearest 1/8 in, or whole millimetres, `1377 mm`."""
    return show_length(length_m, units) if units == US else f"{1000 * length_m:.0f} mm"


def show_rating(pressure_pa: float, units: str) -> str:
    """Return a pressure rating, rounded down: `330 psi` or `13.7 bar`, `10 bar`."""
    value = pressure_value(pressure_pa, units) + 1e-6
    return f"{math.floor(value) if units == US else math.floor(10.0 * value) / 10.0:g} {pressure_unit(units)}"


def _show_inches(eighths: int) -> str:
    """Return `6`, `3/8` or `6-1/2`."""
    whole, rest = divmod(eighths, 8)
    if not rest:
        return str(whole)
    fraction = Fraction(rest, 8)
    return f"{whole}-{fraction}" if whole else str(fraction)


def _fixed(value: float, decimals: int) -> str:
    """Return the number with thousands parted by commas and no minus before zero."""
    return f"{round(value, decimals) + 0.0:,.{decimals}f}" if math.isfinite(value) else str(value)
