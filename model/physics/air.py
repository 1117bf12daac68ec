"""Air density at the intake, and station pressure from an altimeter setting. SI throughout."""

import math

from taperwise.shared.errors import OutOfRangeError
from taperwise.shared.runs import Air

__all__ = [
    "SEA_LEVEL_DENSITY",
    "density_altitude_m",
    "density_ratio",
    "density_ratio_at",
    "station_pressure_pascal",
    "vapour_pressure_pascal",
]

SEA_LEVEL_DENSITY = 1.225
"""Density at sea level in the standard atmosphere [kg/m³] (ISO 2533:1975, table 1)."""

_SEA_LEVEL_PRESSURE = 101_325.0  # ISO 2533
_SEA_LEVEL_TEMPERATURE = 288.15  # ISO 2533
_LAPSE = 0.0065  # K/m, ISO 2533
_EXPONENT = 287.05287 * _LAPSE / 9.80665  # ISO 2533: R L / g
_R_DRY = 287.05287  # J/(kg K), ISO 2533
_R_VAPOUR = 461.5  # J/(kg K), water vapour


def vapour_pressure_pascal(temperature_kelvin: float) -> float:
    """Saturation vapour pressure over water [Pa].

    Magnus form of WMO-No. 8 (Guide to Instruments and Methods of Observation), annex 4.B.
    """
    t = temperature_kelvin - 273.15
    return 611.2 * math.exp(17.62 * t / (243.12 + t))


def density_ratio(air: Air) -> float:
    """Density of moist air over the sea-level standard [-].

    Dry air and vapour as ideal gases (Dalton), vapour from the Magnus form.

    Raises
    ------
    OutOfRangeError
        If the vapour would press harder than the air.
    """
    vapour = air.relative_humidity * vapour_pressure_pascal(air.temperature_kelvin)
    if vapour >= air.pressure_pascal:
        raise OutOfRangeError("vapour pressure exceeds air pressure", field="air", value=air, cure="Check the weather.")
    t = air.temperature_kelvin
    density = (air.pressure_pascal - vapour) / (_R_DRY * t) + vapour / (_R_VAPOUR * t)
    return density / SEA_LEVEL_DENSITY


def density_ratio_at(density_altitude_m: float) -> float:
    """Density over the sea-level standard at a density altitude [-], by the definition of density altitude.

    The standard atmosphere's troposphere (ISO 2533).
    """
    share = 1.0 - _LAPSE * density_altitude_m / _SEA_LEVEL_TEMPERATURE
    return float(share ** (1.0 / _EXPONENT - 1.0))


def density_altitude_m(ratio: float) -> float:
    """Density altitude [m] of air with that density over the sea-level standard; inverse of `density_ratio_at`."""
    return float(_SEA_LEVEL_TEMPERATURE / _LAPSE * (1.0 - ratio ** (1.0 / (1.0 / _EXPONENT - 1.0))))


def station_pressure_pascal(altimeter_pascal: float, elevation_m: float) -> float:
    """Pressure at a field from its altimeter setting and elevation [Pa].

    The altimeter setting is defined through the standard atmosphere's troposphere
    (ISO 2533; US Standard Atmosphere 1976, eq. 33a).
    """
    k = (altimeter_pascal / _SEA_LEVEL_PRESSURE) ** _EXPONENT - _LAPSE * elevation_m / _SEA_LEVEL_TEMPERATURE
    return float(_SEA_LEVEL_PRESSURE * k ** (1.0 / _EXPONENT))
