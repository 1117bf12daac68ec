"""Location and scale of the sampler's coordinates, estimated from the readings at the pivot setting.

The aims are a matter of coordinates alone: wherever they point, the posterior is the same.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.dataset import Evidence
from taperwise.model.inference.prior_draws import STANDARD, unknowns_from
from taperwise.model.inference.reparameterization import FULL, IDLE, RoundedTent, TailTransform
from taperwise.model.physics.exhaust import distance, mixture_for_rise
from taperwise.model.physics.mixture import LOADS, Cuts, Unknowns, idle_cutpoints, mixtures
from taperwise.model.physics.noise import LOGISTIC_SCALE
from taperwise.model.physics.priors import CHANGES, PRIORS
from taperwise.model.physics.static_speed import BEST_LN_MIXTURE, static_speed

__all__ = ["BEND", "UNIT", "Aims", "aims"]

_F = NDArray[np.float64]

UNIT = 1.5
"""Logistic scales of a reading to a unit of the coordinate; it and the bend by the quantiles of `noise.draw`."""

BEND = 0.83
"""Bend of the coordinate of what a single reading tells."""

_EVEN = 0.7
"""Where a coordinate runs evenly again: where a reading's tail is as wide as what was believed before, over this.

Where it never did, a single rise that nothing confirms had a divergence in one fit of 20 or so; with 1 there are fewer
effective draws.
"""

_MIXTURE_SPREAD = 0.25
"""Of ln mixture before any run, where the orifice stands included."""

_NO_RISE = 0.05
"""Of ln mixture, as a logistic scale: how near the best it is where idle speed did not rise."""

_OUTER = 0.2
"""Of ln mixture: how far the outer judgements reach."""

_LEAST_SLOPE = 0.3
"""Of a curve near its peak over that far from it: closer to the peak a reading is no sharper than there."""


class _Told(NamedTuple):
    """Where each reading of a kind puts something, how widely, as a logistic scale, and 1 for those that count.

    Arrays of n values, (1, n) or (n,).
    """

    at: _F
    scale: _F
    counts: _F


class Aims(NamedTuple):
    """At the distances from the peaks on the reference curves, full throttle and idle, and at ln of the speeds over
    the expected ones, static and idle.
    """

    full: TailTransform
    idle: TailTransform
    static_rpm: TailTransform
    idle_rpm: TailTransform


def aims(evidence: Evidence) -> Aims:
    """The aims of one log.

    Only runs with the parts of the pivot count; an engine in the middle of the prior carries what they showed over to
    the pivot's setting.
    """
    r, scales, pivot, throttle = evidence.readings, evidence.scales, evidence.pivot, evidence.throttle
    u = _middling(evidence)
    here, there = (mixtures(u, s, pivot, throttle) for s in (pivot, evidence.settings))
    counts = _with_the_same_parts(evidence)

    of_a_run = LOGISTIC_SCALE * u.mixture_scatter

    x = np.expm1(mixture_for_rise(r.rise, *FULL))
    full = _Told(
        distance(np.log1p(x) + here.full - there.full),
        np.hypot(np.hypot(r.rise_share * u.rise_noise, r.rise_error) / _slope(x, FULL), of_a_run),
        counts * r.has_rise,
    )
    speed = scales.idle_rpm * np.exp(u.idle_air_power * (there.opening - here.opening))
    lost = r.idle_rise / speed / IDLE.scale
    x = np.sqrt(lost * (lost + 2.0 * IDLE.width))
    away, c = here.idle - there.idle, idle_cutpoints(u)
    sharp = r.widening * u.idle_rise_noise / speed / _slope(x, IDLE)
    risen = _Told(x + away, np.hypot(sharp, of_a_run), counts * r.has_idle_rise)
    judged_at, judged_scale = _judged(r.level, c)
    judged = _Told(judged_at - c.best + away, judged_scale, counts * r.has_level)
    not_risen = _Told(away, np.full_like(away, _NO_RISE), counts * r.no_idle_rise)
    static = static_speed(
        BEST_LN_MIXTURE, scales.static_rpm, 0.0, evidence.settings.ln_density, evidence.settings.ln_dry
    )
    static_rpm = _Told(_ln(r.static_rpm, static), r.widening * u.static_rpm_noise / static, counts * r.has_static)
    idle_rpm = _Told(_ln(r.idle_rpm, speed), r.widening * u.idle_rpm_noise / speed, counts * r.has_idle_rpm)
    return Aims(
        _aim([full], distance(here.full), _MIXTURE_SPREAD),
        _aim([risen, judged, not_risen], here.idle - c.best, _MIXTURE_SPREAD),
        _aim([static_rpm], 0.0, scales.static_spread),
        _aim([idle_rpm], 0.0, PRIORS["idle_rpm"].spread),
    )


def _middling(evidence: Evidence) -> Unknowns:
    """An engine in the middle of the prior, columns of one row."""
    still, middle = np.zeros((1, CHANGES)), dict.fromkeys(STANDARD, np.zeros((1, 1)))
    return unknowns_from(middle, np.array([evidence.prior.centre]), still, still, evidence)


def _with_the_same_parts(evidence: Evidence) -> _F:
    """1 for runs with the needle, its fitting and the parts that are at the pivot, else 0, (n,)."""
    pairs = [(getattr(evidence.settings, name), getattr(evidence.pivot, name)) for name in LOADS]
    return np.all([np.all(rows == there, axis=1) for rows, there in pairs], axis=0).astype(float)


def _judged(level: _F, c: Cuts) -> tuple[_F, _F]:
    """Middle of what an idle judgement stands for and how wide that is, as a logistic scale; (1, n) both."""
    ends = [c.stumbling - _OUTER, c.stumbling, c.smooth_lean, c.smooth_rich, c.loading, c.loading + _OUTER]
    at = np.concatenate(ends, axis=1)[0]
    k = level.astype(int)
    return 0.5 * (at[k - 1] + at[k])[None], 0.25 * (at[k] - at[k - 1])[None]


def _slope(x: _F, curve: RoundedTent) -> _F:
    """Slope of a curve at x, in its own units."""
    slope: _F = curve.scale * np.maximum(x / np.hypot(x, curve.width), _LEAST_SLOPE)
    return slope


def _ln(read: _F, expected: _F) -> _F:
    """Ln of a reading over what was expected; of none, which is not looked at, nought."""
    return np.log(np.where(read > 0.0, read, expected) / expected)


def _aim(told: Sequence[_Told], centre: _F | float, spread: float) -> TailTransform:
    """One aim, from all kinds of reading that tell of it, and from where it was believed to be before any run."""
    at, scale, counts = (np.concatenate([np.ravel(x) for x in each]) for each in zip(*told, strict=True))
    number = max(float(counts.sum()), 1.0)
    # readings that disagree tell as little as they scatter, and what lies between them has no tails
    scatter = (counts * (at - (counts * at).sum() / number) ** 2).sum() / number
    sharp = (UNIT * scale) ** 2
    weights = counts / (sharp + scatter)
    both = weights.sum() + spread**-2.0
    middle = ((weights * at).sum() + spread**-2.0 * np.sum(centre)) / both
    # misreadings weigh the less the more readings there are
    tailed = (weights * sharp / (sharp + scatter)).sum() / both / np.sqrt(number)
    unit, bend = float(both**-0.5), float(BEND * tailed)
    # far out a unit of the coordinate is `bend · unit · z²`: as much as was believed before where this begins to count
    return TailTransform(float(middle), unit, bend, min(bend, _EVEN * math.sqrt(bend * unit / spread)))
