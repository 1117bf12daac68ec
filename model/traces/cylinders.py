"""Several cylinders of one sweep: the leanest, which decides, and any that departs from the others."""

from dataclasses import dataclass

import numpy as np

from taperwise.model.traces.sweep import SweepReading
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.findings import Finding, FindingCode

__all__ = ["SPREAD_KELVIN", "CylinderReadings", "compare"]

SPREAD_KELVIN = 12.0
"""Ordinary spread of rise among cylinders [K]: about 2 % of mixture; judgement."""

_FAR = 3.5  # standard deviations from the others' median
_OWN = 0.5  # share of a reading's error that is its own; the lag's moves all cylinders alike; judgement


@dataclass(frozen=True)
class CylinderReadings:
    """What the cylinders of one sweep showed.

    Parameters
    ----------
    readings : dict
        Reading by column; those left out before they were read are not in it.
    leanest : str
        Column that decides: the one with the smallest rise among those that may.
    first_to_peak : str or None
        Column whose gas peaked first, if any was seen to peak.
    departing : tuple of str
        Columns too far from the others to be a matter of spread: look at the probe, then for an induction leak.
    spread_kelvin : float or None
        Mean rise of those that do not depart less the leanest one's [K]; None where fewer than two peaked.
    deciding : tuple of str
        Columns that may decide.
    findings : tuple of Finding
        Columns that are left out, or to be looked at.
    """

    readings: dict[str, SweepReading]
    leanest: str
    first_to_peak: str | None
    departing: tuple[str, ...]
    spread_kelvin: float | None
    deciding: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()


def compare(readings: dict[str, SweepReading]) -> CylinderReadings:
    """Compare the cylinders of one sweep.

    A column that rose less than those that passed their peaks, and shows none, is named and decides nothing. A
    departing cylinder is named, and left out of the choice of the leanest only where it is richer than the others: a
    lean one decides even if its probe may be at fault, because being wrong the other way is dangerous.

    Raises
    ------
    InvalidValueError
        If there is no reading.
    """
    if not readings:
        raise InvalidValueError(
            "No cylinder could be read", field="trace", cure="Name the columns with exhaust temperatures."
        )
    late = _late(readings)
    read = {n: r for n, r in readings.items() if n not in {f.column for f in late}}
    rises = {name: r.rise_kelvin if r.seen != "fell_at_once" else 0.0 for name, r in read.items()}
    middle = float(np.median(list(rises.values())))
    shown = float(np.median([r.shown_kelvin for r in read.values()]))
    departing = tuple(
        name
        for name, r in read.items()
        if len(read) >= 3
        and (
            abs(rises[name] - middle) > _FAR * np.hypot(SPREAD_KELVIN, _OWN * r.error_kelvin)
            or abs(r.shown_kelvin - shown) > _FAR * SPREAD_KELVIN  # probes of one lag show equally less
        )
    )
    settled = {n: x for n, x in rises.items() if n not in departing or x < middle}
    peaked = {n: r.peak_seconds for n, r in read.items() if r.seen == "peak"}
    leanest = min(settled, key=lambda n: settled[n])
    alike = [rises[n] for n in peaked if n not in departing or n == leanest]
    several = len(alike) > 1 and leanest in peaked
    return CylinderReadings(
        readings=readings,
        leanest=leanest,
        first_to_peak=min(peaked, key=lambda n: peaked[n]) if peaked else None,
        departing=departing,
        spread_kelvin=float(np.mean(alike)) - rises[leanest] if several else None,
        deciding=tuple(read),
        findings=(
            *late,
            *(Finding(FindingCode.DEPARTS, name, figure=rises[name], usual=middle) for name in departing),
            *(_of_reading(n, r.code, r) for n, r in read.items() if r.code is not None),
        ),
    )


def _of_reading(name: str, code: FindingCode, reading: SweepReading) -> Finding:
    """What is to be said of one reading."""
    off = reading.interval_kelvin[1] - reading.rise_kelvin
    return Finding(code, name, figure=reading.rise_kelvin, usual=off if code is FindingCode.UNSURE else None)


def _late(readings: dict[str, SweepReading]) -> list[Finding]:
    """Columns that rose less than others which passed their peaks, without one: a richer cylinder would rise more."""
    passed = [r.rise_kelvin for r in readings.values() if r.seen != "not_passed"]
    usual = float(np.median(passed)) if passed else 0.0
    behind = {n: r.rise_kelvin for n, r in readings.items() if r.seen == "not_passed" and r.rise_kelvin < usual}
    return [Finding(FindingCode.LATE, name, figure=rise, usual=usual) for name, rise in behind.items()]
