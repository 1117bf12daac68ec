"""Which column of a table is what: named in a mapping, or guessed from the headings."""

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from taperwise.api.schemas.run import ColumnMapping
from taperwise.api.traces.column_units import FLOWS, PRESSURES, SECONDS, TEMPERATURES, plain
from taperwise.api.traces.csv_table import Column, read_table
from taperwise.api.traces.times import HALF_DAY, in_order, spread
from taperwise.model.traces.probes import PLAUSIBLE_KELVIN, usable
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.units import si_factor

__all__ = ["CHANNELS", "Roles", "Trace", "roles_of", "trace_of", "unit_of"]

_F = NDArray[np.float64]

_FEW, _SHORTEST, _SLOWEST = 20, 8.0, 10.0  # samples, s of a record, s between samples: fewer or slower is no sweep


def _word(*words: str) -> re.Pattern[str]:
    return re.compile("|".join(rf"(?<![a-z]){w}" for w in words), re.IGNORECASE)


_MOMENT = _word(
    "time", "zeit", "uhr", "temps", "heure", "tiempo", "hora", "clock", "sec", "elapsed", "stamp", "utc", "t$"
)
_COUNTED = re.compile(r"#|no\.?|nr\.?|n|index|row|sample|record|line", re.IGNORECASE)
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
    "fuel_flow": Channel(_word("fuel flow", "flow", "ff"), FLOWS, "fuel_flow"),
    "lambda": Channel(_word("lambda"), {}, None),
    "manifold_pressure": Channel(_word("manifold", "map"), PRESSURES, "pressure"),
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

    def rows(self, rows: NDArray[np.intp]) -> "Trace":
        """The trace of these rows alone."""
        egt, cht, channels = (
            {name: values[rows] for name, values in group.items()}
            for group in (self.egt_kelvin, self.cht_kelvin, self.channels)
        )
        return Trace(self.seconds[rows], egt, cht, channels, self.unused)


def trace_of(text: str, mapping: ColumnMapping | None = None) -> Trace:
    """Read a trace from CSV text.

    Raises
    ------
    InvalidValueError
        If the table cannot be read, a column that is named is missing, or a unit is not known.
    """
    mapping = mapping or ColumnMapping()
    roles = roles_of(read_table(text, mapping.decimal, mapping.date_order), mapping)
    channels = {name: _channel(column, CHANNELS[name], mapping, name) for name, column in roles.channels.items()}
    heads = {c.name: _plausible(c, _kelvin(c, mapping), "cylinder head", (200.0, 700.0)) for c in roles.heads}
    seconds, backwards = _seconds(roles.time, mapping)
    row = slice(None, None, -1 if backwards else 1)
    place = f"trace, column {roles.time.name!r}"
    return Trace(
        spread(seconds[row], place, without_hours=roles.time.without_hours),
        {name: kelvin[row] for name, kelvin in _exhaust_kelvin(roles.exhaust, mapping).items()},
        {name: kelvin[row] for name, kelvin in heads.items()},
        {name: values[row] for name, values in channels.items()},
        tuple((column.name, reason) for column, reason in roles.unused),
    )


@dataclass(frozen=True)
class Roles:
    """What the columns of a table are taken for; `unused` look like a channel and cannot be used, with the reason."""

    time: Column
    exhaust: list[Column]
    heads: list[Column]
    channels: dict[str, Column]
    unused: list[tuple[Column, str]]


def roles_of(columns: list[Column], mapping: ColumnMapping) -> Roles:
    """What each column is, as named in the mapping or guessed from the headings.

    Raises
    ------
    InvalidValueError
        If a column that is named is missing, or none looks like the time or an exhaust temperature.
    """
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
    channels: dict[str, Column] = {}
    unused = []
    for name, channel in CHANNELS.items():
        column = _single(columns, [c for c in others if c.name not in taken], mapping, name, channel)
        if column is None:
            continue
        taken.add(column.name)
        if mapping.heading(name) is None and (reason := _unusable(column, channel, mapping, name)):
            unused.append((column, reason))
        else:
            channels[name] = column
    return Roles(time, exhaust, heads, channels, unused)


def unit_of(column: Column, kind: str, mapping: ColumnMapping) -> str:
    """The unit in which a column is read, ``""`` where its kind has one alone or the unit is not known."""
    if kind in ("egt", "cht"):
        return TEMPERATURES.get(plain(column.unit), mapping.temperature_unit) or ""
    if kind == "time":
        return "" if column.clock else plain(column.unit) or mapping.time_unit or "s"
    return (_unit(column, CHANNELS[kind], mapping, kind) or "") if kind in CHANNELS else ""


def _named(columns: list[Column], name: str, field: str) -> Column:
    for c in columns:
        if name.strip().lower() in (c.name.lower(), f"{c.name} ({c.unit})".lower(), f"{c.name} [{c.unit}]".lower()):
            return c
    there = ", ".join(c.name for c in columns)
    raise InvalidValueError(
        "The logger file has no such column", field=field, value=name, cure=f"Use one of these columns: {there}."
    )


def _time(columns: list[Column], mapping: ColumnMapping) -> Column:
    if mapping.time is not None:
        return _named(columns, mapping.time, "mapping.time")
    clocks = [c for c in columns if c.clock and c.problem is None]
    named = [c for c in columns if _MOMENT.search(c.name)]
    for found in (*(c for c in named if c.clock), *named, *clocks):
        return found
    found = columns[0]
    if _EGT.search(found.name) or _COUNTED.fullmatch(found.name) or found.problem is not None:
        raise InvalidValueError(
            "no column looks like the time",
            field="mapping.time",
            value=", ".join(c.name for c in columns),
            cure="Name the time column.",
        )
    return found


def _seconds(time: Column, mapping: ColumnMapping) -> tuple[_F, bool]:
    """Seconds since the first row, falling where the rows run backwards, and whether they do."""
    place = f"trace, column {time.name!r}"
    values = time.values
    if not time.clock:
        given = SECONDS.get(plain(time.unit)) or SECONDS.get(mapping.time_unit or "")
        if given is None and time.unit.strip():
            raise _what_time_unit(time.name, time.unit)
        values = values * (given or 1.0)
        if given is None and not _as_seconds(values):
            raise _what_time_unit(time.name, f"{np.nanmin(values):g} to {np.nanmax(values):g}")
    return in_order(values, place)


def _as_seconds(values: _F) -> bool:
    """Whether numbers without a unit can be seconds: as long as a sweep can be, and sampled as often."""
    known = np.unique(values[np.isfinite(values)])
    if len(known) < _FEW:
        return True
    return _SHORTEST <= known[-1] - known[0] <= HALF_DAY and float(np.median(np.diff(known))) < _SLOWEST


def _what_time_unit(name: str, seen: str) -> InvalidValueError:
    return InvalidValueError(
        f"the unit of the time in column {name!r} is not known",
        field="mapping.time_unit",
        value=seen,
        cure="Give s, ms, min, h or d, or write it in the heading: time (s).",
    )


def _several(
    columns: list[Column], others: list[Column], named: list[str] | None, heading: re.Pattern[str], name: str
) -> list[Column]:
    if named is not None:
        return [_named(columns, each, f"mapping.{name}") for each in named]
    return [c for c in others if heading.search(c.name)]


def _single(
    columns: list[Column], free: list[Column], mapping: ColumnMapping, name: str, channel: Channel
) -> Column | None:
    heading = mapping.heading(name)
    if heading is not None:
        return _named(columns, heading, f"mapping.{name}")
    return next((c for c in free if channel.heading.search(c.name)), None)


def _unit(column: Column, channel: Channel, mapping: ColumnMapping, name: str) -> str | None:
    given = mapping.fuel_flow_unit if name == "fuel_flow" else mapping.pressure_unit
    return channel.units.get(plain(column.unit), given)


def _unusable(column: Column, channel: Channel, mapping: ColumnMapping, name: str) -> str:
    """Why a column that was only guessed is left alone; empty where it can be used."""
    if column.problem is not None:
        return "some values are not numbers"
    if channel.kind is not None and _unit(column, channel, mapping, name) is None:
        return "its unit is unknown"
    return ""


def _channel(column: Column, channel: Channel, mapping: ColumnMapping, name: str) -> _F:
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


def _exhaust_kelvin(columns: list[Column], mapping: ColumnMapping) -> dict[str, _F]:
    """Exhaust temperatures; what a logger writes for a broken probe is a gap, but most columns must be plausible."""
    found = {c.name: _kelvin(c, mapping) for c in columns}
    beyond = [c for c in columns if (np.isfinite(found[c.name]) & ~usable(found[c.name])).any()]
    if 2 * len(beyond) > len(columns):  # rather a wrong unit than so many broken probes
        _plausible(beyond[0], found[beyond[0].name], "exhaust", PLAUSIBLE_KELVIN)
    return {name: np.where(usable(kelvin), kelvin, np.nan) for name, kelvin in found.items()}


def _kelvin(column: Column, mapping: ColumnMapping) -> _F:
    unit = TEMPERATURES.get(plain(column.unit), mapping.temperature_unit)
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
