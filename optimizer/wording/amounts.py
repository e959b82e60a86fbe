"""Numbers without a unit of their own → words: money and shares."""

from __future__ import annotations

import math

SIGNS = {"USD": "$", "EUR": "€", "GBP": "£"}


def money(cents: int, currency: str) -> str:
    """Return `$1,234.50`, or `1,234.50 CHF` for a currency without a sign that all would read alike."""
    amount, sign = f"{abs(cents) // 100:,}.{abs(cents) % 100:02d}", SIGNS.get(currency)
    return ("-" if cents < 0 else "") + (f"{sign}{amount}" if sign else f"{amount} {currency}")


def percent(share: float, decimals: int = 0) -> str:
    """Return `80 %`; a share that is not a number shows as a dash."""
    return f"{share * 100:.{decimals}f} %" if math.isfinite(share) else "–"


def cases(share: float) -> str:
    """Return a share as people say it: `about 5 of 10 cases`."""
    if share < 0.055:
        return "fewer than 1 of 10 cases"
    if share >= 0.995:
        return "nearly all cases"
    return f"about {round(100 * share)} of 100 cases" if share > 0.945 else f"about {round(10 * share)} of 10 cases"
