"""Conditions of a run: the air at the intake and the head of fuel, as the forward model takes them. SI throughout."""

import math
from typing import NamedTuple

from taperwise.model.physics.backend import Array
from taperwise.shared.errors import OutOfRangeError
from taperwise.shared.runs import Air

__all__ = [
    "COLD_LOW",
    "SEA_LEVEL_DENSITY",
    "STANDARD",
    "Conditions",
    "conditions_at",
    "conditions_of",
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
_THINNEST, _DENSEST = 0.38, 1.27  # density altitudes of 9,000 m and -2,500 m, as `taperwise.shared.units` has them


def vapour_pressure_pascal(temperature_kelvin: float) -> float:
    """Saturation vapour pressure over water [Pa].

    Magnus form of WMO-No. 8 (Guide to Instruments and Methods of Observation), annex 4.B.
    """
    t = temperature_kelvin - 273.15
    return 611.2 * math.exp(17.62 * t / (243.12 + t))


class Conditions(NamedTuple):
    """What of a run's surroundings the mixture depends on; scalars, or one value a run.

    Parameters
    ----------
    ln_density : float
        ln of the density of moist air over the sea-level standard.
    ln_dry : float
        ln of the share of its mass that is dry air: oxygen comes with that alone, vapour is a diluent.
    ln_temperature : float
        ln of its temperature over 288.15 K.
    ln_head : float
        ln of the head of fuel over 0.5 m; nought where none was ever given.
    """

    ln_density: Array = 0.0
    ln_dry: Array = 0.0
    ln_temperature: Array = 0.0
    ln_head: Array = 0.0


COLD_LOW = Air(258.15, 103_500.0, 0.5)
"""−15 °C at sea level under a winter high: what is looked at where the owner did not say how cold it gets."""

STANDARD = Conditions()
"""The standard's air at sea level, and a head nobody gave."""


def _densities(air: Air) -> tuple[float, float]:
    """Densities of the dry air and of the vapour in it [kg/m³]."""
    vapour = air.relative_humidity * vapour_pressure_pascal(air.temperature_kelvin)
    if vapour >= air.pressure_pascal:
        raise OutOfRangeError(
            "Vapour pressure is higher than air pressure",
            field="air",
            value=air,
            cure="Check temperature, pressure and humidity.",
        )
    t = air.temperature_kelvin
    return (air.pressure_pascal - vapour) / (_R_DRY * t), vapour / (_R_VAPOUR * t)


def density_ratio(air: Air) -> float:
    """Density of moist air over the sea-level standard [-].

    Dry air and vapour as ideal gases (Dalton), vapour from the Magnus form.

    Raises
    ------
    OutOfRangeError
        If the vapour would press harder than the air.
    """
    return sum(_densities(air)) / SEA_LEVEL_DENSITY


def conditions_of(air: Air, ln_head: float = 0.0) -> Conditions:
    """Conditions in that air.

    Parameters
    ----------
    ln_head : float
        As in `Conditions`.

    Raises
    ------
    OutOfRangeError
        As `density_ratio`.
    """
    dry, vapour = _densities(air)
    return Conditions(
        math.log((dry + vapour) / SEA_LEVEL_DENSITY),
        math.log(dry / (dry + vapour)),
        math.log(air.temperature_kelvin / _SEA_LEVEL_TEMPERATURE),
        ln_head,
    )


def conditions_at(density: float, ln_head: float = 0.0) -> Conditions:
    """Conditions in dry air of that density ratio, as warm as the standard atmosphere is where it is as dense.

    Raises
    ------
    OutOfRangeError
        If no engine runs in such air.
    """
    if not _THINNEST <= density <= _DENSEST:
        raise OutOfRangeError(
            f"should be between {_THINNEST} and {_DENSEST}",
            field="density_ratio",
            value=density,
            cure="Give the air's density over 1.225 kg/m³: 1 at sea level, about 0.86 at 5,000 ft.",
        )
    cooled = 1.0 - _LAPSE * density_altitude_m(density) / _SEA_LEVEL_TEMPERATURE
    return Conditions(math.log(density), 0.0, math.log(cooled), ln_head)


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
