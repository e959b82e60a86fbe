"""How large each quantity may be: what is plausible, what is possible at all, and why; one table for all readers.

Outside the plausible range the owner is told and the number counts as it stands. Outside the possible one it is
refused: there the formulas, the whole numbers of the search or the meaning of the word end. The limits are common
practice, no source, wide on purpose: they are there for slips of a unit, a power of ten, a decimal sign.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import lru_cache

from optimizer.errors import QuantityError


@dataclass(frozen=True, slots=True)
class Range:
    """Limits of one quantity in SI units [or as its name says]: plausible, and possible; `words` are for messages."""

    low: float
    high: float
    least: float
    most: float
    words: str  # the possible range as people write it
    reason: str  # why what is outside of the plausible one is odd


_ROWS = (  # quantity, plausible from .. to, possible from .. to, the possible in words, why more or less is odd
    ("length", 1e-5, 100.0, 1e-6, 1e4, "a length from 0.001 mm to 10 km", "longer than a house or thinner than slime"),
    ("tank length", 1e-4, 8.0, 1e-5, 1e3, "a length from 0.01 mm to 1 km", "no tank in a house is that large or small"),
    ("height", -30.0, 30.0, -1e3, 1e3, "a height from -1 km to 1 km", "more than ten floors"),
    ("head", 0.0, 100.0, 0.0, 2e3, "a head from 0 to 2 km", "no pump of an aquarium lifts that high"),
    ("flow", 0.0, 0.03, 0.0, 3.0, "a flow from 0 to 10,000 m3/h", "more than 100 m3/h (26,000 gph)"),
    ("pressure", 0.0, 1.6e6, 0.0, 1e8, "a pressure from 0 to 1,000 bar", "more than PVC pipe bears (16 bar, 230 psi)"),
    (
        "temperature",
        8.0,
        33.0,
        5.0,
        35.0,
        "a water temperature from 5 to 35 °C (41 to 95 °F)",
        "hardly anything lives so cold or warm",
    ),
    ("salinity", 0.0, 42.0, 0.0, 45.0, "a salinity from 0 to 45 g/kg", "more than any sea has"),
    ("speed", 0.05, 15.0, 1e-4, 1e2, "a speed from 0.1 mm/s to 100 m/s", "water in pipe is never that slow or fast"),
    ("power", 0.5, 3e3, 1e-3, 1e6, "a power from 1 mW to 1 MW", "no pump of an aquarium takes that"),
    ("volume", 0.0, 100.0, 0.0, 1e5, "a volume from 0 to 100,000 m3", "more than 100 m3 (26,000 gal)"),
    ("area", 1e-4, 200.0, 1e-6, 1e6, "an area from 1 mm2 to 1 km2", "more than a house stands on or less than a coin"),
    ("time", 1.0, 2e5, 0.0, 1e6, "a time of at most 110 years", "less than an hour or more than 22 years"),
)
RANGES: Mapping[str, Range] = {row[0]: Range(*row[1:]) for row in _ROWS}
# Money has a range of its own: how much is much depends on the currency. Prices are whole cents in the search, and what
# all parts of the largest system cost together must stay exact in its arithmetic (below 2**53).
MOST_MONEY = 100_000_000.0  # of any currency, for one part, an hour of work, a kWh
PLAUSIBLE_MONEY = 20_000.0
_SMALL_MONEY = frozenset(  # currencies of which a thousand and more make a day's wage
    {"BIF", "CLP", "COP", "CRC", "GNF", "HUF", "IDR", "IQD", "IRR", "ISK", "JPY", "KHR", "KRW", "KZT", "LAK", "LBP"}
    | {"MGA", "MMK", "MNT", "NGN", "PKR", "PYG", "RSD", "RWF", "SYP", "TZS", "UGX", "UZS", "VND", "XAF", "XOF", "YER"}
)
_GRAVITY = (1.0, 1.06)  # a salinity in this range is more likely a specific gravity

_notes: ContextVar[list[str] | None] = ContextVar("notes", default=None)


@contextmanager
def noting() -> Iterator[list[str]]:
    """Collect what is said of implausible numbers that are read meanwhile."""
    found: list[str] = []
    token = _notes.set(found)
    try:
        yield found
    finally:
        _notes.reset(token)


def checked(what: str, value: float, written: str) -> float:
    """Return a value [SI unit of `RANGES[what]`] that is possible; if it is not plausible, that is noted.

    Raises
    ------
    QuantityError
        When it is outside of the possible range.
    """
    limits = RANGES[what]
    if not limits.least <= value <= limits.most:
        raise QuantityError(f"'{written}'", limits.words)
    if value != 0 and not limits.low <= value <= limits.high:
        _note(f"'{written}' is an implausible {what}: {limits.reason}; it counts as it stands")
    elif what == "salinity" and _GRAVITY[0] <= value <= _GRAVITY[1]:
        _note(f"'{written}' is an implausible salinity: it looks like a specific gravity; it counts as {value:g} g/kg")
    return value


def money(amount: float, written: str, currency: str) -> float:
    """Return an amount that is possible; if it is not plausible in this currency, that is noted.

    Raises
    ------
    QuantityError
        When it is more than any part, hour or kWh costs, in whatever currency.
    """
    if not (math.isfinite(amount) and 0 <= amount <= MOST_MONEY):
        shown = written if len(written) <= 40 else f"{written[:30]}..."
        raise QuantityError(f"'{shown}'", f"an amount from 0 to {MOST_MONEY:,.0f}")
    if amount > PLAUSIBLE_MONEY * (1000 if currency in _SMALL_MONEY else 1):
        _note(f"'{written}' is implausibly much money in {currency}; it counts as it stands")
    return amount


def _note(text: str) -> None:
    notes = _notes.get()
    if notes is not None:
        notes.append(text)


_COLUMNS = (  # what a catalog column's name ends in, the least above 0 and the most [SI unit; else that of its name]
    ("_mm", 1e-8, 10.0),
    ("sale_length_m", 1e-3, 1e3),
    ("_bar", 1e-3, 1e3),
    ("kv_m3_h", 1e-6, 1e5),
    ("power_w", 1e-3, 1e6),
    ("", 1e-9, 1e6),
)


@lru_cache(maxsize=256)
def column(name: str) -> tuple[float, float]:
    """Return the least number above 0 and the most that a catalog column may hold; lengths in mm come in metres."""
    return next((least, most) for ending, least, most in _COLUMNS if name.endswith(ending))
