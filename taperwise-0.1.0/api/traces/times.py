"""Moments of a trace as seconds since its first: clocks, dates, repeated stamps.

Repeated stamps are spread evenly where the step says how, and refused elsewhere. What could be read in two ways that
differ is asked for.
"""

import re
from collections.abc import Sequence
from datetime import datetime

import numpy as np
from dateutil import parser
from numpy.typing import NDArray

from taperwise.api.traces.numbers import is_gap
from taperwise.shared.errors import InvalidValueError

__all__ = ["HALF_DAY", "in_order", "moments", "spread"]

_F = NDArray[np.float64]

HALF_DAY = 43_200.0
"""Half a day [s]; a clock that goes back by more has passed midnight."""

_MOST_DATES = 400  # of one trace
_MOST_A_STAMP = 100  # records that may carry one time: a stamp a second at 100 Hz
_MOST_WITHOUT_HOURS = 5  # more records under 13:59 are rather those of a minute than of a second
_CLOCK = re.compile(
    r"(?:(?P<hours>\d{1,4}):)?(?P<minutes>\d{1,2}):(?P<seconds>\d{1,2}(?:[.,]\d+)?)\s*(?P<half>[ap]\.?m\.?)?", re.I
)
_STAMP = re.compile(r"(?P<date>\S.*?\d)(?:\s*,\s*|\s+|[Tt_])(?P<clock>\d{1,2}:\d{2}.*)")
_PLAIN_DATE = re.compile(r"(?P<first>\d{1,2})(?P<sign>[/.-])(?P<second>\d{1,2})(?P=sign)(?P<year>\d{4}|\d{2})\.?")


def moments(fields: Sequence[str], order: str | None) -> tuple[_F, int | None]:
    """Seconds of a column of moments, and the first row that is none.

    Parameters
    ----------
    fields : sequence of str
        ISO 8601, clock times, or a date and a clock time.
    order : str or None
        ``day_first`` or ``month_first``, for dates such as 05/03/2026; None where nobody said.

    Returns
    -------
    seconds : array, (n,)
        NaN for a gap; since midnight for clock times, since some day for dates.
    wrong : int or None
        Index of the first field that is no moment.

    Raises
    ------
    InvalidValueError
        If the order of day and month matters and is not known, or no order fits all dates.
    """
    days = _days(fields, order)
    out = np.full(len(fields), np.nan)
    for i, field in enumerate(fields):
        if is_gap(field):
            continue
        seconds = _seconds(field, days)
        if seconds is None:
            return out, i
        out[i] = seconds
    return out, None


def _seconds(field: str, days: dict[str, int]) -> float | None:
    stamp = _STAMP.fullmatch(field)
    if stamp is not None and stamp["date"] in days:
        clock = _clock(stamp["clock"], of_a_day=True)
        return None if clock is None else 86_400.0 * days[stamp["date"]] + clock
    clock = _clock(field)
    if clock is not None:
        return clock
    try:
        return datetime.fromisoformat(field).timestamp()
    except (ValueError, OverflowError):
        return None


def _clock(field: str, *, of_a_day: bool = False) -> float | None:
    """Seconds of a clock time; 13:59 has hours behind a date or before AM and PM, else minutes and seconds."""
    found = _CLOCK.fullmatch(field)
    if found is None:
        return None
    parts = [float(found[name].replace(",", ".")) for name in ("hours", "minutes", "seconds") if found[name]]
    half = found["half"]
    if len(parts) == 2:
        parts = [*parts, 0.0] if half or of_a_day else [0.0, *parts]
    hours, minutes, seconds = parts
    if half is not None:
        if not 1 <= hours <= 12:
            return None
        hours = hours % 12 + (12 if half.lower().startswith("p") else 0)
    return 3600.0 * hours + 60.0 * minutes + seconds


def _days(fields: Sequence[str], order: str | None) -> dict[str, int]:
    """The number of the day for every date that is not of ISO 8601."""
    stamps = (_STAMP.fullmatch(field) for field in fields)
    dates = list(dict.fromkeys(s["date"] for s in stamps if s is not None and _clock(s["clock"]) is not None))
    if not dates or len(dates) > _MOST_DATES:
        return {}
    read = {o: _in_order(dates, o) for o in ("day_first", "month_first") if order in (None, o)}
    fitting = [days for days in read.values() if days is not None]
    if not fitting:
        raise InvalidValueError(
            "these dates do not fit one order of day and month", field="mapping.date_order",
            value=f"{dates[0]} … {dates[-1]}", cure="Export the times as 2026-03-05 13:59:30.",
        )  # fmt: skip
    if len(fitting) == 2 and len(fitting[0]) > 1:
        apart = [{date: day - min(days.values()) for date, day in days.items()} for days in fitting]
        if apart[0] != apart[1]:
            raise InvalidValueError(
                "the date changes, and day and month could be either way round", field="mapping.date_order",
                value=f"{dates[0]} … {dates[-1]}",
                cure="Say day_first or month_first, or export the times as 2026-03-05 13:59:30.",
            )  # fmt: skip
    return fitting[0]


def _in_order(dates: Sequence[str], order: str) -> dict[str, int] | None:
    """The days of dates in one order; None where one of them does not fit. What is no date is left out."""
    days = {}
    for date in dates:
        plain = _PLAIN_DATE.fullmatch(date)
        if plain is None and re.match(r"\d{4}\D", date):
            read = {"yearfirst": True}
        elif plain is None:
            read = {"dayfirst": order == "day_first"}
        elif order == "month_first" and plain["sign"] == ".":
            return None  # dates with points begin with the day wherever they are written
        elif int(plain["second" if order == "day_first" else "first"]) > 12:
            return None
        else:
            read = {"dayfirst": order == "day_first"}
        try:
            days[date] = parser.parse(date, default=datetime(1904, 1, 1), **read).toordinal()
        except (ValueError, ArithmeticError, TypeError, LookupError):  # of odd text, the parser raises any of them
            if plain is not None:
                return None
    return days


def in_order(seconds: _F, refusal: str) -> tuple[_F, bool]:
    """Elapsed seconds of a clock that may pass midnight, and whether the rows run from the last to the first.

    Parameters
    ----------
    seconds : array, (n,)
        NaN for a gap.
    refusal : str
        The field that an error names.

    Raises
    ------
    InvalidValueError
        If the time goes back and forth.
    """
    known = np.flatnonzero(np.isfinite(seconds))
    if len(known) == 0:
        return seconds, False
    steps = np.diff(seconds[known])
    backwards = bool((steps < 0).any() and (steps <= 0).all() and -steps.sum() < HALF_DAY)
    if backwards:
        steps = -steps
    steps = np.where(steps < -HALF_DAY, steps + 86_400.0, steps)
    if (steps < 0).any():
        row = int(known[1 + np.flatnonzero(steps < 0)[0]])
        raise InvalidValueError(
            "the time goes back", field=refusal, value=f"sample {row + 1}, by {-steps[steps < 0][0]:g} s",
            cure="Cut the file down to one sweep, with a clock of 24 hours that nobody set on the way.",
        )  # fmt: skip
    elapsed = np.concatenate([[0.0], np.cumsum(steps)])
    out = np.full(len(seconds), np.nan)
    out[known] = elapsed[-1] - elapsed if backwards else elapsed
    return out, backwards


def spread(seconds: _F, refusal: str, *, without_hours: bool = False) -> _F:
    """Seconds of records that share a stamp, spread evenly over the stamp's step.

    A logger that writes whole seconds twice a second gives two records each stamp: the second is half a second later.
    The first stamp may hold fewer: they are the last of their step.

    Parameters
    ----------
    seconds : array, (n,)
        Elapsed, not falling; NaN for a gap.
    refusal : str
        The field that an error names.
    without_hours : bool
        Whether the clock was written as 13:59, which can be minutes of an hour or seconds of a minute.

    Raises
    ------
    InvalidValueError
        If stamps are repeated in a way that does not say when the records were made.
    """
    known = np.flatnonzero(np.isfinite(seconds))
    stamps, first, counts = np.unique(seconds[known], return_index=True, return_counts=True)
    if len(stamps) == len(known):
        return seconds
    usual = int(np.median(counts))
    most = _MOST_WITHOUT_HOURS if without_hours else _MOST_A_STAMP
    if len(stamps) < 3 or counts.max() > min(most, 2 * usual):
        raise InvalidValueError(
            "several records carry the same time, so nobody can say when each was made", field=refusal,
            value=f"{counts.max()} records at one time",
            cure="Set the logger to write fractions of a second, or hours, minutes and seconds.",
        )  # fmt: skip
    step = float(np.min(np.diff(stamps)))
    out = seconds.copy()
    for k, (stamp, begin, count) in enumerate(zip(stamps, first, counts, strict=True)):
        full = max(usual, count) if k in (0, len(stamps) - 1) else count
        late = full - count if k == 0 else 0
        out[known[begin : begin + count]] = stamp + step * (late + np.arange(count)) / full
    return out
