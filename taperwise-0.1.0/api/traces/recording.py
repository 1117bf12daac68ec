"""A run that came with a trace: what was seen is read from it, and the trace is kept."""

from dataclasses import dataclass
from typing import Any

from taperwise.api.presentation.trace_text import not_passed, sentence
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
from taperwise.api.schemas.units import Units
from taperwise.api.traces.columns import Trace, trace_of
from taperwise.api.traces.reading import as_document, instruments, summary
from taperwise.model.traces.cylinders import CylinderReadings
from taperwise.model.traces.instruments import Instruments
from taperwise.shared.findings import Finding, FindingCode
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

_USUAL = Units()


@dataclass(frozen=True)
class Traced:
    """The run with what its trace showed, the readings, and what is to be said of them."""

    run: RunIn
    sweeps: list[SweepOut]
    warnings: list[str]

    @property
    def findings(self) -> list[Finding]:
        """What the sweep that counts showed beside the rise."""
        return self.sweeps[-1].findings if self.sweeps else []


def read(sent: RunIn, units: Units = _USUAL) -> Traced:
    """Read the trace of a run; a run without one comes back as it is.

    Of several sweeps the last one counts: the others are shown. What was typed goes before what a channel shows.

    Parameters
    ----------
    sent : RunIn
    units : Units
        In which it is said what was found.

    Raises
    ------
    InvalidValueError
        If the trace cannot be read, holds no probe that can be believed, or shows no peak and no fall.
    """
    if sent.trace is None:
        return Traced(sent, [], [])
    trace = trace_of(sent.trace.csv, sent.trace.mapping)
    found = summary(trace, units)
    beside = [instruments(trace, f) for f in found]
    filled, odd = _filled(sent, trace, beside[-1])
    run = sent.model_copy(update={"egt_rise": _rise(found[-1], units), "trace": None, **filled})
    sweeps = [SweepOut.model_validate(as_document(f, b)) for f, b in zip(found, beside, strict=True)]
    last = sweeps[-1]
    last.findings = [*_of_the_whole(found, beside[-1]), *last.findings, *odd]
    return Traced(run, sweeps, [sentence(f, units) for f in last.findings])


def _shown(kind: type[Quantity], inside: float, unit: str) -> Quantity | None:
    """An inside value as a quantity; None where it is beyond what is plausible."""
    low, high = KINDS[kind.kind].low, KINDS[kind.kind].high
    return kind.of(inside, unit) if low <= inside <= high else None


def _filled(sent: RunIn, trace: Trace, beside: Instruments) -> tuple[dict[str, Any], list[Finding]]:
    """Fields the trace fills, and what is found where it cannot."""
    filled: dict[str, Any] = {}
    odd = []
    for name, source, kind, unit in _CHANNELS:
        inside = getattr(beside, source)
        if inside is None or getattr(sent, name) is not None:
            continue
        quantity = _shown(kind, inside, unit)
        if quantity is None or (name == "static_rpm" and inside < 200.0):
            odd.append(Finding(FindingCode.NOT_PLAUSIBLE, name, figure=inside))
        else:
            filled[name] = quantity
    typed = {} if sent.highest is None else dict(sent.highest)
    highest = {}
    for name, kind, unit in _HIGHEST:
        top = beside.highest.get(name)
        seen = None if top is None else _shown(kind, top, unit)
        if top is not None and seen is None:
            odd.append(Finding(FindingCode.NOT_PLAUSIBLE, f"highest_{name}", figure=top))
        highest[name] = typed.get(name) or seen
    if any(value is not None for value in highest.values()):
        filled["highest"] = HighestIn(**highest)
    return filled, [*odd, *(Finding(FindingCode.NOT_USED, name, other=why) for name, why in trace.unused)]


def _rise(found: CylinderReadings, units: Units) -> PeakSeen | FellAtOnce:
    reading, count = found.readings[found.leanest], len(found.deciding)
    if reading.seen == "fell_at_once":
        return FellAtOnce(seen="fell_at_once", cylinders=count)
    if reading.seen == "not_passed":
        raise not_passed(reading.rise_kelvin, units)
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


def _of_the_whole(found: list[CylinderReadings], beside: Instruments) -> list[Finding]:
    """What was found of no single column."""
    several = [Finding(FindingCode.SEVERAL_SWEEPS, figure=float(len(found)))] if len(found) > 1 else []
    return [*several, *([Finding(FindingCode.THROTTLE_MOVED)] if beside.throttle_moved else [])]
