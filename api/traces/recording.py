"""A run that came with a trace: what was seen is read from it, and the trace is kept."""

from dataclasses import dataclass
from typing import Any

from taperwise.api.schemas.log import SweepOut
from taperwise.api.schemas.quantities import (
    ExhaustTemperature,
    FuelFlow,
    HeadTemperature,
    Lambda,
    Quantity,
    Rise,
    Rpm,
    RpmRise,
)
from taperwise.api.schemas.run import FellAtOnce, HighestIn, PeakSeen, RunIn
from taperwise.api.traces.columns import Trace, trace_of
from taperwise.api.traces.reading import as_document, instruments, summary
from taperwise.model.traces.cylinders import CylinderReadings
from taperwise.model.traces.instruments import Instruments
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.units import KINDS

__all__ = ["Traced", "read"]

_CHANNELS: tuple[tuple[str, str, type[Quantity], str], ...] = (
    ("static_rpm", "static_rpm", Rpm, "rpm"),
    ("power_rpm_rise", "power_rpm_rise", RpmRise, "rpm"),
    ("lambda_full_rich", "lambda_full_rich", Lambda, "1"),
    ("fuel_flow", "fuel_flow_m3_s", FuelFlow, "cc/s"),
)
"""Fields of a run that a trace may fill: field, name among the instruments, kind, unit shown."""

_HIGHEST: tuple[tuple[str, type[Quantity], str], ...] = (
    ("cht", HeadTemperature, "kelvin"),
    ("egt", ExhaustTemperature, "kelvin"),
    ("rpm", Rpm, "rpm"),
)


@dataclass(frozen=True)
class Traced:
    """The run with what its trace showed, the readings, and what is to be said of them."""

    run: RunIn
    sweeps: list[SweepOut]
    warnings: list[str]


def read(sent: RunIn) -> Traced:
    """Read the trace of a run; a run without one comes back as it is.

    Of several sweeps the last one counts: the others are shown. What was typed goes before what a channel shows.

    Raises
    ------
    InvalidValueError
        If the trace cannot be read, or shows no peak and no fall.
    """
    if sent.trace is None:
        return Traced(sent, [], [])
    trace = trace_of(sent.trace.csv, sent.trace.mapping)
    found = summary(trace)
    beside = [instruments(trace, f) for f in found]
    filled, said = _filled(sent, trace, beside[-1])
    run = sent.model_copy(update={"egt_rise": _rise(found[-1]), "trace": None, **filled})
    sweeps = [SweepOut.model_validate(as_document(f, b)) for f, b in zip(found, beside, strict=True)]
    return Traced(run, sweeps, [*_warnings(found, beside[-1]), *said])


def _shown(kind: type[Quantity], inside: float, unit: str) -> Quantity | None:
    """An inside value as a quantity; None where it is beyond what is plausible."""
    low, high = KINDS[kind.kind].low, KINDS[kind.kind].high
    return kind.of(inside, unit) if low <= inside <= high else None


def _filled(sent: RunIn, trace: Trace, beside: Instruments) -> tuple[dict[str, Any], list[str]]:
    """Fields the trace fills, and what is to be said where it cannot."""
    filled: dict[str, Any] = {}
    said = []
    for name, source, kind, unit in _CHANNELS:
        inside = getattr(beside, source)
        if inside is None or getattr(sent, name) is not None:
            continue
        quantity = _shown(kind, inside, unit)
        if quantity is None or (name == "static_rpm" and inside < 200.0):
            said.append(f"{name} of the trace is not plausible ({inside:.4g}) and was left out: check its unit.")
        else:
            filled[name] = quantity
    typed = {} if sent.highest is None else dict(sent.highest)
    highest = {}
    for name, kind, unit in _HIGHEST:
        top = beside.highest.get(name)
        seen = None if top is None else _shown(kind, top, unit)
        if top is not None and seen is None:
            said.append(f"The highest {name} of the trace is not plausible ({top:.4g}) and is not watched.")
        highest[name] = typed.get(name) or seen
    if any(value is not None for value in highest.values()):
        filled["highest"] = HighestIn(**highest)
    return filled, [*said, *(f"Column {words}; it was not used." for words in trace.unused)]


def _rise(found: CylinderReadings) -> PeakSeen | FellAtOnce:
    reading, count = found.readings[found.leanest], len(found.readings)
    if reading.seen == "fell_at_once":
        return FellAtOnce(seen="fell_at_once", cylinders=count)
    if reading.seen == "not_passed":
        raise InvalidValueError(
            "the leanest cylinder was not leaned past its peak",
            field="trace",
            value=f"rise so far {reading.rise_kelvin * 1.8:.0f} °F",
            cure="Lean on until the temperature falls, or give what was seen by hand as egt_rise.",
        )
    most = KINDS["temperature_rise"].high

    def rise(kelvin: float) -> Rise:
        return Rise(value=round(min(kelvin, most), 2), unit="kelvin")

    return PeakSeen(
        seen="peak",
        cylinders=count,
        rise=rise(reading.rise_kelvin),
        error=rise(max(reading.error_kelvin, 0.1)),
        spread=None if found.spread_kelvin is None else rise(max(found.spread_kelvin, 0.0)),
    )


def _warnings(found: list[CylinderReadings], beside: Instruments) -> list[str]:
    said = [f"The trace holds {len(found)} sweeps; the last one counts."] if len(found) > 1 else []
    said += [
        f"{name} departs from the other cylinders: look at its probe first, then for an induction leak."
        for name in found[-1].departing
    ]
    if beside.throttle_moved:
        said.append(
            "Manifold pressure changed during the sweep: the throttle seems to have moved, and the rise may be off."
        )
    return said
