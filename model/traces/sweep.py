"""Reading a full-throttle leaning sweep: the rise to peak EGT behind a lagging probe.

The exhaust temperature at the probe is modelled as a plateau at full rich with a slow drift, then,
from the start of leaning, the rounded tent of `taperwise.model.physics.exhaust` walked along at a steady or slightly
uneven pace; the probe follows with a first-order lag. All of it is fitted at once with the priors
below, wild samples bounded, and the curvature at the best fit gives the standard error.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taperwise.shared.errors import InvalidValueError

__all__ = ["LAG_SECONDS", "SweepReading", "lagged", "read_sweep", "read_sweeps"]

_F = NDArray[np.float64]

LAG_SECONDS = (2.5, 0.5)
"""Median and log-sd of the probe's time constant [s]: sheathed probes of 1.6 mm take 1.8 to 3.7 s in exhaust gas of
30 to 120 m/s, 3.2 mm ones 5 to 10 s (Churchill-Bernstein estimate, calculated)."""

_STEP = 0.25  # s, of the grid the model is walked on
_SCALE = 1002 / 1.8  # K per phi/phi_peak, as `taperwise.model.physics.priors`
_WIDTH = (0.035, 0.25)  # median and log-sd of the rounding, as `taperwise.model.physics.priors`
_LEAN = (1.4, 0.25)  # median and log-sd of how much steeper the lean side is
_PACE = 0.2  # log-sd of the unevenness of leaning
_BEGINS = 1.0  # s, sd of the start of leaning around the moment the mixture control was seen to move
_DRIFT = 0.1  # K/s, sd of the drift while warming
_FEWEST, _SHORTEST = 20, 8.0  # samples, s
_FINEST = 0.05  # K, below which no noise is believed
_RETURN = 6.0  # K, a return by which the mixture was made rich again
_LEAST = 2.0  # K, least rise or fall that is taken for real
_BOUND = 2.5  # noise standard deviations beyond which a sample is bounded (Huber)
_SEEN = 3.0  # a fall or rise this many noise standard deviations is taken for real


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


def lagged(gas: _F, step: float, lag: float) -> _F:
    """First-order lag of evenly spaced samples, started in balance; exact for straight lines between samples.

    Parameters
    ----------
    gas : array, (n,)
    step, lag : float
        Spacing and time constant [s].
    """
    from scipy.signal import lfilter  # takes half a second to load, and a service answers sooner without

    a = np.exp(-step / lag)
    share = (1.0 - a) * lag / step
    b = np.array([1.0 - share, share - a])
    start = (share - a) * gas[0] + a * gas[0]
    out: _F = lfilter(b, [1.0, -a], gas, zi=np.array([start]))[0]
    out[0] = gas[0]
    return out


@dataclass(frozen=True)
class _Span:
    """The part of a trace that is one sweep: samples, a smoothed copy, and what the eye would guess."""

    seconds: _F
    kelvin: _F
    smooth: _F
    noise: float
    plateau: float
    top: int


def _smooth(x: _F, width: int) -> _F:
    """Running mean of a running median, odd widths, ends held."""
    half = max(width // 2, 1)
    padded = np.pad(x, half, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)
    padded = np.pad(middle, half, mode="edge")
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1).mean(axis=1))


def _span(seconds: _F, kelvin: _F) -> _Span:
    """Clean a trace and cut it where the mixture was made rich again."""
    keep = np.isfinite(seconds) & np.isfinite(kelvin)
    order = np.argsort(seconds[keep], kind="stable")
    t, x = seconds[keep][order], kelvin[keep][order]
    if len(t) < _FEWEST or t[-1] - t[0] < _SHORTEST:
        raise InvalidValueError(
            f"a sweep needs at least {_FEWEST} samples over {_SHORTEST:g} s",
            field="trace",
            value=f"{len(t)} samples",
            cure="Start logging some seconds before leaning, and stop after the peak.",
        )
    steps = np.diff(x)
    noise = max(1.4826 * float(np.median(np.abs(steps - np.median(steps)))) / np.sqrt(2.0), _FINEST)
    spacing = max(float(np.median(np.diff(t))), 1e-3)
    smooth = _smooth(x, 2 * int(1.0 / spacing) + 1)
    lowest_first = np.median(smooth[: max(3, len(smooth) // 10)])
    back = max(2.0 * noise, _RETURN)  # the smoothed copy scatters by half as much
    top = _first_top(smooth, float(lowest_first), back)
    end = _richer_again(smooth, top, back)
    return _Span(t[:end], x[:end], smooth[:end], noise, float(lowest_first), top)


def _first_top(smooth: _F, plateau: float, back: float) -> int:
    """Index of the first maximum that a real fall follows; of the highest where none does.

    A maximum below half of the highest rise is a wobble before leaning, not a peak.
    """
    so_far = np.maximum.accumulate(smooth)
    fallen = np.flatnonzero((smooth < so_far - back) & (so_far - plateau >= 0.5 * (smooth.max() - plateau)))
    return int(np.argmax(smooth[: fallen[0]] if len(fallen) else smooth))


def _richer_again(smooth: _F, top: int, back: float) -> int:
    """Index after which the temperature comes back up from its fall: the mixture was made rich again."""
    lowest = np.minimum.accumulate(smooth[top:])
    risen = np.flatnonzero(smooth[top:] > lowest + back)
    return len(smooth) if len(risen) == 0 else top + int(np.argmin(smooth[top : top + risen[0] + 1])) + 1


class _Model:
    """Probe temperature from eight parameters, and the residuals that fit them."""

    def __init__(self, span: _Span, begins: float | None) -> None:
        self.span = span
        self.begins = begins
        count = int(np.ceil((span.seconds[-1] - span.seconds[0]) / _STEP)) + 2
        self.grid = span.seconds[0] + _STEP * np.arange(count)
        self.weights = np.ones(len(span.seconds))
        self.noise = span.noise

    def gas(self, p: _F) -> _F:
        """Gas temperature on the grid; `p` = plateau, drift, start, ln length, ln rise, ln width, ln lean, ln pace."""
        plateau, drift, start, length, rise, width, lean, pace = p[:8]
        r, w = np.exp(rise), np.exp(width)
        far = np.sqrt((r / _SCALE + w) ** 2 - w**2)
        u = np.maximum((self.grid - start) / np.exp(length), 0.0)
        x = far * (1.0 - u ** np.exp(pace))
        x = np.where(x < 0.0, np.exp(lean) * x, x)
        return np.asarray(plateau + drift * (self.grid - start) + r - _SCALE * (np.sqrt(x * x + w * w) - w))

    def probe(self, p: _F) -> _F:
        """Probe temperature at the samples."""
        shown = lagged(self.gas(p), _STEP, float(np.exp(p[8])))
        return np.asarray(np.interp(self.span.seconds, self.grid, shown))

    def residuals(self, p: _F) -> _F:
        """Weighted residuals, then the priors'."""
        fit = np.sqrt(self.weights) * (self.span.kelvin - self.probe(p)) / self.noise
        priors = [
            p[1] / _DRIFT,
            (p[5] - np.log(_WIDTH[0])) / _WIDTH[1],
            (p[6] - np.log(_LEAN[0])) / _LEAN[1],
            p[7] / _PACE,
            (p[8] - np.log(LAG_SECONDS[0])) / LAG_SECONDS[1],
        ]
        if self.begins is not None:
            priors.append((p[2] - self.begins) / _BEGINS)
        return np.concatenate([fit, priors])

    def fit(self, first: _F) -> Any:
        """Best fit with wild samples bounded: three rounds of reweighting (Huber)."""
        from scipy.optimize import least_squares

        span = self.span
        low = [-np.inf, -1.0, span.seconds[0] - 5, np.log(1.0), np.log(0.3), np.log(0.008), -0.7, -1.2, np.log(0.05)]
        high = [np.inf, 1.0, span.seconds[-1], np.log(600.0), np.log(400.0), np.log(0.15), 1.6, 1.2, np.log(20.0)]
        p = np.clip(first, np.array(low) + 1e-9, np.array(high) - 1e-9)
        for _ in range(3):
            found = least_squares(self.residuals, p, bounds=(low, high), x_scale="jac", max_nfev=60)
            p = found.x
            raw = span.kelvin - self.probe(p)
            self.noise = max(1.4826 * float(np.median(np.abs(raw - np.median(raw)))), _FINEST)
            self.weights = np.minimum(1.0, _BOUND * self.noise / np.maximum(np.abs(raw), 1e-12))
        return found


def read_sweeps(seconds: _F, kelvin: _F, begins: tuple[float, ...] = ()) -> list[SweepReading]:
    """Read every sweep in a trace, one after the other; parameters and errors as `read_sweep`.

    After a sweep the next one begins once the mixture was made rich again and the temperature has come
    down towards its plateau. What is left over without a peak or a fall is no sweep.
    """
    seconds, kelvin = np.asarray(seconds, float), np.asarray(kelvin, float)
    found = [read_sweep(seconds, kelvin, begins)]
    while (start := _next_start(seconds, kelvin, found[-1])) is not None:
        later = seconds >= start
        try:
            reading = read_sweep(seconds[later], kelvin[later], begins)
        except InvalidValueError:
            break
        if reading.seen == "not_passed":
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
    after = np.isfinite(x) & np.isfinite(t) & (t > last.end_seconds)
    t, x = t[after], x[after]
    if len(t) < _FEWEST:
        return None
    smooth = _smooth(x, 5)
    high = np.flatnonzero(smooth > last.plateau_kelvin + 0.5 * last.rise_kelvin)
    first = high[0] if len(high) else 0
    low = np.flatnonzero(smooth[first:] < last.plateau_kelvin + max(0.2 * last.rise_kelvin, _LEAST))
    if not len(low):
        return None
    lag = last.lag_seconds if np.isfinite(last.lag_seconds) else LAG_SECONDS[0]
    return float(t[first + low[0]]) + 2.0 * lag  # until the probe has settled


def read_sweep(seconds: _F, kelvin: _F, begins: tuple[float, ...] = ()) -> SweepReading:
    """Read one cylinder's trace of a leaning sweep.

    Parameters
    ----------
    seconds, kelvin : array, (n,)
        Sample times [s] and probe temperatures [K]; NaN where a sample is missing. Any spacing.
    begins : tuple of float
        Moments at which the mixture control was seen to leave full rich, if it was logged [s].

    Returns
    -------
    SweepReading

    Raises
    ------
    InvalidValueError
        If there are too few samples.
    """
    seconds, kelvin = np.asarray(seconds, float), np.asarray(kelvin, float)
    span = _span(seconds, kelvin)
    risen = span.smooth[span.top] - span.plateau
    fallen = span.smooth[span.top] - span.smooth[-1]
    sure = max(_SEEN * span.noise / 2.0, _LEAST)
    if risen < sure and fallen < sure:
        return _plain(span, seconds, "not_passed", float(max(risen, 0.0)))
    model = _Model(span, _begun(span, begins))
    best = min((model.fit(first) for first in _starts(span, float(max(risen, 1.0)))), key=lambda found: found.cost)
    p = best.x
    spread = np.linalg.inv(best.jac.T @ best.jac + 1e-9 * np.eye(len(p)))
    error = float(np.exp(p[4]) * np.sqrt(spread[4, 4]))
    if risen < sure and np.exp(p[4]) < 2.0 * error:
        return _plain(span, seconds, "fell_at_once", 0.0)
    peak = float(p[2] + np.exp(p[3]))
    slope = np.zeros(len(p))
    slope[2], slope[3] = 1.0, np.exp(p[3])
    late = peak + _SEEN * float(np.sqrt(slope @ spread @ slope)) > span.seconds[-1]
    if late and fallen < sure:
        return _plain(span, seconds, "not_passed", float(max(risen, 0.0)))
    fit = np.full(len(seconds), np.nan)
    inside = np.isfinite(seconds) & (seconds >= span.seconds[0]) & (seconds <= span.seconds[-1])
    fit[inside] = np.interp(seconds[inside], span.seconds, model.probe(p))
    return SweepReading(
        seen="peak",
        plateau_kelvin=float(p[0]),
        rise_kelvin=float(np.exp(p[4])),
        error_kelvin=error,
        start_seconds=float(p[2]),
        peak_seconds=peak,
        lag_seconds=float(np.exp(p[8])),
        noise_kelvin=model.noise,
        end_seconds=float(span.seconds[-1]),
        fit=fit,
    )


def _begun(span: _Span, begins: tuple[float, ...]) -> float | None:
    """The last moment the control left full rich before this sweep's top."""
    before = [t for t in begins if span.seconds[0] <= t < span.seconds[span.top]]
    return before[-1] if before else None


def _starts(span: _Span, risen: float) -> list[_F]:
    """First guesses: leaning began where a fifth, or a twentieth, of the rise was reached."""
    lag = LAG_SECONDS[0]
    guesses = []
    for share in (0.2, 0.05):
        before = np.flatnonzero(span.smooth[: span.top + 1] < span.plateau + share * risen)
        begun = span.seconds[before[-1]] if len(before) else span.seconds[0]
        start = max(begun - lag, span.seconds[0])
        length = max(span.seconds[span.top] - lag - start, 2.0)
        logs = [np.log(length), np.log(max(risen, 1.0)), np.log(_WIDTH[0]), np.log(_LEAN[0]), 0.0, np.log(lag)]
        guesses.append(np.array([span.plateau, 0.0, start, *logs]))
    return guesses


def _plain(span: _Span, seconds: _F, seen: str, rise: float) -> SweepReading:
    """A reading that is no peak."""
    return SweepReading(
        seen, span.plateau, rise, span.noise, float("nan"), float("nan"), float("nan"), span.noise,
        float(span.seconds[-1]), np.full(len(seconds), np.nan),
    )  # fmt: skip
