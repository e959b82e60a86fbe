"""A unit that is none of the words of its dimension → the one that was perhaps meant, if that can be told.

A guess at a unit of another kind or size would be wrong by its factor: what pint knows by itself is never guessed
over, but for a word of the same size within a factor of ten. Its table is loaded only where a guess is to be made.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import SequenceMatcher
from functools import lru_cache
from typing import Any

from optimizer.unit_words import DIMENSIONS, Dimension

_NEAR = 0.6  # of a spelling, as difflib tells it
_ALIKE = 0.04  # spellings that come so near to each other are no guess, where they mean very different units
_MOST_TIMES = 10.0
# What the trade writes and pint does not know; a specific gravity is a number without a unit.
_TRADE = {"ccm": "cm3", "cbm": "m3", "cc": "cm3", "wk": "week", "mo": "month", "mth": "month", "sg": "dimensionless"}
_NO_PREFIX = frozenset(("minute", "hour", "day", "week", "month", "year", "inch", "foot", "gallon"))
_OF_SECONDS = frozenset(("", "milli", "micro", "nano"))  # `hs` is no hundred seconds, it is `h` and a slip
_RAISED = str.maketrans("²³", "23")
_POWERS = {"sq": 2, "cu": 3}


def guess(written: str, dimension: Dimension, size: Mapping[str, float]) -> str | None:
    """Return the unit of a dimension that is spelled most like a written one, if that can be told.

    None for a unit of something else or of another size, also in one part of a quotient, and where two spellings that
    are about as near mean units that are more than ten times apart.

    Parameters
    ----------
    written
        What stands there.
    dimension
        Of what kind it should be.
    size
        How large each pint unit of the dimension is, in its target unit.
    """
    written = re.sub(r"\s*/\s*|\s+per\s+", "/", written).rstrip(".").replace(". ", " ").strip()
    word = written.lower()
    near = {known: SequenceMatcher(None, word, known).ratio() for known in dimension.words}
    near = {known: ratio + 0.3 * _same_start(word, known) for known, ratio in near.items() if ratio >= _NEAR}
    if not near or any(word in each.words for each in DIMENSIONS if each.target != dimension.target):
        return None
    best = max(near, key=lambda known: (near[known], -len(known)))
    sizes = [size[dimension.words[known]] for known, nearness in near.items() if nearness >= near[best] - _ALIKE]
    return best if max(sizes) <= _MOST_TIMES * min(sizes) and _may_mean(written, best, dimension) else None


def _same_start(word: str, known: str) -> float:
    """Return the share of a word that another begins with as well."""
    same = 0
    while same < min(len(word), len(known)) and word[same] == known[same]:
        same += 1
    return same / len(word)


def _may_mean(written: str, best: str, dimension: Dimension) -> bool:
    """Return whether what is written may be a slip for the best one, as a whole and part by part of a quotient."""
    unit = dimension.words[best]
    if "/" not in written:
        return _fits(written, unit)
    parts, units = written.split("/"), unit.split(" / ")
    words = best.split("/") if "/" in best else [None] * len(units)  # gph
    if not len(parts) == len(units) == len(words):
        return False
    return all(
        _fits(part, each) and (word is None or _known(part) or _is_near(part.lower(), word))
        for part, word, each in zip(parts, words, units, strict=True)
    )


def _is_near(word: str, known: str) -> bool:
    return SequenceMatcher(None, word, known).ratio() >= _NEAR


def _fits(written: str, unit: str) -> bool:
    """Return whether something is no unit that pint knows, or may be one of the same kind and about the same size."""
    known = _known(written)
    return not known or any(_is_like(one, unit) for one in known)


def _is_like(known: str, unit: str) -> bool:
    import pint

    if unit in ("degC", "degF"):
        return str(_table().Unit(known)) == str(_table().Unit(unit))
    try:
        times = _table().Quantity(1.0, known).to(unit).magnitude
    except pint.PintError:  # of another kind, or on a scale that is not counted from zero
        return False
    return bool(1.01 / _MOST_TIMES < times < _MOST_TIMES / 1.01)  # a tenth is another unit, not a slip


@lru_cache(maxsize=256)
def _known(written: str) -> tuple[str, ...]:
    """Return what a unit without a division may be to pint, in letters of either case where need be; often nothing."""
    plain = written.strip().translate(_RAISED).replace(" ", "").rstrip(".")
    plain = _TRADE.get(plain.lower(), plain)
    if match := re.fullmatch(r"(sq|cu)\.?([a-z]+)", plain, re.IGNORECASE):
        plain = f"{match[2]}{_POWERS[match[1].lower()]}"
    match = re.fullmatch(r"([^\W\d]{1,30}(?:2o)?)([23]?)", plain, re.IGNORECASE)
    if match is None:
        return ()
    power = f" ** {match[2]}" if match[2] else ""
    found = _table().parse_unit_name(match[1]) or _table().parse_unit_name(match[1], case_sensitive=False)
    usual = [(prefix, unit) for prefix, unit, _ in found if not prefix or unit not in _NO_PREFIX]
    usual = [(prefix, unit) for prefix, unit in usual if unit != "second" or prefix in _OF_SECONDS]
    return tuple(f"{prefix}{unit}{power}" for prefix, unit in usual)


@lru_cache(maxsize=1)
def _table() -> Any:
    """Return pint with its own table of a thousand units."""
    import pint

    return pint.UnitRegistry(cache_folder=None)
