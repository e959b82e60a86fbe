"""How long a cemented joint is left alone before water may press on it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CureTime:
    """Times of a nominal size in mild weather [min]: until the joint may be moved, and until low pressure.

    `cold_cure_min` is the latter at 5 to 16 °C; None: not known.
    """

    size: str
    set_min: float
    cure_min: float
    basis: str
    cold_cure_min: float | None = None
