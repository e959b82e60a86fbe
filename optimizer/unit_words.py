"""The words of units by dimension, what a bare number means, and what pint needs to convert them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

US, METRIC = "US", "metric"

# Exact by definition (NIST Special Publication 811, appendix B.8; the UK gallon by the Weights and Measures Act 1985).
METRES_PER_INCH = 0.0254
METRES_PER_FOOT = 0.3048
M3_PER_GALLON = 0.003785411784  # US liquid gallon, 231 cubic inches
M3_PER_UK_GALLON = 0.00454609
M3_PER_LITRE = 0.001
SECONDS_PER_HOUR = 3600.0
PASCALS_PER_BAR = 100_000.0
PASCALS_PER_PSI = 6894.757293168361  # 4.4482216152605 N on (0.0254 m)²


@dataclass(frozen=True)
class Dimension:
    """One kind of quantity: the words of its units, what they are called in pint, and what a bare number means."""

    what: str
    example: str
    target: str  # pint unit of the result
    words: Mapping[str, str]  # written unit, lower case → pint unit
    bare: Mapping[str, str]  # units system → pint unit of a number without unit; missing: an error


def _words(**groups: str) -> dict[str, str]:
    return {word: unit for unit, words in groups.items() for word in words.split()}


def _per(amounts: Mapping[str, str], times: Mapping[str, str]) -> dict[str, str]:
    """Return the words of flows: every amount over every time."""
    return {f"{a}/{t}": f"{amount} / {time}" for a, amount in amounts.items() for t, time in times.items()}


LENGTH_WORDS = _words(
    inch='in inch inches " ″ ”',
    foot="ft foot feet ' ′ ’",
    meter="m metre metres meter meters",
    kilometer="km",
    decimeter="dm",
    centimeter="cm",
    millimeter="mm",
    micrometer="um µm μm micron microns",
)
LENGTH = Dimension("length", "14 in, 8 ft 6 in, 6'-4\", 1-1/2 in, 32 mm or 2.4 m", "meter", LENGTH_WORDS, {})
HEAD = Dimension("height", "9 ft 4 in or 2.4 m", "meter", LENGTH_WORDS, {US: "foot", METRIC: "meter"})
_CUBIC = {
    f"{word}{three}": f"{unit} ** 3"
    for word, unit in (
        ("m", "meter"),
        ("cm", "centimeter"),
        ("dm", "decimeter"),
        ("mm", "millimeter"),
        ("ft", "foot"),
        ("in", "inch"),
    )
    for three in "3³"
}
_UK = ("uk gal", "imp gal", "imperial gal", "uk gallon", "uk gallons", "imp gallon", "imp gallons", "imperial gallons")
VOLUME_WORDS = {
    **_words(gallon="gal gallon gallons", liter="l litre litres liter liters", milliliter="ml millilitre milliliter"),
    **dict.fromkeys(["us gal", "us gallon", "us gallons"], "gallon"),
    **dict.fromkeys(_UK, "imperial_gallon"),
    **_CUBIC,
}
_TIMES = {"h": "hour", "hr": "hour", "min": "minute", "s": "second", "d": "day", "day": "day"}
FLOW_WORDS = {
    **_per(VOLUME_WORDS, _TIMES),
    **{
        f"{land}{word}": f"{unit} / {time}"
        for land, unit in (("", "gallon"), ("us ", "gallon"), ("uk ", "imperial_gallon"), ("imp ", "imperial_gallon"))
        for word, time in (("gph", "hour"), ("gpm", "minute"), ("gpd", "day"))
    },
    **_words(**{"liter / hour": "lph", "liter / minute": "lpm", "liter / day": "lpd", "foot ** 3 / minute": "cfm"}),
}
FLOW_BARE = {US: "gallon / hour", METRIC: "liter / hour"}
FLOW_EXAMPLE = "1100 gph, 5 gpm, 900 L/h or 1.2 m3/h"
FLOW = Dimension("flow", FLOW_EXAMPLE, "meter ** 3 / second", FLOW_WORDS, FLOW_BARE)
PRESSURE = Dimension(
    "pressure",
    "60 psi, 0.5 bar or 400 kPa",
    "pascal",
    _words(
        psi="psi psig",
        bar="bar",
        millibar="mbar",
        megapascal="mpa",
        kilopascal="kpa",
        hectopascal="hpa",
        pascal="pa",
    ),
    {US: "psi", METRIC: "bar"},
)
DEGREES = _words(degF="degf °f f", degC="degc °c c")
TEMPERATURE = Dimension("temperature", "77 °F or 25 °C", "degC", DEGREES, {US: "degF", METRIC: "degC"})
G_KG = "gram / kilogram"
SALINITY_WORDS = dict.fromkeys(["g/kg", "ppt", "‰", "psu"], G_KG)
SALINITY = Dimension("salinity", "35 g/kg", G_KG, SALINITY_WORDS, {US: G_KG, METRIC: G_KG})
SPEED = Dimension(
    "speed of water",
    "5 ft/s or 1.5 m/s",
    "meter / second",
    {"ft/s": "foot / second", "fps": "foot / second", "m/s": "meter / second", "cm/s": "centimeter / second"},
    {US: "foot / second", METRIC: "meter / second"},
)
POWER = Dimension("power", "85 W", "watt", _words(watt="w", kilowatt="kw"), {US: "watt", METRIC: "watt"})
VOLUME = Dimension("volume", "12 gal, 45 L or 0.2 m3", "meter ** 3", VOLUME_WORDS, {US: "gallon", METRIC: "liter"})
SQUARE_METRE, SQUARE_FOOT = "meter ** 2", "foot ** 2"
AREA = Dimension(
    "area",
    "8 ft2 or 0.72 m2",
    SQUARE_METRE,
    {
        **dict.fromkeys(["ft2", "ft²", "sq ft"], SQUARE_FOOT),
        **dict.fromkeys(["in2", "in²", "sq in"], "inch ** 2"),
        **dict.fromkeys(["m2", "m²"], SQUARE_METRE),
        **dict.fromkeys(["cm2", "cm²"], "centimeter ** 2"),
    },
    {US: SQUARE_FOOT, METRIC: SQUARE_METRE},
)
DURATION = Dimension(
    "time",
    "3 years or 8760 h",
    "hour",
    _words(hour="h hour hours", day="day days d", week="week weeks", year="year years a"),
    {},
)
FRACTION = Dimension("share", "80 %", "dimensionless", {"%": "percent", "percent": "percent"}, {})
DIMENSIONS = (LENGTH, HEAD, FLOW, PRESSURE, TEMPERATURE, SALINITY, SPEED, POWER, VOLUME, AREA, DURATION, FRACTION)

# What pint needs to know to convert the words above; a test compares every one with pint's own table.
DEFINITIONS = (
    "mega- = 1e6",
    "kilo- = 1000",
    "hecto- = 100",
    "deci- = 0.1",
    "centi- = 0.01",
    "milli- = 0.001",
    "micro- = 1e-6",
    "meter = [length]",
    "second = [time]",
    "gram = [mass]",
    "kelvin = [temperature]; offset: 0",
    "degC = kelvin; offset: 273.15",
    "degF = 5 / 9 * kelvin; offset: 233.15 + 200 / 9",
    "percent = 0.01",
    f"inch = {METRES_PER_INCH} * meter",
    f"foot = {METRES_PER_FOOT} * meter",
    f"gallon = {M3_PER_GALLON} * meter ** 3",
    f"imperial_gallon = {M3_PER_UK_GALLON} * meter ** 3",
    f"liter = {M3_PER_LITRE} * meter ** 3",
    "minute = 60 * second",
    f"hour = {SECONDS_PER_HOUR} * second",
    "day = 24 * hour",
    "week = 7 * day",
    "year = 365.25 * day",
    "pascal = kilogram / meter / second ** 2",
    f"bar = {PASCALS_PER_BAR} * pascal",
    f"psi = {PASCALS_PER_PSI} * pascal",
    "watt = kilogram * meter ** 2 / second ** 3",
)

# Letters whose case is a factor: ML is a thousand million times mL, MPa the same of mPa.
_CASED = {"ml": ("ml", "mL"), "mpa": ("MPa", "Mpa", "MPA"), "mbar": ("mbar", "mBar", "MBAR"), "mm3": ("mm3",)}


def case_is_right(written: str) -> bool:
    """Return whether a unit stands in letters of a case that leaves no doubt about its size."""
    first = re.split(r"\s*/", written.rstrip("."))[0].strip()
    return first in _CASED.get(first.lower(), (first,))
