"""A run that came with a trace: the rise is read from it, and the trace is kept."""

from dataclasses import dataclass

from api.trace.columns import trace_of
from api.trace.reading import as_document, summary
from api.wire.answers import SweepOut
from api.wire.entries import FellAtOnce, PeakSeen, RunIn
from api.wire.quantities import Rise
from model.cylinders import CylinderReadings
from model.sweep import SweepReading
from shared.errors import InvalidValueError
from shared.units import KINDS

__all__ = ["Traced", "read"]


@dataclass(frozen=True)
class Traced:
    """The run with its rise read, the readings, and what is to be said of them."""

    run: RunIn
    sweeps: list[SweepOut]
    warnings: list[str]


def read(sent: RunIn) -> Traced:
    """Read the trace of a run; a run without one comes back as it is.

    Of several sweeps the last one counts: the others are shown.

    Raises
    ------
    InvalidValueError
        If the trace cannot be read, or shows no peak and no fall.
    """
    if sent.trace is None:
        return Traced(sent, [], [])
    found = summary(trace_of(sent.trace.csv, sent.trace.mapping))
    last = found[-1]
    leanest = last.readings[last.leanest]
    run = sent.model_copy(update={"egt_rise": _rise(leanest), "trace": None})
    return Traced(run, [SweepOut.model_validate(as_document(f)) for f in found], _warnings(found, last))


def _rise(reading: SweepReading) -> PeakSeen | FellAtOnce:
    if reading.seen == "fell_at_once":
        return FellAtOnce(seen="fell_at_once")
    if reading.seen == "not_passed":
        raise InvalidValueError(
            "the leanest cylinder was not leaned past its peak",
            field="trace",
            value=f"rise so far {reading.rise_kelvin * 1.8:.0f} °F",
            cure="Lean on until the temperature falls, or give what was seen by hand as egt_rise.",
        )
    most = KINDS["temperature_rise"].high
    rise, error = (round(min(x, most), 2) for x in (reading.rise_kelvin, max(reading.error_kelvin, 0.1)))
    return PeakSeen(seen="peak", rise=Rise(value=rise, unit="kelvin"), error=Rise(value=error, unit="kelvin"))


def _warnings(found: list[CylinderReadings], last: CylinderReadings) -> list[str]:
    said = [f"The trace holds {len(found)} sweeps; the last one counts."] if len(found) > 1 else []
    said += [
        f"{name} departs from the other cylinders: look at its probe first, then for an induction leak."
        for name in last.departing
    ]
    return said
