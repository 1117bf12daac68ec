"""Units at the boundary: a quantity comes in with its unit, is checked, and goes on in SI.

A *kind* says what a quantity is. Temperatures and temperature differences are two kinds, so that
95 °F of rise can never be read as 35 °C of weather. Revolutions stay in rpm inside, because only
their ratios and differences are used and the unit is in every name.
"""

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

from taperwise.shared.errors import OutOfRangeError, UnitError

__all__ = ["KINDS", "Kind", "from_si", "in_unit", "si_factor", "to_si"]


@dataclass(frozen=True)
class Kind:
    """A kind of quantity.

    Parameters
    ----------
    name : str
        What the quantity is, in words.
    si : str
        Unit used inside.
    units : tuple of str
        Units accepted at the boundary, the usual one first.
    low, high : float
        Plausible range in the inside unit, ends included.
    """

    name: str
    si: str
    units: tuple[str, ...]
    low: float
    high: float


KINDS: dict[str, Kind] = {
    "temperature": Kind("a temperature", "kelvin", ("degC", "degF", "kelvin"), 213.15, 333.15),
    "temperature_rise": Kind("a temperature difference", "kelvin", ("delta_degF", "delta_degC", "kelvin"), 0.0, 500.0),
    "pressure": Kind("a pressure", "pascal", ("hPa", "inHg", "kPa", "Pa", "mmHg", "mbar"), 45_000.0, 110_000.0),
    "elevation": Kind("an elevation", "metre", ("ft", "m"), -450.0, 6_000.0),
    "density_altitude": Kind("a density altitude", "metre", ("ft", "m"), -2_500.0, 9_000.0),
    "length": Kind("a length", "metre", ("mm", "in", "m", "cm"), 1e-6, 0.2),
    "fuel_head": Kind("a head of fuel", "metre", ("m", "cm", "in", "ft", "mm"), 0.02, 3.0),
    "taper": Kind("a taper slope", "", ("mm/m", "mm/mm", "in/in", "percent"), 1e-3, 0.2),
    "volume": Kind("a volume", "metre**3", ("cc", "litre", "in**3", "cm**3", "L"), 5e-5, 2e-2),
    "rpm": Kind("a rotational speed", "rpm", ("rpm",), 0.0, 12_000.0),
    "rpm_rise": Kind("a rise of rotational speed", "rpm", ("rpm",), 0.0, 500.0),
    "head_temperature": Kind("a cylinder head temperature", "kelvin", ("degF", "degC", "kelvin"), 213.15, 700.0),
    "exhaust_temperature": Kind("an exhaust gas temperature", "kelvin", ("degF", "degC", "kelvin"), 213.15, 1_600.0),
    "fuel_flow": Kind("a fuel flow", "metre**3/second", ("gal/h", "l/h", "cc/s"), 1e-7, 1e-4),
    "lambda": Kind("a lambda", "", ("1",), 0.5, 1.5),
    "fraction": Kind("a fraction", "", ("percent", "fraction"), 0.0, 1.0),
}
"""Every kind of quantity the boundary knows, by key."""

_SPELLINGS = {
    "fraction": "",
    "1": "",
    "mm/m": "mm/m",
    "cc": "cm**3",
    "gal/h": "gallon/hour",
    "l/h": "litre/hour",
    "cc/s": "cm**3/s",
}


_DEFINITIONS = """
milli- = 1e-3 = m-
centi- = 1e-2 = c-
deci- = 1e-1 = d-
hecto- = 1e2 = h-
kilo- = 1e3 = k-
metre = [length] = m = meter
second = [time] = s
gram = [mass] = g
kelvin = [temperature]; offset: 0 = K
radian = []
degree_Celsius = kelvin; offset: 273.15 = _ = degC
degree_Fahrenheit = 5 / 9 * kelvin; offset: 233.15 + 200 / 9 = _ = degF
percent = 0.01
minute = 60 * second = min
hour = 60 * minute = h
revolution = 2 * pi * radian
rpm = revolution / minute
yard = 0.9144 * metre
foot = yard / 3 = ft
inch = yard / 36 = in
litre = decimeter ** 3 = L
gallon = 231 * inch ** 3
newton = kilogram * metre / second ** 2
pascal = newton / metre ** 2 = Pa
bar = 1e5 * pascal
standard_gravity = 9.80665 * metre / second ** 2
mercury = 13595.1 * kilogram / metre ** 3
inHg = inch * mercury * standard_gravity
mHg = metre * mercury * standard_gravity
"""
"""The units of `KINDS` as pint defines them; a test holds each against its own registry, which takes longer to read
than most commands and is asked for other units only."""


@cache
def _registry(whole: bool = False) -> Any:  # pint's registry class is generic over types it does not export
    import pint

    if whole:
        return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    registry = pint.UnitRegistry(None, autoconvert_offset_to_baseunit=True)
    registry.load_definitions(_DEFINITIONS.splitlines())
    return registry


def _canonical(value: float) -> float:
    """Round to ten significant digits, so that one quantity typed in two units is one number inside."""
    return float(f"{value:.10g}")


def to_si(kind: str, value: float, unit: str, *, field: str = "") -> float:
    """Convert a quantity to the unit used inside, and check that it is plausible.

    Parameters
    ----------
    kind : str
        Key of `KINDS`.
    value : float
        Number as given.
    unit : str
        Unit as given; one of the kind's units.
    field : str, optional
        Name of the field, for the error.

    Returns
    -------
    float
        The quantity in the kind's inside unit, rounded to ten significant digits.

    Raises
    ------
    UnitError
        If the unit is not one of the kind's.
    OutOfRangeError
        If the value is not finite or not plausible.

    Examples
    --------
    >>> round(to_si("temperature_rise", 95, "delta_degF"), 4)
    52.7778
    >>> to_si("temperature", 59, "degF")
    288.15
    """
    k = KINDS[kind]
    if unit not in k.units:
        hint = _difference_hint(kind, unit)
        raise UnitError(
            f"This unit does not fit {k.name}",
            field=field,
            value=unit,
            cure=f"{hint}Use one of {', '.join(k.units)}.",
        )
    if not math.isfinite(value):
        raise OutOfRangeError(
            f"This is not a finite number for {k.name}", field=field, value=value, cure="Give a plain number."
        )
    inside = _canonical(_scaled(float(value), unit, k.si))
    if not k.low <= inside <= k.high:
        low, high = (f"{from_si(kind, x, unit):.4g}" for x in (k.low, k.high))
        written = "" if unit == "1" else unit
        raise OutOfRangeError(
            f"Plausible values for {k.name} are {low} to {high} {written}".rstrip(),
            field=field,
            value=f"{value:g} {written}".rstrip(),
            cure="Check the number and its unit.",
        )
    return inside


def _difference_hint(kind: str, unit: str) -> str:
    if kind == "temperature_rise" and unit in ("degF", "degC"):
        return f"A rise is a difference, not a reading of the gauge: write delta_{unit}. "
    if kind == "temperature" and unit.startswith("delta_"):
        return f"This is a reading of the thermometer, not a difference: write {unit.removeprefix('delta_')}. "
    return ""


def _convert(value: float, unit: str, target: str) -> float:
    import pint

    one, other = (_SPELLINGS.get(each, each) or "dimensionless" for each in (unit, target))
    try:
        return float(_registry().Quantity(value, one).to(other).magnitude)
    except pint.UndefinedUnitError:
        return float(_registry(whole=True).Quantity(value, one).to(other).magnitude)


def si_factor(kind: str, unit: str) -> float:
    """Factor from a proportional unit (no offset) to the unit used inside, for whole columns of numbers.

    Examples
    --------
    >>> round(si_factor("pressure", "inHg"), 1)
    3386.4
    """
    return _convert(1.0, unit, KINDS[kind].si)


def from_si(kind: str, value: float, unit: str) -> float:
    """Convert an inside value to one of the kind's units.

    Parameters
    ----------
    kind : str
        Key of `KINDS`.
    value : float
        Number in the kind's inside unit.
    unit : str
        Unit wanted.

    Returns
    -------
    float
        The number in `unit`.

    Raises
    ------
    UnitError
        If the unit is none of the kind's.

    Examples
    --------
    >>> round(from_si("temperature_rise", 55.0, "delta_degF"), 6)
    99.0
    """
    k = KINDS[kind]
    if unit not in k.units:
        raise UnitError(f"This unit does not fit {k.name}", value=unit, cure=f"Use one of {', '.join(k.units)}.")
    return _scaled(value, k.si, unit)


def _scaled(value: float, unit: str, target: str) -> float:
    if unit == target:
        return value
    factor = _factor(unit, target)
    return _convert(value, unit, target) if factor is None else value * factor


@cache
def _factor(unit: str, target: str) -> float | None:
    """What to multiply by; None between units whose zeros lie apart. Logs and answers go figure by figure."""
    return _convert(1.0, unit, target) if _convert(0.0, unit, target) == 0.0 else None


def in_unit(kind: str, value: float, unit: str) -> dict[str, float | str]:
    """Give an inside value as the quantity object the boundary speaks: ``{"value": …, "unit": …}``."""
    return {"value": float(f"{from_si(kind, value, unit):.6g}"), "unit": unit}
