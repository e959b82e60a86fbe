import pytest
from published import expected

from optimizer.errors import NetworkError
from optimizer.hydraulics.water import fluid_of
from optimizer.model.network import Water
from optimizer.water import density_eos80_kg_m3, density_kg_m3, dynamic_viscosity_pa_s


def test_density_agrees_with_the_check_values_of_the_equation_of_state() -> None:
    # UNESCO Technical Papers in Marine Science 44 (1983), check values, practical salinity and IPTS-68; from memory
    assert density_eos80_kg_m3(35.0, 5.0) == expected("seawater-density", "rho S 35, 5 C")
    assert density_eos80_kg_m3(35.0, 25.0) == expected("seawater-density", "rho S 35, 25 C")
    assert density_kg_m3(0.0, 25.0) == expected("seawater-density", "rho fresh 25 C")
    assert density_kg_m3(35.0, 25.0) == expected("seawater-density", "rho SA 35 g/kg, 25 C")


@pytest.mark.parametrize("salinity", [0.0, 10.0, 25.0, 35.0, 42.0])
@pytest.mark.parametrize("temperature", [5.0, 15.0, 25.0, 35.0])
def test_density_agrees_with_teos_10(salinity: float, temperature: float) -> None:
    gsw = pytest.importorskip("gsw")
    # gsw: the TEOS-10 standard of 2010 at sea pressure 0; the two equations of state differ by some 0.01 kg/m3
    conservative = gsw.CT_from_t(salinity, temperature, 0.0)
    assert density_kg_m3(salinity, temperature) == pytest.approx(gsw.rho(salinity, conservative, 0.0), abs=0.03)


@pytest.mark.slow  # the library takes a second to load
@pytest.mark.parametrize("salinity", [0.0, 20.0, 35.0, 45.0])
@pytest.mark.parametrize("temperature", [5.0, 20.0, 28.0, 35.0])
def test_density_and_viscosity_agree_with_the_sea_water_of_coolprop(salinity: float, temperature: float) -> None:
    from CoolProp import CoolProp

    # CoolProp's MITSW: the sea water of Sharqawy, Lienhard and Zubair (2010), fitted again, which costs up to 1 %
    name = f"INCOMP::MITSW[{salinity / 1000.0}]"
    kelvin = temperature + 273.15
    assert density_kg_m3(salinity, temperature) == pytest.approx(
        CoolProp.PropsSI("D", "T", kelvin, "P", 101325.0, name), rel=6e-4
    )
    assert dynamic_viscosity_pa_s(salinity, temperature) == pytest.approx(
        CoolProp.PropsSI("V", "T", kelvin, "P", 101325.0, name), rel=0.01
    )


@pytest.mark.slow  # the library takes a second to load
@pytest.mark.parametrize("temperature", [5.0, 20.0, 35.0])
def test_fresh_water_agrees_with_the_iapws_formulation(temperature: float) -> None:
    from CoolProp import CoolProp

    # CoolProp's Water: IAPWS-95 density and IAPWS 2008 viscosity
    kelvin = temperature + 273.15
    assert density_kg_m3(0.0, temperature) == pytest.approx(
        CoolProp.PropsSI("D", "T", kelvin, "P", 101325.0, "Water"), abs=0.03
    )
    assert dynamic_viscosity_pa_s(0.0, temperature) == pytest.approx(
        CoolProp.PropsSI("V", "T", kelvin, "P", 101325.0, "Water"), rel=0.002
    )


@pytest.mark.parametrize(("temperature", "nu"), [(20.0, 1.051e-6), (25.0, 0.937e-6), (28.0, 0.878e-6)])
def test_kinematic_viscosity_of_sea_water_is_that_of_the_tables(temperature: float, nu: float) -> None:
    # computed with CoolProp and gsw for 35 g/kg, rounded to four digits
    assert fluid_of(Water(35.0, temperature)).kinematic_viscosity_m2_s == pytest.approx(nu, rel=0.003)


def test_dynamic_viscosity_of_a_fluid_is_density_times_kinematic() -> None:
    fluid = fluid_of(Water(35.0, 25.0))
    assert fluid.dynamic_viscosity_pa_s == pytest.approx(dynamic_viscosity_pa_s(35.0, 25.0))


@pytest.mark.parametrize("water", [Water(-1.0, 20.0), Water(46.0, 20.0), Water(35.0, 4.0), Water(35.0, float("nan"))])
def test_water_outside_the_range_of_the_formulas_is_refused(water: Water) -> None:
    with pytest.raises(NetworkError, match="0 to 45 g/kg and 5 to 35 °C"):
        fluid_of(water)


# Check values printed with the equation: N. P. Fofonoff and R. C. Millard, UNESCO Technical Papers in
# Marine Science 44, 1983, p. 19 (from memory).
@pytest.mark.parametrize(
    ("salinity", "temperature_c", "density"),
    [(0, 5, 999.96675), (0, 25, 997.04796), (35, 5, 1027.67547), (35, 25, 1023.34306)],
)
def test_density_agrees_with_the_printed_check_values(salinity: float, temperature_c: float, density: float) -> None:
    assert density_eos80_kg_m3(salinity, temperature_c) == pytest.approx(density, abs=1e-4)
