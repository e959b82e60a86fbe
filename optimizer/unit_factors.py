"""Units by name, such as `gallon / hour` or `centimeter ** 2` → how large they are in SI, without loading a library."""

from __future__ import annotations

from functools import lru_cache

from optimizer.unit_words import (
    M3_PER_GALLON,
    M3_PER_LITRE,
    M3_PER_UK_GALLON,
    METRES_PER_FOOT,
    METRES_PER_INCH,
    PASCALS_PER_BAR,
    PASCALS_PER_PSI,
    SECONDS_PER_HOUR,
)

_SIZES = {
    "meter": 1.0,
    "second": 1.0,
    "gram": 0.001,
    "pascal": 1.0,
    "watt": 1.0,
    "dimensionless": 1.0,
    "percent": 0.01,
    "inch": METRES_PER_INCH,
    "foot": METRES_PER_FOOT,
    "gallon": M3_PER_GALLON,
    "imperial_gallon": M3_PER_UK_GALLON,
    "liter": M3_PER_LITRE,
    "minute": 60.0,
    "hour": SECONDS_PER_HOUR,
    "day": 24.0 * SECONDS_PER_HOUR,
    "week": 7.0 * 24.0 * SECONDS_PER_HOUR,
    "year": 365.25 * 24.0 * SECONDS_PER_HOUR,
    "bar": PASCALS_PER_BAR,
    "psi": PASCALS_PER_PSI,
}
_PREFIXES = {"mega": 1e6, "kilo": 1e3, "hecto": 100.0, "deci": 0.1, "centi": 0.01, "milli": 0.001, "micro": 1e-6}
_DEGREES = {("degF", "degC"): (-32.0, 5.0 / 9.0), ("degC", "degC"): (0.0, 1.0)}


def converted(number: float, unit: str, target: str) -> float | None:
    """Return number × unit in the target unit; None where one of them is not in the table.

    Of the same kind they must be: that is the caller's to know, for both stand in one `Dimension`.
    """
    if (unit, target) in _DEGREES:
        shift, times = _DEGREES[unit, target]
        return (number + shift) * times
    if unit == target:
        return number
    size, of_target = _size(unit), _size(target)
    return None if size is None or of_target is None else number * size / of_target


@lru_cache(maxsize=256)
def _size(unit: str) -> float | None:
    """Return how large a unit is: names with prefixes, whole powers and divisions."""
    found = 1.0
    for place, factor in enumerate(unit.split(" / ")):
        name, _, power = factor.partition(" ** ")
        size = _named(name)
        if size is None:
            return None
        size **= int(power or 1)
        found = found * size if place == 0 else found / size
    return found


def _named(name: str) -> float | None:
    if name in _SIZES:
        return _SIZES[name]
    for prefix, times in _PREFIXES.items():
        if name.startswith(prefix) and name.removeprefix(prefix) in _SIZES:
            return times * _SIZES[name.removeprefix(prefix)]
    return None
