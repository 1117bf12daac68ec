"""How readings scatter: densities and distribution functions, in logarithms.

Readings scatter as a logistic, one in ten of them three times as widely: the influence of a wild
reading is bounded and then fades, and every censored probability has a closed form.

All functions are elementwise: arrays of any shapes that broadcast.
"""

import math

import numpy as np
from numpy.typing import NDArray

from taperwise.model.physics.backend import NUMPY, Array, Backend

__all__ = [
    "LOGISTIC_SCALE",
    "MISJUDGED_SHARE",
    "MISREAD_SHARE",
    "MISREAD_WIDTH",
    "draw",
    "draw_level",
    "log_above",
    "log_below",
    "log_density",
    "log_judged",
    "log_level",
]

MISREAD_SHARE = 0.1
"""Share of readings taken for misread [-]; judgement."""

MISREAD_WIDTH = 3.0
"""How many times wider misread readings scatter [-]; judgement."""

MISJUDGED_SHARE = 0.05
"""Share of idle judgements that say nothing, each of the five as likely [-]; judgement."""

LOGISTIC_SCALE = math.sqrt(3.0) / math.pi
"""Scale of a logistic with standard deviation 1."""

_GOOD = 1.0 - MISREAD_SHARE


def _tails(z: Array, backend: Backend) -> tuple[Array, Array, Array, Array]:
    """|z| of the wider logistic, its exponential, the exponential's square, and that of |z| itself."""
    away = backend.maximum(z, -z) / MISREAD_WIDTH
    wide = backend.exp(-away)
    square = wide * wide
    return away, wide, square, square * wide  # the cube, since misread readings scatter three times as widely


def log_density(reading: Array, centre: Array, scale: Array, backend: Backend = NUMPY) -> Array:
    """Log density of a reading around `centre` with logistic scale `scale`, in the reading's unit.

    Notes
    -----
    A logistic's density is ``e / (1 + e)²`` with ``e = exp(−|z|)``; the wider one's exponential is taken out of the
    sum of both, so that one exponential and one logarithm do, however far the reading is off.
    """
    away, wide, square, narrow = _tails((reading - centre) / scale, backend)
    good, bad = _GOOD * square / (1.0 + narrow) ** 2, MISREAD_SHARE / MISREAD_WIDTH / (1.0 + wide) ** 2
    return backend.log((good + bad) / scale) - away


def log_below(limit: Array, centre: Array, scale: Array, backend: Backend = NUMPY) -> Array:
    """Log probability that the reading falls below `limit` (left-censored reading)."""
    z = (limit - centre) / scale
    away, wide, square, narrow = _tails(z, backend)
    good = _GOOD * backend.where(z < 0.0, square, 1.0) / (1.0 + narrow)
    return backend.log(good + MISREAD_SHARE / (1.0 + wide)) - backend.where(z < 0.0, away, 0.0)


def log_above(limit: Array, centre: Array, scale: Array, backend: Backend = NUMPY) -> Array:
    """Log probability that the reading falls above `limit` (right-censored reading)."""
    return log_below(-limit, -centre, scale, backend)


def log_level(
    level: Array, ln_mixture: Array, lower: Array, upper: Array, blur: Array, backend: Backend = NUMPY
) -> Array:
    """Log probability of an ordered judgement: the mixture, blurred, falls between two cuts.

    Parameters
    ----------
    level : array of int
        1 to 5; at 1 `lower` and at 5 `upper` is not looked at.
    lower, upper : array
        Cuts below and above the level [ln phi]; ``lower < upper``.
    blur : array
        Logistic scale of the judge [ln phi].
    """
    to_upper = (upper - ln_mixture) / blur
    to_lower = (lower - ln_mixture) / blur
    gap = backend.maximum(to_upper - to_lower, 1e-9)
    # F(b) − F(a) = F(b) (1 − F(a)) (1 − e^(a−b)) for a logistic F
    inner = -backend.softplus(-to_upper) - backend.softplus(to_lower) + backend.log(1.0 - backend.exp(-gap))
    return backend.where(
        level < 1.5,
        -backend.softplus(-to_upper),
        backend.where(level > 4.5, -backend.softplus(to_lower), inner),
    )


def log_judged(log_probability: Array, backend: Backend = NUMPY) -> Array:
    """Log probability of a judgement by an ear that says nothing once in a while."""
    return backend.logaddexp(math.log1p(-MISJUDGED_SHARE) + log_probability, math.log(MISJUDGED_SHARE / 5.0))


def draw_level(level: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """Judgements as they are given: `level`, and now and then any of the five."""
    shape = np.shape(level)
    return np.where(rng.random(shape) < MISJUDGED_SHARE, rng.integers(1, 6, shape), level)


def draw(centre: NDArray[np.float64], scale: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """Readings around `centre` with logistic scale `scale`; shapes broadcast."""
    shape = np.broadcast_shapes(np.shape(centre), np.shape(scale))
    wide = np.where(rng.random(shape) < MISREAD_SHARE, MISREAD_WIDTH, 1.0)
    return centre + wide * rng.logistic(0.0, 1.0, shape) * scale
