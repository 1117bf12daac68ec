"""Which column of a table is what: named in a mapping, or guessed from the headings."""

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from taperwise.api.schemas.run import Mapping
from taperwise.api.traces.csv_table import Column, read_table
from taperwise.model.traces.probes import PLAUSIBLE_KELVIN, usable
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.units import si_factor

__all__ = ["CHANNELS", "Trace", "trace_of"]

_F = NDArray[np.float64]

_TEMPERATURES = {
    "f": "degF", "degf": "degF", "°f": "degF", "fahrenheit": "degF",
    "c": "degC", "degc": "degC", "°c": "degC", "celsius": "degC",
    "k": "kelvin", "kelvin": "kelvin",
}  # fmt: skip
_FLOWS = {"gal/h": "gal/h", "gph": "gal/h", "usgph": "gal/h", "l/h": "l/h", "lph": "l/h", "cc/s": "cc/s"}
_PRESSURES = {"inhg": "inHg", "hpa": "hPa", "mbar": "hPa", "kpa": "kPa", "pa": "Pa"}


def _word(*words: str) -> re.Pattern[str]:
    return re.compile("|".join(rf"(?<![a-z]){w}" for w in words), re.IGNORECASE)


_EGT, _CHT = _word("egt", "exhaust"), _word("cht", "cylinder head", "head temp")


@dataclass(frozen=True)
class Channel:
    """A channel beside the exhaust temperatures: how its heading looks, its units, and its kind of quantity."""

    heading: re.Pattern[str]
    units: dict[str, str]
    kind: str | None


CHANNELS: dict[str, Channel] = {
    "rpm": Channel(_word("rpm", "engine speed"), {}, None),
    "mixture_control": Channel(_word("mixture"), {}, None),
    "fuel_flow": Channel(_word("fuel flow", "flow", "ff"), _FLOWS, "fuel_flow"),
    "lambda": Channel(_word("lambda"), {}, None),
    "manifold_pressure": Channel(_word("manifold", "map"), _PRESSURES, "pressure"),
}
"""Channels that may stand beside the exhaust temperatures, by name."""


@dataclass(frozen=True)
class Trace:
    """A trace in SI.

    Parameters
    ----------
    seconds : array, (n,)
    egt_kelvin : dict of array
        Exhaust temperature by the column's heading [K], each of shape (n,); NaN for a gap.
    cht_kelvin : dict of array
        Cylinder head temperatures likewise.
    channels : dict of array
        Other channels, names of `CHANNELS`, in SI; speed in rpm, the mixture control as it was.
    unused : tuple of (str, str)
        Headings that look like a channel but could not be used, each with the reason.
    """

    seconds: _F
    egt_kelvin: dict[str, _F]
    cht_kelvin: dict[str, _F] = field(default_factory=dict)
    channels: dict[str, _F] = field(default_factory=dict)
    unused: tuple[tuple[str, str], ...] = ()


def trace_of(text: str, mapping: Mapping | None = None) -> Trace:
    """Read a trace from CSV text.

    Raises
    ------
    InvalidValueError
        If the table cannot be read, a column that is named is missing, or a unit is not known.
    """
    mapping = mapping or Mapping()
    columns = read_table(text)
    time = _time(columns, mapping)
    others = [c for c in columns if c is not time]
    exhaust = _several(columns, others, mapping.egt, _EGT, "egt")
    if not exhaust:
        raise InvalidValueError(
            "No column looks like an exhaust temperature",
            field="mapping.egt",
            value=", ".join(c.name for c in columns),
            cure="Name the columns with exhaust temperatures.",
        )
    heads = _several(columns, others, mapping.cht, _CHT, "cht")
    taken = {c.name for c in (*exhaust, *heads)}
    channels, unused = {}, []
    for name, channel in CHANNELS.items():
        column = _single(columns, [c for c in others if c.name not in taken], mapping, name, channel)
        if column is None:
            continue
        taken.add(column.name)
        if mapping.heading(name) is None and (reason := _unusable(column, channel, mapping, name)):
            unused.append((column.name, reason))
        else:
            channels[name] = _channel(column, channel, mapping, name)
    return Trace(
        time.values,
        _exhaust_kelvin(exhaust, mapping),
        {c.name: _plausible(c, _kelvin(c, mapping), "cylinder head", (200.0, 700.0)) for c in heads},
        channels,
        tuple(unused),
    )


def _named(columns: list[Column], name: str, field: str) -> Column:
    for c in columns:
        if name.strip().lower() in (c.name.lower(), f"{c.name} ({c.unit})".lower(), f"{c.name} [{c.unit}]".lower()):
            return c
    there = ", ".join(c.name for c in columns)
    raise InvalidValueError(
        "The logger file has no such column", field=field, value=name, cure=f"Use one of these columns: {there}."
    )


def _time(columns: list[Column], mapping: Mapping) -> Column:
    if mapping.time is not None:
        return _named(columns, mapping.time, "mapping.time")
    return next((c for c in columns if "time" in c.name.lower()), columns[0])


def _several(
    columns: list[Column], others: list[Column], named: list[str] | None, heading: re.Pattern[str], name: str
) -> list[Column]:
    if named is not None:
        return [_named(columns, each, f"mapping.{name}") for each in named]
    return [c for c in others if heading.search(c.name)]


def _single(columns: list[Column], free: list[Column], mapping: Mapping, name: str, channel: Channel) -> Column | None:
    heading = mapping.heading(name)
    if heading is not None:
        return _named(columns, heading, f"mapping.{name}")
    return next((c for c in free if channel.heading.search(c.name)), None)


def _plain(unit: str) -> str:
    return unit.lower().replace(" ", "")


def _unit(column: Column, channel: Channel, mapping: Mapping, name: str) -> str | None:
    given = mapping.fuel_flow_unit if name == "fuel_flow" else mapping.pressure_unit
    return channel.units.get(_plain(column.unit), given)


def _unusable(column: Column, channel: Channel, mapping: Mapping, name: str) -> str:
    """Why a column that was only guessed is left alone; empty where it can be used."""
    if column.problem is not None:
        return "some values are not numbers"
    if channel.kind is not None and _unit(column, channel, mapping, name) is None:
        return "its unit is unknown"
    return ""


def _channel(column: Column, channel: Channel, mapping: Mapping, name: str) -> _F:
    """Values in SI."""
    if channel.kind is None:
        return column.values
    unit = _unit(column, channel, mapping, name)
    if unit is None:
        raise InvalidValueError(
            "The unit of this column is unknown",
            field=f"mapping.{'fuel_flow_unit' if name == 'fuel_flow' else 'pressure_unit'}",
            value=column.name,
            cure=f"Give one of {', '.join(sorted(set(channel.units.values())))}, or write the unit in the heading.",
        )
    return column.values * si_factor(channel.kind, unit)


def _exhaust_kelvin(columns: list[Column], mapping: Mapping) -> dict[str, _F]:
    """Exhaust temperatures; what a logger writes for a broken probe is a gap, but most columns must be plausible."""
    found = {c.name: _kelvin(c, mapping) for c in columns}
    beyond = [c for c in columns if (np.isfinite(found[c.name]) & ~usable(found[c.name])).any()]
    if 2 * len(beyond) > len(columns):  # rather a wrong unit than so many broken probes
        _plausible(beyond[0], found[beyond[0].name], "exhaust", PLAUSIBLE_KELVIN)
    return {name: np.where(usable(kelvin), kelvin, np.nan) for name, kelvin in found.items()}


def _kelvin(column: Column, mapping: Mapping) -> _F:
    unit = _TEMPERATURES.get(_plain(column.unit), mapping.temperature_unit)
    if unit is None:
        raise InvalidValueError(
            "The unit of this temperature is unknown",
            field="mapping.temperature_unit",
            value=column.name,
            cure="Give degF, degC or kelvin, or write the unit in the heading: EGT 1 (degF).",
        )
    x = column.values
    return np.asarray((x + 459.67) / 1.8 if unit == "degF" else x + 273.15 if unit == "degC" else x)


def _plausible(column: Column, kelvin: _F, what: str, plausible: tuple[float, float]) -> _F:
    """The temperatures, where all of them are plausible."""
    low, high = plausible
    if np.nanmax(kelvin, initial=low) > high or np.nanmin(kelvin, initial=high) < low:
        raise InvalidValueError(
            f"Temperatures of {what} should be between {low:g} and {high:g} K",
            field=f"trace, column {column.name!r}",
            value=f"{np.nanmin(kelvin):.0f} to {np.nanmax(kelvin):.0f} K",
            cure="Check the unit. If a probe was broken, clear its values.",
        )
    return kelvin
