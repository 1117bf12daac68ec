"""Where readings put what gauges would show at the pivot, and how sharply: the sampler walks around that.

The aims are a matter of coordinates alone: wherever they point, the posterior is the same.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from model.engine.exhaust import distance, mixture_for_rise
from model.engine.idle import BEST_WIDTH
from model.engine.mixture import LOADS, Cuts, Unknowns, cuts, mixtures
from model.engine.priors import CHANGES, PRIORS
from model.engine.static_speed import BEST_LN_MIXTURE, static_speed
from model.learning.evidence import Evidence
from model.learning.geometry import Bent
from model.learning.prior_draws import STANDARD, unknowns_from

__all__ = ["BEND", "UNIT", "Aims", "aims"]

_F = NDArray[np.float64]

UNIT = 1.5
"""Logistic scales of a reading to a unit of the coordinate; it and the bend by the quantiles of `noise.draw`."""

BEND = 0.83
"""Bend of the coordinate of what a single reading tells."""

_MIXTURE_SPREAD = 0.25
"""Of ln mixture before any run, where the orifice stands included."""

_NO_RISE = 0.05
"""Of ln mixture, as a logistic scale: how near the best it is where idle speed did not rise."""

_OUTER = 0.2
"""Of ln mixture: how far the outer judgements reach."""

_LEAST_SLOPE = 0.3
"""Of a curve near its peak over that far from it: closer to the peak a reading is no sharper than there."""


class Aims(NamedTuple):
    """At the distances from the peaks on the reference curves, full throttle and idle, and at ln of the speeds over
    the expected ones, static and idle.
    """

    full: Bent
    idle: Bent
    static_rpm: Bent
    idle_rpm: Bent


def aims(evidence: Evidence) -> Aims:
    """The aims of one log.

    Only runs with the parts of the pivot count; an engine in the middle of the prior carries what they showed over to
    the pivot's setting.
    """
    r, scales, pivot, throttle = evidence.readings, evidence.scales, evidence.pivot, evidence.throttle
    u = _middling(evidence)
    here, there = (mixtures(u, s, pivot, throttle) for s in (pivot, evidence.settings))
    counts = _with_the_same_parts(evidence)

    rise = np.hypot(r.rise_share * u.rise_noise, r.rise_error)
    x = np.expm1(mixture_for_rise(r.rise, u.exhaust_scale, u.exhaust_width))
    full = _aim(
        distance(np.log1p(x) + here.full - there.full),
        rise / u.exhaust_scale / _slope(x, u.exhaust_width),
        counts * r.has_rise,
        (distance(here.full), _MIXTURE_SPREAD),
    )
    speed = scales.idle_rpm * np.exp(u.idle_air_power * (there.opening - here.opening))
    full_height = speed * u.idle_gain
    lost = r.idle_rise / full_height
    x = np.sqrt(lost * (lost + 2.0 * BEST_WIDTH))
    c = cuts(u)
    level_at, level_scale = _judged(r.level, c)
    away = here.idle - there.idle
    rise = r.widening * u.idle_rise_noise / full_height / _slope(x, BEST_WIDTH)
    idle = _aim(
        np.concatenate([x + away, level_at - c.best + away, away], axis=1),
        np.concatenate([rise, level_scale, np.full_like(away, _NO_RISE)], axis=1),
        np.concatenate([counts * r.has_idle_rise, counts * r.has_level, counts * r.no_idle_rise]),
        (here.idle - c.best, _MIXTURE_SPREAD),
    )
    static = static_speed(BEST_LN_MIXTURE, scales.static_rpm, 0.0, evidence.settings.ln_density)
    return Aims(
        full,
        idle,
        _aim(
            _ln(r.static_rpm, static),
            r.widening * u.static_rpm_noise / static,
            counts * r.has_static,
            (0.0, scales.static_spread),
        ),
        _aim(
            _ln(r.idle_rpm, speed),
            r.widening * u.idle_rpm_noise / speed,
            counts * r.has_idle_rpm,
            (0.0, PRIORS["idle_rpm"].spread),
        ),
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


def _slope(x: _F, width: _F | float) -> _F:
    """Slope of a rounded tent at x over that far from its peak."""
    return np.maximum(x / np.hypot(x, width), _LEAST_SLOPE)


def _ln(read: _F, expected: _F) -> _F:
    """Ln of a reading over what was expected; of none, which is not looked at, nought."""
    return np.log(np.where(read > 0.0, read, expected) / expected)


def _aim(at: _F, scale: _F, counts: _F, before: tuple[_F | float, float]) -> Bent:
    """One aim.

    Parameters
    ----------
    at, scale : array, (1, n)
        Where each reading puts it and how widely, as a logistic scale.
    counts : array, (n,)
        1 for readings that count, else 0.
    before : tuple of float
        Centre and spread before any run.
    """
    number = max(float(counts.sum()), 1.0)
    # readings that disagree tell as little as they scatter, and what lies between them has no tails
    scatter = (counts * (at - (counts * at).sum() / number) ** 2).sum() / number
    sharp = (UNIT * scale) ** 2
    weights = counts / (sharp + scatter)
    told, prior = weights.sum(), before[1] ** -2.0
    both = told + prior
    middle = ((weights * at).sum() + prior * np.sum(before[0])) / both
    # misreadings weigh the less the more readings there are
    tailed = (weights * sharp / (sharp + scatter)).sum() / both / np.sqrt(number)
    return Bent(float(middle), float(both**-0.5), float(BEND * tailed))
