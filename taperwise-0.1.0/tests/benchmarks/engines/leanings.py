"""Virtual leanings of every kind: how the mixture was moved, what else changed, and what a logger kept of it.

Nothing here is shared with the reader: the curves are a calculated cycle's and a smooth one of another form, and the
lag is integrated in small implicit steps.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.engines.virtual_sweep import Curve, VirtualTrace, calculated_cycle

__all__ = ["KINDS", "Leaning", "draw_curve", "draw_leaning", "log_leaning"]

_F = NDArray[np.float64]
_Rng = np.random.Generator
_FINE = 0.05  # s
_FAHRENHEIT = 1 / 1.8  # K


@dataclass
class Leaning:
    """How one leaning goes.

    Parameters
    ----------
    seconds, phi : list
        Corners of the mixture's way [s, -], straight in between.
    lag_seconds, noise_kelvin, correlation, spacing_seconds, quantum_kelvin : float
        The probe's lag [s]; scatter [K] and its correlation over a second; mean spacing of samples [s], negative where
        it is uneven; what a sample is rounded to [K], 0 for nothing.
    wild : int
        Wild samples.
    warming : tuple of float
        Size [K] and time constant [s] of an approach to the final temperature.
    power : list of tuple
        Moments [s] and sizes [K] of changes of the power setting, each over three seconds.
    wander : float
        Standard deviation of the power's slow wander [K].
    flow, manifold : bool
        Whether fuel flow, manifold pressure are logged too.
    """

    seconds: list[float]
    phi: list[float]
    lag_seconds: float
    noise_kelvin: float
    correlation: float
    spacing_seconds: float
    quantum_kelvin: float
    wild: int = 0
    warming: tuple[float, float] = (0.0, 100.0)
    power: list[tuple[float, float]] = field(default_factory=list)
    wander: float = 0.0
    flow: bool = False
    manifold: bool = False


def draw_curve(rng: _Rng) -> Curve:
    """A curve whose rich side falls by 540 to 1,050 °F per unit phi: the calculated cycle's, or a smooth other one."""
    slope = rng.uniform(540.0, 1050.0) * _FAHRENHEIT
    if rng.random() < 0.5:
        cycle = calculated_cycle().spread(rng.uniform(0.025, 0.05))
        return Curve(cycle.phi, 1100.0 + (cycle.kelvin - cycle.peak()[1]) * slope / (1002 * _FAHRENHEIT))
    phi = np.linspace(0.6, 1.7, 551)
    x, width = phi - rng.uniform(0.96, 1.04), rng.uniform(0.02, 0.05)
    drop = slope * width * np.log(np.cosh(x / width))
    return Curve(phi, 1100.0 - drop * (1.0 + (rng.uniform(1.0, 1.8) - 1.0) / (1.0 + np.exp(x / 0.01))))


def _even(rng: _Rng, start: float, end: float, before: float, length: float) -> tuple[list[float], list[float]]:
    return [0.0, before, before + length], [start, start, end]


def _uneven(rng: _Rng, start: float, end: float, before: float, length: float) -> tuple[list[float], list[float]]:
    """A hand whose pace wanders by half as much again."""
    pieces = int(rng.integers(4, 12))
    moves = np.exp(rng.normal(0.0, 0.5, pieces))
    at = before + length * np.linspace(0.0, 1.0, pieces + 1)
    phi = start + (end - start) * np.concatenate([[0.0], np.cumsum(moves) / moves.sum()])
    return [0.0, *at.tolist()], [start, *phi.tolist()]


def _steps(
    rng: _Rng, start: float, end: float, before: float, holds: tuple[float, float]
) -> tuple[list[float], list[float]]:
    """Moves of half a second to two seconds, holds between them."""
    pieces = int(rng.integers(5, 13))
    moves = np.exp(rng.normal(0.0, 0.4, pieces))
    levels = start + (end - start) * np.cumsum(moves) / moves.sum()
    seconds, phi, now = [0.0, before], [start, start], before
    for level in levels:
        move, hold = rng.uniform(0.5, 2.0), rng.uniform(*holds)
        seconds += [now + move, now + move + hold]
        phi += [float(level)] * 2
        now += move + hold
    return seconds, phi


def _back_and_on(rng: _Rng, start: float, end: float, before: float, length: float) -> tuple[list[float], list[float]]:
    """Leaned, taken back by a part of the way, and leaned on."""
    turn = start + (end - start) * rng.uniform(0.55, 1.0)
    back = turn + (start - turn) * rng.uniform(0.2, 0.6)
    legs = np.cumsum([length * 0.6, length * 0.2, length * 0.5])
    rest = np.cumsum(rng.uniform(0.0, 6.0, 3))
    seconds, phi = [0.0, before], [start, start]
    for leg, wait, level in zip(legs, rest, (turn, back, end), strict=True):
        earlier = seconds[-1]
        reached = before + float(leg) + float(wait)
        seconds += [max(reached - float(rng.uniform(0.0, 3.0)), earlier + 1.0), reached + 1.0]
        phi += [level, level]
    return seconds, phi


def _common(rng: _Rng, seconds: list[float], phi: list[float], lag: float) -> Leaning:
    """What all kinds share: the end held, sometimes rich again; an engine never quite steady; sensor and logger."""
    held = seconds[-1] + rng.uniform(3.0, 20.0)
    seconds, phi = [*seconds, held], [*phi, phi[-1]]
    if rng.random() < 0.4:
        richer = held + rng.uniform(1.5, 6.0)
        seconds, phi = [*seconds, richer, richer + rng.uniform(5.0, 30.0)], [*phi, phi[0], phi[0]]
    return Leaning(
        seconds,
        phi,
        lag_seconds=lag,
        noise_kelvin=float(np.exp(rng.uniform(np.log(0.3), np.log(3.0)))),
        correlation=float(rng.choice([0.0, 0.4, 0.7])),
        spacing_seconds=float(rng.choice([0.5, 1.0, 1.0, 1.0, 2.0, -1.0])),
        quantum_kelvin=float(rng.choice([0.0, _FAHRENHEIT])),
        wild=int(rng.choice([0, 0, 0, 3])),
        warming=(rng.normal(0.0, 8.0), rng.uniform(60.0, 300.0)),
        wander=rng.uniform(0.0, 1.5),
    )


def _lag(rng: _Rng, low: float = 1.0, high: float = 12.0) -> float:
    return float(rng.uniform(low, high))


def _ends(curve: Curve, rng: _Rng) -> tuple[float, float, float]:
    peak, _ = curve.peak()
    return peak + rng.uniform(0.07, 0.30), peak - rng.uniform(0.05, 0.12), rng.uniform(12.0, 60.0)


def _steady(curve: Curve, rng: _Rng) -> Leaning:
    return _common(rng, *_even(rng, *_ends(curve, rng), rng.uniform(25.0, 180.0)), _lag(rng))


def _unevenly(curve: Curve, rng: _Rng) -> Leaning:
    return _common(rng, *_uneven(rng, *_ends(curve, rng), rng.uniform(25.0, 180.0)), _lag(rng))


def _hasty(curve: Curve, rng: _Rng) -> Leaning:
    return _common(rng, *_uneven(rng, *_ends(curve, rng), rng.uniform(8.0, 22.0)), _lag(rng))


def _stepped(curve: Curve, rng: _Rng) -> Leaning:
    return _common(rng, *_steps(rng, *_ends(curve, rng), (2.0, rng.uniform(6.0, 20.0))), _lag(rng))


def _held(curve: Curve, rng: _Rng) -> Leaning:
    return _common(rng, *_steps(rng, *_ends(curve, rng), (15.0, 25.0)), _lag(rng))


def _returning(curve: Curve, rng: _Rng) -> Leaning:
    return _common(rng, *_back_and_on(rng, *_ends(curve, rng), rng.uniform(25.0, 120.0)), _lag(rng))


def _warming(curve: Curve, rng: _Rng) -> Leaning:
    leaning = _unevenly(curve, rng)
    leaning.warming = (rng.uniform(5.0, 40.0) * rng.choice([1.0, 1.0, -1.0]), rng.uniform(60.0, 300.0))
    return leaning


def _powered(curve: Curve, rng: _Rng) -> Leaning:
    """The power setting is changed well before the leaning and again after it, and wanders all the time."""
    start, end, _ = _ends(curve, rng)
    before = rng.uniform(110.0, 200.0)
    leaning = _common(rng, *_uneven(rng, start, end, before, rng.uniform(25.0, 180.0)), _lag(rng))
    leaning.power = [(before - rng.uniform(50.0, 100.0), float(rng.normal(0.0, 20.0)))]
    if len(leaning.seconds) and leaning.phi[-1] == start:
        leaning.power.append((leaning.seconds[-1] - 3.0, float(rng.normal(0.0, 20.0))))
    leaning.wander, leaning.manifold = rng.uniform(0.5, 2.5), bool(rng.random() < 0.5)
    return leaning


def _slow(curve: Curve, rng: _Rng) -> Leaning:
    return _common(rng, *_uneven(rng, *_ends(curve, rng), rng.uniform(25.0, 120.0)), _lag(rng, 6.0, 12.0))


def _driven(curve: Curve, rng: _Rng) -> Leaning:
    leaning = KINDS[str(rng.choice(["uneven", "hasty", "steps", "back_and_on"]))](curve, rng)
    leaning.flow = True
    return leaning


KINDS: dict[str, Callable[[Curve, _Rng], Leaning]] = {
    "steady": _steady,
    "uneven": _unevenly,
    "hasty": _hasty,
    "steps": _stepped,
    "steps_held": _held,
    "back_and_on": _returning,
    "warming": _warming,
    "power_changes": _powered,
    "slow_probe": _slow,
    "flow_driven": _driven,
}
"""Kinds of leaning by name; each draws a plan for a curve."""


def draw_leaning(kind: str, rng: _Rng) -> tuple[Curve, Leaning]:
    """A curve and a leaning of one kind."""
    curve = draw_curve(rng)
    return curve, KINDS[kind](curve, rng)


def _coloured(rng: _Rng, seconds: _F, sd: float, memory: float) -> _F:
    """Scatter whose correlation falls off within `memory` seconds; white for none."""
    white = rng.normal(0.0, 1.0, len(seconds))
    if memory <= 0.0:
        return sd * white
    out = white.copy()
    for i in range(1, len(out)):
        a = np.exp(-(seconds[i] - seconds[i - 1]) / memory)
        out[i] = a * out[i - 1] + np.sqrt(1.0 - a * a) * white[i]
    return sd * out


def _lagging(values: _F, lag: float) -> _F:
    """First-order lag in implicit steps of a twentieth of a second, begun in balance."""
    from scipy.signal import lfilter

    a = lag / (lag + _FINE)
    return np.asarray(lfilter([1.0 - a], [1.0, -a], values - values[0]) + values[0])


def _moments(leaning: Leaning, rng: _Rng) -> _F:
    end, spacing = leaning.seconds[-1], leaning.spacing_seconds
    if spacing > 0.0:
        return np.arange(0.0, end, spacing)
    steps = rng.uniform(0.4, 2.0, int(end / 0.4) + 1)
    at = np.cumsum(steps)
    return np.asarray(at[at < end])


def log_leaning(curve: Curve, leaning: Leaning, rng: _Rng) -> VirtualTrace:
    """What a logger kept of a leaning."""
    fine = np.arange(0.0, leaning.seconds[-1] + 1.0, _FINE)
    phi = np.interp(fine, leaning.seconds, leaning.phi)
    size, constant = leaning.warming
    slow = np.arange(0.0, fine[-1] + 5.0, 1.0)
    wander = np.interp(fine, slow, _coloured(rng, slow, leaning.wander, 40.0)) if leaning.wander else 0.0 * fine
    power = wander + sum((kelvin * np.clip((fine - at) / 3.0, 0.0, 1.0) for at, kelvin in leaning.power), 0.0 * fine)
    gas = np.interp(phi, curve.phi, curve.kelvin) - size * np.exp(-fine / constant) + power
    seconds = _moments(leaning, rng)
    memory = -1.0 / np.log(leaning.correlation) if leaning.correlation else 0.0
    kelvin = np.interp(seconds, fine, _lagging(gas, leaning.lag_seconds))
    kelvin = kelvin + _coloured(rng, seconds, leaning.noise_kelvin, memory)
    wild = rng.integers(0, len(seconds), leaning.wild)
    kelvin[wild] += rng.normal(0.0, 80.0, leaning.wild)
    if leaning.quantum_kelvin:
        kelvin = leaning.quantum_kelvin * np.round(kelvin / leaning.quantum_kelvin)
    flow = manifold = None
    if leaning.flow:
        flow = 10.0 * np.interp(seconds, fine, _lagging(phi, rng.uniform(0.3, 1.5)))
        flow = 0.1 * np.round((flow + rng.normal(0.0, 0.05, len(seconds))) / 0.1)
    if leaning.manifold:
        manifold = 80_000.0 + 300.0 * np.interp(seconds, fine, power) + rng.normal(0.0, 60.0, len(seconds))
    rise = curve.peak()[1] - float(np.interp(leaning.phi[0], curve.phi, curve.kelvin))
    return VirtualTrace(seconds, kelvin, rise, flow, manifold)
