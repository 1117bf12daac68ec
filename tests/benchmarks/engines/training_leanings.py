"""Leanings on which the reader's weights are trained: tents of many forms, walked along in every way.

The bench that measures the reader draws its own (`tests.benchmarks.engines.leanings`) and shares nothing with this.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

__all__ = ["Example", "draw_example"]

_F = NDArray[np.float64]
_Rng = np.random.Generator
_FINE = 0.1  # s
_SLOPE = (780 / 1.8, 0.25)  # K per unit of mixture, log-sd: between two real engines' and the calculated cycle's
_WIDTH = (0.03, 0.4)
_WARMS = np.log([20.0, 400.0])  # ln s in which the pipe, the engine warm up; judgement
_LAGS = (0.8, 13.0)  # s: two probes of three by their lag, the others by its logarithm
_TWO_STAGES, _SECOND = 0.3, (0.1, 0.5)  # share of probes whose sheath and junction lag one behind the other; judgement
_EARLY = 1.6  # greatest power of the way by which leaning begins more slowly than it goes on
_FORMS = (1.6, 3.2)  # power of the rounding at the peak: 2 is the model's own; no engine's form is known


@dataclass(frozen=True)
class Example:
    """Samples [s, K], channels or None, and the true rise [K], lag [s], moments of start and of the gas's peak [s]."""

    seconds: _F
    kelvin: _F
    drive: _F | None
    beside: _F | None
    rise: float
    lag: float
    start: float


class _Way:
    """Corners of a way of the mixture, as shares of the way from full rich (0) to the end (1)."""

    def __init__(self, before: float) -> None:
        self.t, self.x = [0.0, before], [0.0, 0.0]

    def to(self, x: float, seconds: float) -> None:
        """Moves there within `seconds`; holds where it is the same place."""
        self.t.append(self.t[-1] + seconds)
        self.x.append(x)


def _ramp(way: _Way, rng: _Rng, seconds: float, last: float, roughness: float) -> None:
    """Moves on to `last` with a pace that wanders, now and then with a rest."""
    pieces = int(rng.integers(1, 15)) if roughness else 1
    first = way.x[-1]
    share = np.exp(roughness * rng.normal(size=pieces))
    spend = np.exp(0.5 * roughness * rng.normal(size=pieces))
    for x, s in zip(np.cumsum(share) / share.sum(), seconds * spend / spend.sum(), strict=True):
        if roughness and rng.random() < 0.08:
            way.to(way.x[-1], rng.exponential(5.0))
        way.to(first + (last - first) * float(x), float(s))


def _stairs(way: _Way, rng: _Rng, last: float, short: float, long: float) -> None:
    """Moves on in steps."""
    first = way.x[-1]
    pieces = int(rng.integers(3, 16))
    share = np.exp(rng.uniform(0.0, 0.6) * rng.normal(size=pieces))
    for x in np.cumsum(share) / share.sum():
        way.to(first + (last - first) * float(x), float(rng.uniform(0.3, 2.5)))
        way.to(way.x[-1], float(rng.uniform(short, long)))


def _draw_way(rng: _Rng, before: float) -> _Way:
    way, kind = _Way(before), rng.random()
    length = float(np.exp(rng.uniform(np.log(20.0), np.log(240.0))))
    if kind < 0.12:
        _ramp(way, rng, length, 1.0, 0.0)
    elif kind < 0.36:
        _ramp(way, rng, length, 1.0, rng.uniform(0.2, 0.7))
    elif kind < 0.60:
        _ramp(way, rng, rng.uniform(6.0, 25.0), 1.0, float(rng.choice([0.0, 0.3, 0.6])))
    elif kind < 0.80:
        short = rng.uniform(1.0, 18.0)
        _stairs(way, rng, 1.0, short, short + rng.uniform(1.0, 18.0))
    else:
        rough = float(rng.choice([0.0, 0.4]))
        for _ in range(int(rng.choice([1, 1, 2]))):
            turn = rng.uniform(0.4, 1.0)
            _ramp(way, rng, length * rng.uniform(0.3, 0.8), turn, rough)
            way.to(turn, rng.uniform(0.1, 8.0))
            _ramp(way, rng, length * rng.uniform(0.05, 0.4) + 1.0, turn * rng.uniform(0.2, 0.9), rough)
            way.to(way.x[-1], rng.uniform(0.1, 8.0))
        _ramp(way, rng, length * rng.uniform(0.3, 0.8), 1.0, rough)
    way.to(1.0, rng.uniform(2.0, 25.0))
    if rng.random() < 0.6:
        way.to(float(rng.choice([0.0, 0.0, 0.0, 0.3])), float(np.exp(rng.uniform(np.log(0.3), np.log(8.0)))))
        way.to(way.x[-1], rng.uniform(5.0, 40.0))
    return way


def _wander(rng: _Rng, t: _F, sd: float, memory: float) -> _F:
    """A slow wander by an exponential filter of white scatter."""
    if sd == 0.0:
        return np.zeros_like(t)
    a = np.exp(-_FINE / memory)
    start = rng.normal()
    out = lfilter([np.sqrt(1 - a * a)], [1.0, -a], rng.normal(size=len(t)), zi=[a * start])[0]
    return sd * np.asarray(out)


def _softened(rng: _Rng, share: _F) -> _F:
    """A way that begins slowly, or turns in no sharp corners; or as it was."""
    if rng.random() < 0.3:
        share = share ** rng.uniform(1.0, _EARLY)
    if rng.random() < 0.4:
        width = int(rng.uniform(0.5, 4.0) / _FINE) | 1
        padded = np.pad(share, width // 2, mode="edge")
        share = np.convolve(padded, np.full(width, 1.0 / width), mode="valid")
    return share


def _gas(rng: _Rng, mixture: _F) -> _F:
    """Temperature below the peak for the mixture's distance from it."""
    slope = _SLOPE[0] * np.exp(_SLOPE[1] * rng.normal())
    width = _WIDTH[0] * np.exp(_WIDTH[1] * rng.normal())
    lean, form = rng.uniform(0.9, 1.9), rng.uniform(*_FORMS)
    x = np.abs(np.where(mixture < 0.0, lean * mixture, mixture)) / width
    return np.asarray(-slope * width * ((1.0 + x**form) ** (1.0 / form) - 1.0))


def _disturbance(rng: _Rng, t: _F, start: float) -> tuple[_F, _F]:
    """Warming since full throttle, more often than cooling, and what a change of power does."""
    size = rng.choice([3.0, 8.0, 15.0, 30.0]) * abs(rng.normal()) * (-1.0 if rng.random() < 0.8 else 1.0)
    warm = size * np.exp(-t / np.exp(rng.uniform(*_WARMS)))
    power = _wander(rng, t, float(rng.choice([0.0, 0.5, 1.0, 1.5, 2.0])), rng.uniform(5.0, 80.0))
    if rng.random() < 0.2:
        at = start - rng.uniform(40.0, 100.0)
        power = power + 20.0 * rng.normal() * np.clip((t - at) / rng.uniform(1.0, 6.0), 0.0, 1.0)
    return warm, power


def draw_example(rng: _Rng) -> Example:
    """A leaning of any kind, as a logger kept it."""
    before = rng.choice([rng.uniform(4.0, 14.0), rng.uniform(9.0, 70.0), rng.uniform(60.0, 150.0)], p=[0.2, 0.5, 0.3])
    way = _draw_way(rng, float(before))
    fine = np.arange(0.0, way.t[-1], _FINE)
    rich, lean = rng.uniform(0.03, 0.34), rng.uniform(0.015, 0.14)
    mixture = rich - (rich + lean) * _softened(rng, np.interp(fine, way.t, way.x))
    curve = _gas(rng, np.concatenate([[rich], mixture]))
    warm, power = _disturbance(rng, fine, way.t[1])
    gas = curve[1:] + warm + power
    lag = float(rng.uniform(*_LAGS) if rng.random() < 0.67 else np.exp(rng.uniform(*np.log(_LAGS))))
    stages = [lag]
    if rng.random() < _TWO_STAGES:
        second = rng.uniform(*_SECOND)
        stages = [lag / (1.0 + second), lag * second / (1.0 + second)]
    probe = gas - gas[0]
    for stage in stages:
        a = np.exp(-_FINE / stage)
        probe = lfilter([0.5 * (1.0 - a), 0.5 * (1.0 - a)], [1.0, -a], probe)
    return _kept(rng, fine, 900.0 + probe + gas[0], mixture, power, (-curve[0], lag, way.t[1]))


def _kept(rng: _Rng, fine: _F, probe: _F, mixture: _F, power: _F, truth: tuple[float, float, float]) -> Example:
    """What the logger keeps."""
    spacing = float(rng.choice([0.25, 0.5, 1.0, 1.0, 1.0, 2.0, 0.0]))
    t = np.arange(0.0, fine[-1], spacing) if spacing else np.cumsum(rng.uniform(0.3, 2.2, int(fine[-1])))
    t = t[t < fine[-1]]
    noise = float(np.exp(rng.uniform(np.log(0.2), np.log(4.0))))
    share = rng.uniform(0.0, 0.8) if rng.random() < 0.7 else 0.0
    slow = np.interp(t, fine, _wander(rng, fine, 1.0, rng.uniform(1.0, 4.0)))
    x = np.interp(t, fine, probe) + noise * (np.sqrt(1.0 - share) * rng.normal(size=len(t)) + np.sqrt(share) * slow)
    wild = rng.integers(0, len(t), int(rng.choice([0, 0, 0, 2, 4])))
    x[wild] += 60.0 * rng.normal(size=len(wild))
    quantum = float(rng.choice([0.0, 1 / 1.8, 1 / 1.8, 1.0]))
    if quantum:
        x = quantum * np.round(x / quantum)
    drive = beside = None
    if rng.random() < 0.2:
        drive = np.interp(t - rng.uniform(0.0, 1.5), fine, mixture) + rng.uniform(0.0, 0.006) * rng.normal(size=len(t))
    if rng.random() < 0.15:
        beside = np.interp(t, fine, power) + rng.uniform(0.0, 0.5) * rng.normal(size=len(t))
    return Example(t, x, drive, beside, *truth)
