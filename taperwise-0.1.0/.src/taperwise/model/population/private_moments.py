"""A population from moments that noise was added to: what remains useful when single owners have to stay hidden.

Every owner gives one vector of bounded length: the pooled unknowns of their engines as the expert prior and their
summaries see them, the squares of these, and a one. Only the sum over owners, noise added, leaves this room.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.engine_prior import POOLED
from taperwise.model.population.covariates import COVARIATES
from taperwise.model.population.fitting import Population
from taperwise.model.population.summary import Summary

__all__ = ["SENSITIVITY", "owner_vector", "population_of_moments"]

_F = NDArray[np.float64]

_CLIP, _CLIP_SQUARES = 3.0, 4.0  # longest vector of unknowns, and of their squares
SENSITIVITY = math.sqrt(_CLIP**2 + _CLIP_SQUARES**2 + 1.0)
"""Most that the sum moves when one owner comes or goes, in Euclidean length."""

_DRAWS = 2000


def owner_vector(summaries: Sequence[Summary]) -> _F:
    """One owner's vector (2 p + 1,), of no more than `SENSITIVITY` in length, however many engines they have."""
    means, squares = [], []
    for summary in summaries:
        mean, second = _moments(summary)
        means.append(mean)
        squares.append(second)
    first = _clipped(np.mean(means, axis=0), _CLIP)
    return np.concatenate([first, _clipped(np.mean(squares, axis=0), _CLIP_SQUARES), [1.0]])


def _moments(summary: Summary) -> tuple[_F, _F]:
    """Mean of θ under N(0, 1) times the likelihood, and E θ² of it, (p,) each."""
    weights, means, variances = [], [], []
    for c in summary.components:
        covariance = np.linalg.inv(c.precision + np.eye(len(c.shift)))
        mean = covariance @ c.shift
        weights.append(c.ln_weight + 0.5 * c.shift @ mean + 0.5 * np.linalg.slogdet(covariance)[1])
        means.append(mean)
        variances.append(np.diag(covariance))
    w = np.exp(np.array(weights) - max(weights))
    w /= w.sum()
    return w @ np.array(means), w @ (np.array(means) ** 2 + np.array(variances))


def _clipped(x: _F, longest: float) -> _F:
    length = float(np.linalg.norm(x))
    return x * min(1.0, longest / length) if length else x


def population_of_moments(noisy: _F, noise: float, seed: int = 1) -> Population:
    """The population from the noisy sum (2 p + 1,): a common centre and a spread, no regression.

    E θ² less the centre's square is what a new engine's θ varies by; clipped vectors and means drawn to the expert's
    make it err towards the expert prior. The noise is counted into the centre's own uncertainty.

    Parameters
    ----------
    noise : float
        Standard deviation of what was added to every entry.
    """
    p = len(POOLED)
    count = max(noisy[-1], 1.0)
    centre, second = noisy[:p] / count, noisy[p : 2 * p] / count
    tau = np.sqrt(np.clip(second - centre**2, 0.05, 1.0))
    uncertain = noise / count + tau / math.sqrt(count)
    rng = np.random.default_rng(seed)
    beta = np.zeros((_DRAWS, len(COVARIATES), p))
    beta[:, 0] = centre + uncertain * rng.standard_normal((_DRAWS, p))
    spreads = np.broadcast_to(tau, (_DRAWS, p)).copy()
    return Population(beta, spreads, round(count), "noisy moments", 1.0, float(_DRAWS))
