"""The rise from paths of nine lags: how much each lag counts was learned on simulated leanings.

The bound of the evidence that `taperwise.model.traces.gas_path` gives for a lag is only near the evidence, and steps,
holds and haste bend it in different ways. What it says, with what else tells a lag (does the gas of that lag go back
and forth, how does the probe settle when the mixture is held) and with the record's own levels, goes through a small
network to a mean, a half width that holds the truth nine times in ten, and a lag. The weights are made by ``python -m
tests.benchmarks sweep-weights``.
"""

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taperwise.model.traces.gas_path import LAGS, GasPaths
from taperwise.model.traces.sweep_part import Part

__all__ = [
    "WEIGHTS",
    "Layers",
    "LearnedRise",
    "apply",
    "describe",
    "first_estimate",
    "lag_shares",
    "learned_rise",
    "peak_passed",
]

_F = NDArray[np.float64]

WEIGHTS = Path(__file__).with_name("learned_rise.json")

_TEMPER = 0.3  # share of the bound that is believed in the first estimate; judgement, the network corrects it
_AROUND_TOP = np.array([
    -60.0, -45.0, -35.0, -25.0, -18.0, -12.0, -8.0, -5.0, -3.0, -1.5,
    1.5, 3.0, 4.5, 6.0, 8.0, 10.0, 12.0, 15.0, 18.0, 22.0, 27.0, 33.0, 40.0,
])  # s  # fmt: skip
_BEFORE = np.array([-70.0, -50.0, -35.0, -25.0, -18.0, -12.0, -8.0, -5.0, -2.0, 0.0])  # s from the start of leaning
_BETWEEN = np.linspace(0.1, 0.9, 9)  # shares of the time from there to the top
_OUTSIDE = 3.0  # rises beyond which a level says no more
_DECAYS = np.exp(np.linspace(np.log(0.6), np.log(20.0), 26))  # s, time constants that an end is held against
_SETTLING, _FEW = 0.45, 5  # share of the last fall from which an end is taken, samples that it needs
_LEAST_REACH, _SHARE_REACH = 1.0, 0.02  # K, share of the rise
_CLIP = 4.0  # standard deviations beyond which a feature says no more


@dataclass(frozen=True)
class LearnedRise:
    """Rise [K], standard error for a 90 % interval of ±1.645 of it [K], lag [s]."""

    rise: float
    error: float
    lag: float


@dataclass(frozen=True)
class Layers:
    """A small network: features less ``centre`` over ``scale``, then layers of (weights, bias) with tanh between."""

    centre: _F
    scale: _F
    layers: tuple[tuple[_F, _F], ...]


def lag_shares(evidence: _F) -> _F:
    """Shares of `LAGS` by a tempered bound, all lags equally likely before, (lags,); of evidence of that shape."""
    weights = np.exp(_TEMPER * (evidence - evidence.max())) * LAGS
    return np.asarray(weights / weights.sum())


def peak_passed(part: Part, paths: GasPaths) -> bool:
    """Whether the probe, or the gas behind it, was seen to fall after its top."""
    if part.fallen >= part.least:
        return True
    gas = lag_shares(paths.evidence) @ paths.gas
    return bool(gas.max() - gas[-1] > 2.0 * part.least + 0.05 * part.risen)


def _back_and_forth(paths: GasPaths, start: float) -> tuple[_F, _F]:
    """How far the gas of each lag goes down before its top and up after it, in rises; a wrong lag makes it do so."""
    steps = np.diff(paths.gas, axis=1)
    at = np.arange(steps.shape[1])[None]
    top = paths.gas.argmax(axis=1)[:, None]
    since = paths.knots[:-1][None] >= start - 3.0
    rise = np.maximum(paths.rise, 1.0)
    down = np.where(since & (at < top), np.maximum(-steps, 0.0), 0.0).sum(axis=1) / rise
    up = np.where(at >= top, np.maximum(steps, 0.0), 0.0).sum(axis=1) / rise
    return np.log1p(10.0 * down), np.log1p(10.0 * up)


def _levels(part: Part) -> _F:
    """The record around its top, before leaning and on the way, as shares of the rise above the plateau."""
    t, top = part.seconds, part.seconds[part.top]
    level = (part.smooth - part.plateau) / max(part.risen, 2.0)
    at = np.concatenate([top + _AROUND_TOP, part.start + _BEFORE, part.start + _BETWEEN * (top - part.start)])
    return np.asarray(np.clip(np.interp(at, t, level), -_OUTSIDE, _OUTSIDE))


def _end(part: Part) -> _F:
    """How the record ends, where it falls and then settles: with the mixture held, a probe does so by its own lag.

    Whether there is such an end, ln of its time constant [s] and how sure that is, how far off an exponential it is in
    the samples' scatter, how long it is; (5,).
    """
    smooth, fall = part.smooth[part.top :], part.smooth[part.top] - float(np.median(part.smooth[-3:]))
    if fall < max(3.0 * part.noise, 3.0):
        return np.zeros(5)
    first = part.top + int(np.flatnonzero(smooth > smooth[0] - (1.0 - _SETTLING) * fall)[-1]) + 1
    if len(part.seconds) - first < _FEW:
        return np.zeros(5)
    since, shown = part.seconds[first:] - part.seconds[first], part.kelvin[first:]
    shapes = np.exp(-since / _DECAYS[:, None])
    shapes -= shapes.mean(axis=1, keepdims=True)
    shown = shown - shown.mean()
    size = shapes @ shown / (shapes * shapes).sum(axis=1)
    off = np.mean((shown - size[:, None] * shapes) ** 2, axis=1)
    share = np.exp(-0.5 * len(shown) * (off - off.min()) / (part.noise**2 + off.min())) * (size > 0.0)
    if not share.any():
        return np.zeros(5)
    share /= share.sum()
    ln = float(share @ np.log(_DECAYS))
    unsure = float(np.sqrt(share @ (np.log(_DECAYS) - ln) ** 2))
    scatter = np.log(np.sqrt(off.min()) / part.noise + 0.1)
    return np.array([1.0, ln, np.log(unsure + 0.02), scatter, np.log1p(since[-1])])


def first_estimate(paths: GasPaths) -> tuple[float, float]:
    """A first estimate and its standard deviation [K]."""
    shares = lag_shares(paths.evidence)
    mean = float(shares @ paths.rise)
    return mean, max(float(np.sqrt(shares @ (paths.variance + (paths.rise - mean) ** 2))), 0.3)


def reach(mean: float, sd: float) -> float:
    """How far the truth may lie from a first estimate and its standard deviation, before anything was learned [K]."""
    return float(np.sqrt(sd**2 + _LEAST_REACH**2 + (_SHARE_REACH * mean) ** 2))


def describe(part: Part, paths: GasPaths, driven: bool, beside: bool) -> _F:
    """What is known of a leaning, as features; shape (features,)."""
    mean, sd = first_estimate(paths)
    best = int(np.argmax(paths.evidence))
    t, top = part.seconds, part.seconds[part.top]
    leaned = max(top - part.start, 2.0)
    shown = max(part.risen, 2.0)
    scalars = [
        np.log(sd), np.log(max(mean, 1.0)), np.log(part.noise), np.log(paths.noise[best]), paths.correlation,
        np.log(leaned), np.log1p(max(part.start - t[0], 0.0)), np.log1p(max(t[-1] - top, 0.0)),
        np.log(max(float(np.mean(np.diff(t))), 0.05)), np.log(shown), part.fallen / shown, (mean - part.risen) / sd,
        paths.drift[best] / sd, paths.drift_sd[best] / sd, paths.drift[best] / paths.drift_sd[best],
        np.log(paths.back[best] / sd), float(paths.held), float(driven), float(beside),
    ]  # fmt: skip
    down, up = _back_and_forth(paths, part.start)
    return np.concatenate([
        scalars, np.maximum(paths.evidence - paths.evidence.max(), -20.0) / 5.0,
        np.maximum(paths.evenness - paths.evenness.max(), -30.0) / 5.0, (paths.rise - mean) / sd,
        np.log(paths.noise / paths.noise[best]), np.log(paths.pace), 0.5 * np.log(paths.variance) - np.log(sd),
        down, up, _levels(part), _end(part),
    ])  # fmt: skip


def apply(layers: Layers, features: _F) -> _F:
    """Output of the network for features of shape (…, features): mean, ln half width, ln lag, each of shape (…)."""
    x = np.clip((features - layers.centre) / layers.scale, -_CLIP, _CLIP)
    for weights, bias in layers.layers[:-1]:
        x = np.tanh(x @ weights + bias)
    weights, bias = layers.layers[-1]
    return np.asarray(x @ weights + bias)


@cache
def _trained() -> Layers:
    kept = json.loads(WEIGHTS.read_text(encoding="utf-8"))
    layers = tuple((np.array(weights), np.array(bias)) for weights, bias in kept["layers"])
    return Layers(np.array(kept["centre"]), np.array(kept["scale"]), layers)


def learned_rise(part: Part, paths: GasPaths, driven: bool, beside: bool) -> LearnedRise:
    """The rise of a leaning from its paths."""
    mean, sd = first_estimate(paths)
    unit = reach(mean, sd)
    moved, ln_half, ln_lag = apply(_trained(), describe(part, paths, driven, beside))
    return LearnedRise(mean + unit * float(moved), unit * float(np.exp(ln_half)) / 1.6449, float(np.exp(ln_lag)))
