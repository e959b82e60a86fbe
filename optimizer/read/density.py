"""Density of fresh and sea water, which turns the pressure of a supply into head."""

from __future__ import annotations

import math


def water_density_kg_m3(salinity_g_kg: float, temperature_c: float) -> float:
    """Return the density [kg/m³] of sea water under one atmosphere.

    The one-atmosphere equation of state EOS-80, for practical salinity 0 to 42 and -2 to 40 °C; beyond that it is
    carried on. Salinity in g/kg is used as practical salinity, which makes the density at most 0.02 % too high.

    References
    ----------
    N. P. Fofonoff and R. C. Millard, UNESCO Technical Papers in Marine Science 44, 1983, equations 13 and 14.
    """
    t, s = temperature_c, salinity_g_kg
    pure = 999.842594 + t * (
        6.793952e-2 + t * (-9.095290e-3 + t * (1.001685e-4 + t * (-1.120083e-6 + t * 6.536332e-9)))
    )
    first = 8.24493e-1 + t * (-4.0899e-3 + t * (7.6438e-5 + t * (-8.2467e-7 + t * 5.3875e-9)))
    three_halves = -5.72466e-3 + t * (1.0227e-4 - t * 1.6546e-6)
    return pure + s * first + s * math.sqrt(s) * three_halves + s**2 * 4.8314e-4
