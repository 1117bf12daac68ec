"""Which column of a table is what: named in a mapping, or guessed from the headings."""

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from api.trace.table import Column, read_table
from api.wire.quantities import Wire
from shared.errors import InvalidValueError

__all__ = ["Mapping", "Trace", "trace_of"]

_UNITS = {
    "f": "degF", "degf": "degF", "°f": "degF", "fahrenheit": "degF",
    "c": "degC", "degc": "degC", "°c": "degC", "celsius": "degC",
    "k": "kelvin", "kelvin": "kelvin",
}  # fmt: skip
_EGT = re.compile(r"\b(egt|exhaust)|^(egt|exhaust)", re.IGNORECASE)


class Mapping(Wire):
    """What the columns of a trace are; what is left out is guessed from the headings."""

    time: str | None = Field(None, max_length=100, description="Heading of the time column; seconds or clock times.")
    egt: list[str] | None = Field(None, min_length=1, max_length=16, description="Headings, one a cylinder.")
    temperature_unit: Literal["degF", "degC", "kelvin"] | None = Field(
        None, description="Unit of the temperatures, where the headings do not say."
    )


@dataclass(frozen=True)
class Trace:
    """A trace in SI.

    Parameters
    ----------
    seconds : array, (n,)
    egt_kelvin : dict of array
        Exhaust temperature by the column's heading [K], each of shape (n,); NaN for a gap.
    """

    seconds: NDArray[np.float64]
    egt_kelvin: dict[str, NDArray[np.float64]]


def trace_of(text: str, mapping: Mapping | None = None) -> Trace:
    """Read a trace from CSV text.

    Raises
    ------
    InvalidValueError
        If the table cannot be read, a column is missing, or the unit is not known.
    """
    mapping = mapping or Mapping()
    columns = read_table(text)
    time = _time(columns, mapping)
    chosen = _egt(columns, mapping, time)
    return Trace(time.values, {c.name: _kelvin(c, mapping) for c in chosen})


def _named(columns: list[Column], name: str, field: str) -> Column:
    for c in columns:
        if name.strip().lower() in (c.name.lower(), f"{c.name} ({c.unit})".lower(), f"{c.name} [{c.unit}]".lower()):
            return c
    there = ", ".join(c.name for c in columns)
    raise InvalidValueError("there is no such column", field=field, value=name, cure=f"There are: {there}.")


def _time(columns: list[Column], mapping: Mapping) -> Column:
    if mapping.time is not None:
        return _named(columns, mapping.time, "mapping.time")
    return next((c for c in columns if "time" in c.name.lower()), columns[0])


def _egt(columns: list[Column], mapping: Mapping, time: Column) -> list[Column]:
    if mapping.egt is not None:
        return [_named(columns, name, "mapping.egt") for name in mapping.egt]
    found = [c for c in columns if c is not time and _EGT.search(c.name)]
    if not found:
        there = ", ".join(c.name for c in columns)
        raise InvalidValueError(
            "no column looks like an exhaust temperature",
            field="mapping.egt",
            value=there,
            cure="Name the columns of exhaust temperature.",
        )
    return found


def _kelvin(column: Column, mapping: Mapping) -> NDArray[np.float64]:
    unit = _UNITS.get(column.unit.lower().replace(" ", ""), mapping.temperature_unit)
    if unit is None:
        raise InvalidValueError(
            "the unit of this temperature is not known",
            field="mapping.temperature_unit",
            value=column.name,
            cure="Give degF, degC or kelvin, or write it in the heading: EGT 1 (degF).",
        )
    x = column.values
    kelvin = (x + 459.67) / 1.8 if unit == "degF" else x + 273.15 if unit == "degC" else x
    if np.nanmax(kelvin, initial=0.0) > 1600.0 or np.nanmin(kelvin, initial=1600.0) < 200.0:
        raise InvalidValueError(
            "exhaust temperatures should be between 200 and 1600 K",
            field=f"trace, column {column.name!r}",
            value=f"{np.nanmin(x):g} to {np.nanmax(x):g} {unit}",
            cure="Check the unit, or blank out what the logger wrote for a broken probe.",
        )
    return np.asarray(kelvin)
