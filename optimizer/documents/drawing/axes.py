"""Round numbers for an axis."""

from __future__ import annotations

import math


def round_ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Return round numbers, evenly spaced, from at or below `low` to at or above `high`, about `most` of them.

    Both ends are finite. Where they are equal the axis gets a length of 1 (or the value's own size).
    """
    if not high > low:
        high = low + (abs(low) or 1.0)
    rough = (high - low) / max(1, most - 1)
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(size * factor for factor in (1, 2, 2.5, 5, 10) if size * factor >= rough * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(place * step, 10) for place in range(first, last + 1)]


def tick_words(value: float, ticks: list[float]) -> str:
    """Return a tick's number with as many decimals as the spacing of the ticks calls for."""
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    decimals = next((places for places in range(4) if math.isclose(round(step, places), step, rel_tol=1e-6)), 4)
    return f"{value + 0.0:,.{decimals}f}"
