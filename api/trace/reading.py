"""From a file or text to readings of every sweep in it."""

import math
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from api.trace.columns import Mapping, Trace, trace_of
from model.cylinders import CylinderReadings, compare
from model.sweep import read_sweeps
from shared.errors import InvalidValueError

__all__ = ["as_document", "read_trace", "summary"]


def read_trace(path: Path, time: str | None, egt: list[str] | None, unit: str | None) -> Trace:
    """Read a trace from a file.

    Raises
    ------
    InvalidValueError
        If the file, its text or a column cannot be read.
    """
    try:
        mapping = Mapping.model_validate({"time": time, "egt": egt or None, "temperature_unit": unit})
    except ValidationError as error:
        first = error.errors()[0]
        raise InvalidValueError(first["msg"], field=f"--{first['loc'][0]}", value=first["input"]) from None
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InvalidValueError(
            f"the file cannot be read: {error}", field="FILE", value=path.name, cure="Give a CSV file in UTF-8."
        ) from error
    return trace_of(text, mapping)


def summary(trace: Trace) -> list[CylinderReadings]:
    """Readings of every sweep, the cylinders of each compared; a cylinder with fewer sweeps is left out of the rest."""
    each = {name: read_sweeps(trace.seconds, kelvin) for name, kelvin in trace.egt_kelvin.items()}
    most = max(len(found) for found in each.values())
    return [compare({name: found[i] for name, found in each.items() if len(found) > i}) for i in range(most)]


def as_document(found: CylinderReadings) -> dict[str, Any]:
    """Readings as JSON; temperatures in kelvin."""
    cylinders = {
        name: {
            "seen": r.seen,
            **{
                key: None if math.isnan(getattr(r, key)) else round(getattr(r, key), 3)
                for key in (
                    "plateau_kelvin", "rise_kelvin", "error_kelvin", "start_seconds", "peak_seconds", "lag_seconds",
                    "noise_kelvin",
                )
            },
        }
        for name, r in found.readings.items()
    }  # fmt: skip
    return {
        "cylinders": cylinders,
        "leanest": found.leanest,
        "first_to_peak": found.first_to_peak,
        "departing": list(found.departing),
    }
