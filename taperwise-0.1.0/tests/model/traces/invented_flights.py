"""Invented records as a flight's logger keeps them: a sample a second in whole °F, climb, cruise, one leaning, descent.

Slopes and lags lie where two real records of a four-cylinder engine had them: 564 to 764 °F per unit of mixture and
6.5 to 8.4 s (fitted with the lag free); all else is invented.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Flight", "invent"]

_F = NDArray[np.float64]
_FAHRENHEIT = 1 / 1.8


@dataclass(frozen=True)
class Flight:
    """One flight.

    Parameters
    ----------
    seconds : array, (n,)
    kelvin : array, (cylinders, n)
        What the probes showed [K].
    flow : array, (n,)
        Fuel flow [gal/h].
    begins, ends : float
        The leaning's [s].
    rises : array, (cylinders,)
        True rises to peak [K].
    """

    seconds: _F
    kelvin: _F
    flow: _F
    begins: float
    ends: float
    rises: _F

    def shown(self, cylinder: int) -> float:
        """Highest mean of five samples in the leaning less the median of ten before it [K]."""
        x = self.kelvin[cylinder]
        during = (self.seconds >= self.begins) & (self.seconds <= self.ends + 30.0)
        before = (self.seconds >= self.begins - 10.0) & (self.seconds < self.begins)
        top = np.convolve(x[during], np.ones(5) / 5.0, "valid").max()
        return float(top - np.median(x[before]))


def _leaning(rng: np.random.Generator, style: str, start: float, end: float) -> tuple[list[float], list[float]]:
    """Moments and mixtures of a leaning of half a minute to five minutes."""
    length = rng.uniform(30.0, 300.0)
    if style == "even":
        return [0.0, length], [start, end]
    if style == "steps":
        t, x, now = [0.0], [start], 0.0
        for level in np.linspace(start, end, int(rng.integers(6, 12)))[1:]:
            t += [now + 1.5, now + 1.5 + rng.uniform(2.0, 20.0)]
            x += [float(level)] * 2
            now = t[-1]
        return t, x
    turn = start + 0.7 * (end - start)
    back = start + 0.45 * (end - start)
    return [0.0, 0.5 * length, 0.55 * length, 0.62 * length, 0.66 * length, length + 10.0], [
        start, turn, turn, back, back, end,
    ]  # fmt: skip


def _power(rng: np.random.Generator, t: _F, climb: float, level: float, descent: float) -> _F:
    """What the power setting adds to the temperature [K]: warm-up, climb, the reduction, its wander, the descent."""
    out = -120.0 * np.exp(-t / 60.0) + 25.0 * np.clip((t - 20.0) / climb, 0.0, 1.0)
    out -= rng.uniform(20.0, 45.0) * np.clip((t - climb) / 5.0, 0.0, 1.0)
    out -= rng.uniform(10.0, 60.0) * np.clip((t - descent) / 30.0, 0.0, 1.0)
    wander = np.zeros(len(t))
    for i in range(1, len(t)):
        wander[i] = 0.98 * wander[i - 1] + rng.normal(0.0, 0.2)
    return out + wander + rng.normal(0.0, 0.02) * (t - level)


def invent(rng: np.random.Generator, style: str, cylinders: int = 4) -> Flight:
    """A flight with one leaning, ``even``, ``steps`` or ``back_and_on``."""
    climb = rng.uniform(150.0, 500.0)
    begins = climb + rng.uniform(60.0, 180.0)
    start, end = rng.uniform(0.28, 0.36), rng.uniform(-0.14, -0.09)
    moments, mixtures = _leaning(rng, style, start, end)
    ends = begins + moments[-1]
    richer = ends + rng.uniform(20.0, 60.0)
    descent = richer + rng.uniform(120.0, 400.0)
    t = np.arange(0.0, descent + 150.0, 0.1)
    kept = [start, *mixtures, mixtures[-1], mixtures[-1] + rng.choice([0.0, 0.12])]
    x = np.interp(t, [0.0, *(begins + np.array(moments)), richer, richer + 8.0], kept)
    power = _power(rng, t, climb, begins, descent)
    rows, rises = [], []
    for _ in range(cylinders):
        off, slope, width = rng.normal(0.0, 0.02), rng.uniform(564.0, 764.0) * _FAHRENHEIT, rng.uniform(0.02, 0.045)
        far = (x + off) * np.where(x + off < 0.0, rng.uniform(1.0, 1.6), 1.0)
        gas = 1090.0 - slope * width * np.log(np.cosh(far / width)) + power
        probe, lag = np.empty(len(t)), rng.uniform(6.5, 8.4)
        probe[0] = gas[0]
        for i in range(1, len(t)):
            probe[i] = probe[i - 1] + 0.1 / lag * (gas[i] - probe[i - 1])
        logged = probe[::10] + rng.normal(0.0, 0.5, len(probe[::10]))
        rows.append(_FAHRENHEIT * np.round(logged / _FAHRENHEIT))
        rises.append(slope * width * np.log(np.cosh((start + off) / width)))
    flow = np.round(9.0 * (1.0 + x[::10]) + rng.normal(0.0, 0.05, len(x[::10])), 1)
    return Flight(t[::10], np.array(rows), flow, begins, ends, np.array(rises))
