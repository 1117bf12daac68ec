"""From a file or text to readings of every sweep in it."""

import dataclasses
import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from taperwise.api.presentation.trace_text import no_usable_probe, not_settled
from taperwise.api.schemas.run import ColumnMapping
from taperwise.api.schemas.units import Units
from taperwise.api.traces.columns import Trace, trace_of
from taperwise.api.traces.file_text import text_of_file
from taperwise.model.traces.cylinders import CylinderReadings, compare
from taperwise.model.traces.full_throttle import settled_stretches, without_dropouts
from taperwise.model.traces.instruments import Instruments, leaning_begins, read_instruments
from taperwise.model.traces.probes import poor_fits, screen
from taperwise.model.traces.sweep import read_sweeps
from taperwise.shared.errors import InvalidValueError

__all__ = ["as_document", "instruments", "read_trace", "summary"]


def read_trace(path: Path, **mapping: object) -> Trace:
    """Read a trace from a file.

    Parameters
    ----------
    path : Path
    **mapping
        Fields of `ColumnMapping`; None for what is to be guessed.

    Raises
    ------
    InvalidValueError
        If the file, its text or a column cannot be read.
    """
    try:
        columns = ColumnMapping.model_validate({name: value or None for name, value in mapping.items()})
    except ValidationError as error:
        first = error.errors()[0]
        raise InvalidValueError(first["msg"], field=f"--{first['loc'][0]}", value=first["input"]) from None
    return trace_of(text_of_file(path, "FILE"), columns)


def summary(trace: Trace, units: Units) -> list[CylinderReadings]:
    """Readings of every sweep at full throttle, the cylinders of each compared.

    Columns unlike combustion or unlike the others are named and not read. There are as many sweeps as most columns
    show: a cylinder with fewer is left out of the rest. Where any sweep shows a peak or a fall, only such count.

    Raises
    ------
    InvalidValueError
        If full throttle is not seen to settle, or no column can be used.
    """
    stretches = settled_stretches(trace.seconds, trace.egt_kelvin, trace.channels)
    if not stretches:
        raise not_settled()
    sweeps: list[CylinderReadings] = []
    refused: InvalidValueError | None = None
    for rows in stretches:
        try:
            sweeps += [_in_whole(found, rows, len(trace.seconds)) for found in _of_stretch(trace.rows(rows), units)]
        except InvalidValueError as error:
            refused = error
    if not sweeps:
        raise refused or not_settled()
    return [s for s in sweeps if s.readings[s.leanest].seen != "not_passed"] or sweeps


def _of_stretch(trace: Trace, units: Units) -> list[CylinderReadings]:
    """Readings of every sweep in one stretch at full throttle."""
    control = trace.channels.get("mixture_control")
    begins = () if control is None else leaning_begins(trace.seconds, control)
    unlike = screen(trace.seconds, trace.egt_kelvin, begins)
    exhaust = {n: without_dropouts(x) for n, x in trace.egt_kelvin.items() if n not in {f.column for f in unlike}}
    if not exhaust:
        raise no_usable_probe(unlike, units)
    drive, beside = _drive(trace), trace.channels.get("manifold_pressure")
    each = {name: read_sweeps(trace.seconds, kelvin, begins, drive, beside) for name, kelvin in exhaust.items()}
    counts = sorted(len(found) for found in each.values())
    sweeps = []
    for i in range(counts[(len(counts) - 1) // 2]):
        found = compare({name: read[i] for name, read in each.items() if len(read) > i})
        poor = poor_fits(trace.seconds, exhaust, found.readings)
        sweeps.append(dataclasses.replace(found, findings=(*unlike, *found.findings, *poor)))
    return sweeps


def _in_whole(found: CylinderReadings, rows: NDArray[np.intp], count: int) -> CylinderReadings:
    """The readings of some rows, their fits as long as the whole record."""
    readings = {}
    for name, reading in found.readings.items():
        fit = np.full(count, np.nan)
        fit[rows] = reading.fit
        readings[name] = dataclasses.replace(reading, fit=fit)
    return dataclasses.replace(found, readings=readings)


def _drive(trace: Trace) -> NDArray[np.float64] | None:
    """What moves with the mixture: lambda, else fuel flow, else the mixture control; None where none was logged."""
    excess = trace.channels.get("lambda")
    if excess is not None:
        return np.asarray(1.0 / np.where(excess > 0.0, excess, np.nan))
    flow = trace.channels.get("fuel_flow")
    return trace.channels.get("mixture_control") if flow is None else flow


def instruments(trace: Trace, found: CylinderReadings) -> Instruments:
    """What the other channels showed in a sweep, over the time the leanest cylinder's reading says."""
    leanest = found.readings[found.leanest]
    exhaust = {name: trace.egt_kelvin[name] for name in found.readings}
    return read_instruments(
        trace.seconds, trace.channels, exhaust, trace.cht_kelvin, leanest.start_seconds, leanest.end_seconds
    )


def as_document(found: CylinderReadings, beside: Instruments | None = None) -> dict[str, Any]:
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
    channels = {} if beside is None else {"instruments": dataclasses.asdict(beside)}
    return {
        **channels,
        "cylinders": cylinders,
        "leanest": found.leanest,
        "spread_kelvin": None if found.spread_kelvin is None else round(found.spread_kelvin, 3),
        "first_to_peak": found.first_to_peak,
        "departing": list(found.departing),
        "findings": [dataclasses.asdict(f) for f in found.findings],
    }
