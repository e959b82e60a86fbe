"""Water as the network sees it: salinity and temperature become density and viscosity."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.errors import NetworkError
from optimizer.model.network import Water
from optimizer.water import GRAVITY_M_S2, density_kg_m3, dynamic_viscosity_pa_s

__all__ = ["GRAVITY_M_S2", "Fluid", "fluid_of"]


@dataclass(frozen=True, slots=True)
class Fluid:
    """A Newtonian liquid: density and kinematic viscosity."""

    density_kg_m3: float
    kinematic_viscosity_m2_s: float

    def __post_init__(self) -> None:
        if not (self.density_kg_m3 > 0 and self.kinematic_viscosity_m2_s > 0):  # refuses NaN as well
            raise NetworkError(f"a fluid needs density and viscosity above 0; found {self}")

    @property
    def dynamic_viscosity_pa_s(self) -> float:
        return self.density_kg_m3 * self.kinematic_viscosity_m2_s


def fluid_of(water: Water) -> Fluid:
    """Return the fluid for a salinity of 0 to 45 g/kg (absolute) and 5 to 35 °C at atmospheric pressure.

    Raises
    ------
    NetworkError
        Outside that range, where the published forms were not fitted.
    """
    salinity, temperature = water.salinity_g_kg, water.temperature_c
    if not (0.0 <= salinity <= 45.0 and 5.0 <= temperature <= 35.0):
        raise NetworkError(
            f"water of {salinity:g} g/kg and {temperature:g} °C: properties are known for 0 to 45 g/kg and 5 to 35 °C"
        )
    density = density_kg_m3(salinity, temperature)
    return Fluid(density, dynamic_viscosity_pa_s(salinity, temperature) / density)
