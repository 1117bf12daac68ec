"""Reading a full-throttle leaning sweep: the rise to peak EGT behind a lagging probe.

The part of the record that is one leaning is found (`taperwise.model.traces.sweep_part`), the gas temperature is
worked out for each of nine lags of the probe, however the mixture was moved (`taperwise.model.traces.gas_path`), and
what the nine say together was learned on simulated leanings (`taperwise.model.traces.learned_rise`). A probe that lags
can only show less than there was: no reading is below what the record shows less its noise.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taperwise.model.traces.gas_path import GasPaths, solve_paths
from taperwise.model.traces.learned_rise import LearnedRise, lag_shares, learned_rise, peak_passed
from taperwise.model.traces.sweep_part import Part, find_part, smoothed
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.findings import FindingCode

__all__ = ["SweepReading", "channels", "read_sweep", "read_sweeps"]

_F = NDArray[np.float64]

_HALF = 1.6449  # standard errors to either side of a 90 % interval
_SMOOTHED = 0.75  # scatter of a top of three samples less a plateau's median, over a sample's
_CERTAIN = 3.0  # standard deviations by which a drift seen before the leaning alone is taken to be less
_WANDER = 0.04  # K/s: what a wandering power setting drifts for a while; judgement
_QUICK_SECONDS = 4.5  # in which the gas falls by half of its rise where a hand does it; a peak is rounder; judgement
_LEANED, _RICH = 0.8, 0.3  # shares of the control's way from which it is lean, up to which it is rich again
_LATE_SECONDS = 0.5  # by which what is logged may be late
_OPEN, _OPEN_KELVIN = 0.15, 11.0  # share of the rise, and K, beyond which a rise that may be off is open; judgement
_BEGUN = 0.03  # share of the rise by which the gas has left its plateau
_LEFT_OVER = 0.4  # share of an earlier sweep's rise that a further one must reach
_DRIVE_SECONDS = 3.0
_KEPT_SECONDS, _STILL = 5.0, 2.0  # s of plateau between sweeps, and K by which it may change in them
_SWEEPS = 12  # of a record that are read
_FEW = 15  # samples that a further sweep needs


@dataclass(frozen=True)
class SweepReading:
    """What one cylinder's trace showed.

    Parameters
    ----------
    seen : str
        ``peak``, ``fell_at_once`` or ``not_passed`` (leaning ended before a peak: the rise is a lower bound).
    plateau_kelvin : float
        Exhaust temperature at full rich when leaning began [K].
    rise_kelvin, error_kelvin : float
        Rise to peak and its standard error, lag corrected [K].
    start_seconds, peak_seconds : float
        When leaning began, and when the gas (not the probe) was at its peak [s].
    lag_seconds : float
        Time constant found [s].
    noise_kelvin : float
        Scatter of the samples around the fit [K].
    end_seconds : float
        End of the part that was read: the trace's, or when the mixture was made rich again [s].
    fit : array, (n,)
        What the probe should have shown at each sample [K]; NaN outside the part that was read.
    shown_kelvin : float
        Least rise that the record itself shows: smoothed, less noise and what may have drifted [K].
    code : FindingCode or None
        `HELD_AT_SHOWN` where the fit wanted less than that by more than noise, and the reading was held there;
        `PEAK_UNSURE` where making the mixture rich again may be all that turned the temperature; `UNSURE` where the
        record leaves the rise open.
    """

    seen: str
    plateau_kelvin: float
    rise_kelvin: float
    error_kelvin: float
    start_seconds: float
    peak_seconds: float
    lag_seconds: float
    noise_kelvin: float
    end_seconds: float
    fit: _F
    shown_kelvin: float = 0.0
    code: FindingCode | None = None

    @property
    def interval_kelvin(self) -> tuple[float, float]:
        """Between these the rise lies nine times in ten [K]."""
        reach = _HALF * self.error_kelvin
        return max(self.rise_kelvin - reach, 0.0), self.rise_kelvin + reach


def read_sweeps(
    seconds: _F, kelvin: _F, begins: tuple[float, ...] = (), drive: _F | None = None, beside: _F | None = None
) -> list[SweepReading]:
    """Read every sweep in a trace, one after the other; parameters and errors as `read_sweep`.

    After a sweep the next one begins once the mixture was made rich again and the temperature has come
    down towards its plateau. What is left over without a peak, or rises far less, is no sweep.
    """
    seconds, kelvin = np.asarray(seconds, float), np.asarray(kelvin, float)
    found = [read_sweep(seconds, kelvin, begins, drive, beside)]
    while len(found) < _SWEEPS and (start := _next_start(seconds, kelvin, found[-1])) is not None:
        later = seconds >= start
        rest = [None if channel is None else np.asarray(channel, float)[later] for channel in (drive, beside)]
        try:
            reading = read_sweep(seconds[later], kelvin[later], begins, *rest)
        except InvalidValueError:
            break
        if reading.seen == "not_passed" or reading.rise_kelvin < _LEFT_OVER * found[0].rise_kelvin:
            break
        fit = np.full(len(seconds), np.nan)
        fit[later] = reading.fit
        found.append(replace(reading, fit=fit))
    return found


def _next_start(seconds: _F, kelvin: _F, last: SweepReading) -> float | None:
    """When a further sweep could begin: rich again, and down near the plateau."""
    if last.seen == "not_passed":
        return None
    order = np.argsort(seconds)
    t, x = seconds[order], kelvin[order]
    there = np.isfinite(x) & np.isfinite(t) & (t > last.peak_seconds)
    t, x = t[there], x[there]
    if (t > last.end_seconds).sum() < _FEW:
        return None
    smooth, rise = smoothed(x, 5), last.rise_kelvin
    after = t > last.end_seconds
    low = np.flatnonzero(after & (smooth < last.plateau_kelvin + 0.2 * max(rise, 10.0)))
    high = np.flatnonzero(after & (smooth > last.plateau_kelvin + 0.5 * rise))
    if len(high) and len(low) and high[0] < low[0]:  # made rich again since: the temperature went up once more
        low = low[low >= high[0]]
    if len(low):
        still = max(2.0 * last.noise_kelvin, _STILL)
        later = np.searchsorted(t, t[low] + _KEPT_SECONDS)
        for i, j in zip(low[later < len(t)], later[later < len(t)], strict=True):
            if abs(smooth[j] - smooth[i]) < still:  # the probe has settled
                return float(t[i])
        return None
    return _settled_again(t, np.abs(smooth - last.plateau_kelvin) < 0.2 * max(rise, 10.0), last.end_seconds)


def _settled_again(t: _F, near: NDArray[np.bool_], end: float) -> float | None:
    """When a level near the plateau's began that was kept for some seconds and until after `end`."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], near, [False]]).astype(int)))
    for first, last in zip(edges[::2], edges[1::2] - 1, strict=True):
        if t[last] > end and t[last] - t[first] >= _KEPT_SECONDS:
            return float(t[first])
    return None


def read_sweep(
    seconds: _F, kelvin: _F, begins: tuple[float, ...] = (), drive: _F | None = None, beside: _F | None = None
) -> SweepReading:
    """Read one cylinder's trace of a leaning sweep, however the mixture was moved.

    Parameters
    ----------
    seconds, kelvin : array, (n,)
        Sample times [s] and probe temperatures [K]; NaN where a sample is missing. Any spacing.
    begins : tuple of float
        Moments at which the mixture control was seen to leave full rich, if it was logged [s].
    drive : array, (n,), optional
        What moves with the mixture, in any unit: fuel flow, 1/lambda, the mixture control's position.
    beside : array, (n,), optional
        What else moves the exhaust temperature, in any unit: manifold pressure.

    Returns
    -------
    SweepReading

    Raises
    ------
    InvalidValueError
        If there are too few samples.
    """
    seconds, kelvin = np.asarray(seconds, float), np.asarray(kelvin, float)
    part = find_part(seconds, kelvin, begins)
    if part.risen < part.least:
        fell = part.fallen >= part.least
        return _plain(part, seconds, "fell_at_once" if fell else "not_passed", 0.0 if fell else max(part.risen, 0.0))
    driven, aside = channels(part, drive, beside)
    paths = solve_paths(part.seconds, part.kelvin, part.start, part.noise, driven, aside)
    if not peak_passed(part, paths) or (driven is not None and _taken_back_first(part, paths, driven)):
        return _plain(part, seconds, "not_passed", part.risen)
    learned = learned_rise(part, paths, driven is not None, aside is not None)
    shown = _shown(part, paths)
    shares = lag_shares(paths.evidence)
    gas = shares @ paths.gas
    top = int(np.argmax(gas))
    begun = np.flatnonzero(gas[: top + 1] < gas[0] + _BEGUN * (gas[top] - gas[0]))
    fit = np.full(len(seconds), np.nan)
    fit[part.index] = np.interp(part.seconds, paths.seconds, shares @ paths.probe)
    return SweepReading(
        seen="peak",
        plateau_kelvin=part.plateau,
        rise_kelvin=max(learned.rise, shown),
        error_kelvin=learned.error,
        start_seconds=float(paths.knots[begun[-1]]) if len(begun) else part.start,
        peak_seconds=float(paths.knots[top]),
        lag_seconds=learned.lag,
        noise_kelvin=float(shares @ paths.noise),
        end_seconds=float(part.seconds[-1]),
        fit=fit,
        shown_kelvin=shown,
        code=_code(part, paths, learned, shown),
    )


def _code(part: Part, paths: GasPaths, learned: LearnedRise, shown: float) -> FindingCode | None:
    """What is to be said of a reading."""
    if learned.rise < shown - part.noise:
        return FindingCode.HELD_AT_SHOWN
    if _turned_at_once(paths):
        return FindingCode.PEAK_UNSURE
    return FindingCode.UNSURE if _HALF * learned.error > max(_OPEN * learned.rise, _OPEN_KELVIN) else None


def _turned_at_once(paths: GasPaths) -> bool:
    """Whether the gas fell to its plateau as quickly as a hand makes the mixture rich: its peak may not be passed."""
    gas = paths.gas[int(np.argmax(paths.evidence))]
    top = int(np.argmax(gas))
    low = np.flatnonzero(gas[top:] < 0.5 * (gas[top] + gas[0]))
    return paths.held and len(low) > 0 and bool(paths.knots[top + low[0]] - paths.knots[top] < _QUICK_SECONDS)


def _taken_back_first(part: Part, paths: GasPaths, driven: _F) -> bool:
    """Whether what drives the mixture went back to rich before the gas was seen to fall."""
    lean = np.flatnonzero(driven < _LEANED * driven.min())
    if driven[lean[-1] :].max() < _RICH * driven.min():
        return False  # not made rich again, or not in this part
    top = int(np.argmax(paths.gas[int(np.argmax(paths.evidence))]))
    step = paths.knots[-1] - paths.knots[-2]  # within which the path can place a turn
    return bool(paths.knots[top] > part.seconds[lean[-1]] - step - _LATE_SECONDS)


def channels(part: Part, drive: _F | None, beside: _F | None) -> tuple[_F | None, _F | None]:
    """What drives the mixture and what stands beside it over a leaning, (n,) each, as `solve_paths` takes them."""
    driven, aside = _channel(part, drive), _channel(part, beside)
    if driven is not None and driven[part.top] > 0.0:
        driven = -driven  # leaning makes it fall
    return driven, aside


def _channel(part: Part, values: _F | None) -> _F | None:
    """A channel over the leaning, its gaps bridged, smoothed, from 0 and of width 1; None where it tells nothing."""
    if values is None:
        return None
    x = np.asarray(values, float)[part.index]
    there = np.isfinite(x)
    if there.sum() < 0.5 * len(x):
        return None
    x = np.interp(part.seconds, part.seconds[there], x[there])
    spacing = max((part.seconds[-1] - part.seconds[0]) / (len(x) - 1), 1e-3)
    x = smoothed(x, 2 * max(round(0.5 * _DRIVE_SECONDS / spacing), 1) + 1)
    width = float(np.ptp(x))
    return None if width <= 0.0 else np.asarray((x - x[0]) / width)


def _shown(part: Part, paths: GasPaths) -> float:
    """Least rise the record itself shows: what its smoothed copy rose, less noise and a drift that is certain [K]."""
    best = int(np.argmax(paths.evidence))
    drift, unsure = float(paths.drift[best]), float(paths.drift_sd[best])
    if paths.held:  # seen on both sides
        certain = max(drift - 2.0 * unsure, 0.0)
    else:
        since, before = max(part.seconds[part.top] - part.start, 1.0), part.start - part.seconds[0]
        certain = max(drift - _CERTAIN * float(np.hypot(unsure, _WANDER * since)), 0.0) * min(before / since, 1.0)
    return max(float(part.risen - _HALF * _SMOOTHED * part.noise - certain), 0.0)


def _plain(part: Part, seconds: _F, seen: str, rise: float) -> SweepReading:
    """A reading that is no peak."""
    return SweepReading(
        seen, part.plateau, rise, part.noise, float("nan"), float("nan"), float("nan"), part.noise,
        float(part.seconds[-1]), np.full(len(seconds), np.nan), shown_kelvin=rise,
    )  # fmt: skip
