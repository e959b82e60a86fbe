"""Properties of fresh and sea water, by published closed forms."""

from __future__ import annotations

import math

GRAVITY_M_S2 = 9.80665
_PRACTICAL_PER_G_KG = 35.0 / 35.16504  # TEOS-10 reference composition: absolute salinity g/kg to practical salinity
_IPTS_68_PER_ITS_90 = 1.00024  # the older temperature scale, on which EOS-80 was fitted


def density_kg_m3(salinity_g_kg: float, temperature_c: float) -> float:
    """Return the density of fresh or sea water at one atmosphere, by the international equation of state EOS-80.

    Valid for 0 to 42 practical salinity and -2 to 40 °C; to 45 g/kg it is read slightly past its fit, within 0.01 %.

    References
    ----------
    N. P. Fofonoff and R. C. Millard, UNESCO Technical Papers in Marine Science 44, 1983, pp. 15-19.
    """
    return density_eos80_kg_m3(salinity_g_kg * _PRACTICAL_PER_G_KG, temperature_c * _IPTS_68_PER_ITS_90)


def density_eos80_kg_m3(practical_salinity: float, temperature_68_c: float) -> float:
    """Return EOS-80's own density: practical salinity, temperature on the scale of 1968."""
    t, s = temperature_68_c, practical_salinity
    pure = _polynomial(t, 999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9)
    first = _polynomial(t, 8.24493e-1, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9)
    middle = _polynomial(t, -5.72466e-3, 1.0227e-4, -1.6546e-6)
    return pure + first * s + middle * s * math.sqrt(s) + 4.8314e-4 * s * s


def dynamic_viscosity_pa_s(salinity_g_kg: float, temperature_c: float) -> float:
    """Return the dynamic viscosity of fresh or sea water, by the form fitted to Isdale's measurements.

    Valid for 0 to 150 g/kg and 0 to 180 °C, to 1.5 %.

    References
    ----------
    M. H. Sharqawy, J. H. Lienhard V, S. M. Zubair, Desalination and Water Treatment 16, 2010, eqs. 22 and 23.
    """
    t, s = temperature_c, salinity_g_kg / 1000.0
    pure = 4.2844e-5 + 1.0 / (0.157 * (t + 64.993) ** 2 - 91.296)
    a = _polynomial(t, 1.541, 1.998e-2, -9.52e-5)
    b = _polynomial(t, 7.974, -7.561e-2, 4.724e-4)
    return pure * (1.0 + a * s + b * s * s)


def _polynomial(x: float, *coefficients: float) -> float:
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return total
