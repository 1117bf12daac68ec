import pytest
from fluids import ATMOSPHERE_1976
from hypothesis import given
from hypothesis import strategies as st

from model.engine import air
from shared.errors import OutOfRangeError
from shared.runs import Air

_FOOT = 0.3048
_EARTH_RADIUS_M = 6_356_766.0  # US Standard Atmosphere 1976, effective radius


def _standard(geopotential_m: float) -> ATMOSPHERE_1976:
    """The standard atmosphere of `fluids` at a geopotential height, in which the altimeter is defined."""
    return ATMOSPHERE_1976(_EARTH_RADIUS_M * geopotential_m / (_EARTH_RADIUS_M - geopotential_m))


# US Standard Atmosphere 1976 (the same as ISO 2533 here), density ratio; `fluids` and `ambiance` agree (calculated).
_SIGMA = {0: 1.0000, 2000: 0.9428, 5000: 0.8617, 8000: 0.7861}


@pytest.mark.parametrize(("feet", "sigma"), _SIGMA.items())
def test_standard_atmosphere(feet: int, sigma: float) -> None:
    """Dry standard air has the standard's density ratio."""
    standard = ATMOSPHERE_1976(feet * _FOOT)
    assert air.density_ratio(Air(standard.T, standard.P)) == pytest.approx(sigma, abs=1e-4)


@given(st.floats(-450.0, 6000.0))
def test_station_pressure_on_a_standard_day(metres: float) -> None:
    """A standard altimeter setting gives the standard pressure at the field, within 0.1 Pa (`fluids`)."""
    assert air.station_pressure_pascal(101_325.0, metres) == pytest.approx(_standard(metres).P, abs=0.1)


@given(st.floats(-400.0, 3000.0), st.floats(-400.0, 2000.0))
def test_station_pressure_on_any_day(field_m: float, shifted_m: float) -> None:
    """A setting that is standard at one height gives, at a field, what is standard at both heights' sum (`fluids`)."""
    found = air.station_pressure_pascal(_standard(shifted_m).P, field_m)
    assert found == pytest.approx(_standard(field_m + shifted_m).P, abs=0.1)


def test_station_pressure_at_sea_level_is_the_setting() -> None:
    """At sea level the altimeter setting is the pressure, by its definition."""
    assert air.station_pressure_pascal(99_900.0, 0.0) == pytest.approx(99_900.0)


@pytest.mark.parametrize(
    ("celsius", "hectopascal"),
    # saturation vapour pressure over water, Goff-Gratch values of the Smithsonian Meteorological Tables (from memory)
    [(0, 6.108), (20, 23.37), (30, 42.43), (40, 73.78)],
)
def test_vapour_pressure(celsius: float, hectopascal: float) -> None:
    """Saturation pressures match the table within 0.3 %."""
    assert air.vapour_pressure_pascal(273.15 + celsius) == pytest.approx(100 * hectopascal, rel=3e-3)


# Mass of moist air over its volume [kg/m³]: humid-air properties of CoolProp 8.0, a real gas (calculated).
_MOIST = [
    (15, 0.0, 101_325.0, 1.225567),
    (15, 0.5, 101_325.0, 1.221677),
    (25, 0.5, 101_325.0, 1.177360),
    (30, 0.8, 101_325.0, 1.150056),
    (35, 0.9, 101_325.0, 1.124266),
    (30, 0.8, 84_300.0, 0.954299),
    (-5, 0.8, 95_000.0, 1.233439),
]


@pytest.mark.parametrize(("celsius", "humidity", "pascal", "density"), _MOIST)
def test_moist_density(celsius: float, humidity: float, pascal: float, density: float) -> None:
    """Moist air as ideal gases is within 0.1 % of a real one."""
    ratio = air.density_ratio(Air(273.15 + celsius, pascal, humidity))
    assert ratio * air.SEA_LEVEL_DENSITY == pytest.approx(density, rel=1e-3)


@pytest.mark.parametrize(
    ("celsius", "humidity", "mole_fraction"),
    [(25, 0.5, 0.016), (30, 0.8, 0.034), (35, 0.9, 0.050)],  # calculated with CoolProp
)
def test_humid_air(celsius: float, humidity: float, mole_fraction: float) -> None:
    """Humid air is lighter by the share of vapour times (1 − 18.0/28.97), within its rounding."""
    t = 273.15 + celsius
    lighter = 1 - air.density_ratio(Air(t, 101_325.0, humidity)) / air.density_ratio(Air(t, 101_325.0))
    assert lighter == pytest.approx(mole_fraction * (1 - 18.015 / 28.965), rel=0.04)


@given(st.floats(253.0, 318.0), st.floats(70_000.0, 105_000.0), st.floats(0.0, 0.9))
def test_more_humid_is_lighter(kelvin: float, pascal: float, humidity: float) -> None:
    """In any weather, more vapour makes air lighter."""
    assert air.density_ratio(Air(kelvin, pascal, humidity + 0.1)) < air.density_ratio(Air(kelvin, pascal, humidity))


def test_impossible_weather() -> None:
    """Vapour that presses harder than the air is refused."""
    with pytest.raises(OutOfRangeError, match="vapour"):
        air.density_ratio(Air(373.0, 50_000.0, 1.0))
