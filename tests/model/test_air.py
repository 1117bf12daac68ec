import pytest
from fluids import ATMOSPHERE_1976

from model import air
from shared.errors import OutOfRangeError
from shared.records import Air

_FOOT = 0.3048

# US Standard Atmosphere 1976, density ratio; `fluids` and `ambiance` agree (calculated).
_SIGMA = {0: 1.0000, 2000: 0.9428, 5000: 0.8617, 8000: 0.7861}


@pytest.mark.parametrize(("feet", "sigma"), _SIGMA.items())
def test_standard_atmosphere(feet: int, sigma: float) -> None:
    """Dry standard air has the standard's density ratio."""
    standard = ATMOSPHERE_1976(feet * _FOOT)
    assert air.density_ratio(Air(standard.T, standard.P)) == pytest.approx(sigma, abs=1e-4)


@pytest.mark.parametrize("feet", [-500, 0, 650, 5000, 9000])
def test_station_pressure_on_a_standard_day(feet: int) -> None:
    """A standard altimeter setting gives the standard pressure at the field (`fluids`)."""
    found = air.station_pressure_pascal(101_325.0, feet * _FOOT)
    # the standard's heights are geopotential: the difference from geometric is under 3 Pa here
    assert found == pytest.approx(ATMOSPHERE_1976(feet * _FOOT).P, abs=15.0)


def test_station_pressure_at_sea_level_is_the_setting() -> None:
    """At sea level the altimeter setting is the pressure, by its definition."""
    assert air.station_pressure_pascal(99_900.0, 0.0) == pytest.approx(99_900.0)


@pytest.mark.parametrize(
    ("celsius", "hectopascal"),
    # saturation vapour pressure over water, Goff-Gratch values of the Smithsonian Meteorological Tables (from memory)
    [(0, 6.108), (20, 23.37), (30, 42.43), (40, 73.78)],
)
def test_vapour_pressure(celsius: float, hectopascal: float) -> None:
    """Saturation pressures match the table within half a per cent."""
    assert air.vapour_pressure_pascal(273.15 + celsius) == pytest.approx(100 * hectopascal, rel=5e-3)


@pytest.mark.parametrize(
    ("celsius", "humidity", "mole_fraction"),
    [(25, 0.5, 0.016), (30, 0.8, 0.034), (35, 0.9, 0.050)],  # calculated with CoolProp
)
def test_humid_air(celsius: float, humidity: float, mole_fraction: float) -> None:
    """Humid air is lighter by the share of vapour times (1 − 18.0/28.97), within its rounding."""
    t = 273.15 + celsius
    lighter = 1 - air.density_ratio(Air(t, 101_325.0, humidity)) / air.density_ratio(Air(t, 101_325.0))
    assert lighter == pytest.approx(mole_fraction * (1 - 18.015 / 28.965), rel=0.04)


def test_impossible_weather() -> None:
    """Vapour that presses harder than the air is refused."""
    with pytest.raises(OutOfRangeError, match="vapour"):
        air.density_ratio(Air(373.0, 50_000.0, 1.0))
