import math

import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI
from fluids import ATMOSPHERE_1976
from hypothesis import given
from hypothesis import strategies as st

from taperwise.model.physics import air
from taperwise.shared.errors import OutOfRangeError
from taperwise.shared.runs import Air
from taperwise.shared.units import KINDS

_EARTH_RADIUS_M = 6_356_766.0  # US Standard Atmosphere 1976, effective radius


def _standard(geopotential_m: float) -> ATMOSPHERE_1976:
    """The standard atmosphere of `fluids` at a geopotential height, in which the altimeter is defined."""
    return ATMOSPHERE_1976(_EARTH_RADIUS_M * geopotential_m / (_EARTH_RADIUS_M - geopotential_m))


@given(st.floats(-450.0, 6000.0))
def test_standard_atmosphere(metres: float) -> None:
    """Dry standard air has the standard's density ratio (`fluids`), and its own height as density altitude."""
    standard = _standard(metres)
    sigma = standard.rho / _standard(0.0).rho
    assert air.density_ratio(Air(standard.T, standard.P)) == pytest.approx(sigma, rel=1e-5)
    assert air.density_ratio_at(metres) == pytest.approx(sigma, rel=1e-5)
    assert air.density_altitude_m(sigma) == pytest.approx(metres, abs=0.1)


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


@given(st.floats(273.16, 318.0))
def test_vapour_pressure(kelvin: float) -> None:
    """Saturation pressures are within 0.35 % of those of water's own equation of state (CoolProp: IAPWS-95).

    At 318 K that much changes the density of saturated air by 1 part in 8,000.
    """
    theirs = PropsSI("P", "T", kelvin, "Q", 0, "Water")
    assert air.vapour_pressure_pascal(kelvin) == pytest.approx(theirs, rel=3.5e-3)


_weather = (st.floats(268.0, 313.0), st.floats(0.0, 1.0), st.floats(70_000.0, 105_000.0))


@given(*_weather)
def test_moist_density(kelvin: float, humidity: float, pascal: float) -> None:
    """Moist air as ideal gases is within 0.1 % of a real one (CoolProp: mass of dry air and vapour over volume)."""
    state = ("T", kelvin, "P", pascal, "R", humidity)
    theirs = (1.0 + HAPropsSI("W", *state)) / HAPropsSI("V", *state)
    assert air.density_ratio(Air(kelvin, pascal, humidity)) * air.SEA_LEVEL_DENSITY == pytest.approx(theirs, rel=1e-3)


@given(st.floats(273.16, 313.0), *_weather[1:])  # below, the library's humidity is over ice
def test_humid_air(kelvin: float, humidity: float, pascal: float) -> None:
    """Humid air is lighter by the share of vapour (CoolProp) times one less the ratio of molar masses, within 1 %.

    Molar masses: 18.015 g/mol of water, 28.965 g/mol of dry air.
    """
    share = HAPropsSI("Y", "T", kelvin, "P", pascal, "R", humidity)
    lighter = 1 - air.density_ratio(Air(kelvin, pascal, humidity)) / air.density_ratio(Air(kelvin, pascal))
    assert lighter == pytest.approx(share * (1 - 18.015 / 28.965), rel=0.01, abs=1e-9)


@given(st.floats(253.0, 318.0), st.floats(70_000.0, 105_000.0), st.floats(0.0, 0.9))
def test_more_humid_is_lighter(kelvin: float, pascal: float, humidity: float) -> None:
    """In any weather, more vapour makes air lighter."""
    assert air.density_ratio(Air(kelvin, pascal, humidity + 0.1)) < air.density_ratio(Air(kelvin, pascal, humidity))


def test_impossible_weather() -> None:
    """Vapour that presses harder than the air is refused."""
    with pytest.raises(OutOfRangeError, match="Vapour"):
        air.density_ratio(Air(373.0, 50_000.0, 1.0))


@pytest.mark.parametrize("density", [-1.0, 0.0, 0.3, 1.3, math.nan, math.inf])
def test_air_that_cannot_be(density: float) -> None:
    """Field, value and cure, before a logarithm fails."""
    with pytest.raises(OutOfRangeError, match="density_ratio: should be between") as refused:
        air.conditions_at(density)
    assert refused.value.cure


@pytest.mark.parametrize("metres", [-2_500.0, 9_000.0])
def test_every_density_altitude_is_air(metres: float) -> None:
    """What the unit allows, the conditions take."""
    assert air.conditions_at(air.density_ratio_at(metres)).ln_density == math.log(air.density_ratio_at(metres))
    kind = KINDS["density_altitude"]
    assert metres in (kind.low, kind.high)
