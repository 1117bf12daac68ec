"""Expected information gain about the unknowns that matter, nuisances integrated out.

``I = E log p(y | θ) − E log p(y)`` over the posterior's own draws. Some draws serve as truths, the
others as the mixture that stands for ``p(y)``; for ``p(y | θ)`` they are weighted by their nearness
in θ, after their latent quantities have been moved to the truth's θ along a fitted cubic
(regression adjustment; Beaumont, Zhang & Balding 2002, Genetics 162:2025). What the regression
leaves over is the nuisance. Where latents follow from θ alone the estimate is ordinary nested Monte
Carlo with reused draws (Rainforth et al. 2018, arXiv:1709.06181).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shared.advice import Information

__all__ = ["Experiment", "expected_information"]

_BANDWIDTH = 0.35  # of the kernel, in standard deviations of θ
_FLOOR = 1e-4  # least weight, so that a truth far out still meets a mixture


@dataclass(frozen=True)
class Experiment:
    """A possible run.

    Parameters
    ----------
    theta : array, (draws, k)
        The unknowns that matter.
    latents : array, (draws, q)
        The quantities through which θ acts on the readings.
    log_density : callable
        ``(truths, others, latents) -> (m, n)``: log density of the readings drawn for truths (indices,
        shape (m,)) under the nuisances of the others (indices, (n,)), with latents (m, n, q) or (1, n, q).
        Readings are drawn once, when the experiment is made, so that candidates share their noise.
    """

    theta: NDArray[np.float64]
    latents: NDArray[np.float64]
    log_density: Callable[[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]], NDArray[np.float64]]


def _features(z: NDArray[np.float64]) -> NDArray[np.float64]:
    """All monomials of standardised θ up to the third degree."""
    k = z.shape[1]
    columns = [np.ones(len(z))]
    for i in range(k):
        columns.append(z[:, i])
        for j in range(i, k):
            columns.append(z[:, i] * z[:, j])
            columns.extend(z[:, i] * z[:, j] * z[:, m] for m in range(j, k))
    return np.stack(columns, axis=1)


def _log_mean(log_values: NDArray[np.float64], weights: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
    """Ln of the (weighted) mean along the second axis, corrected for the bias of a logarithm to second order."""
    top = np.max(log_values, axis=1, keepdims=True)
    values = np.exp(log_values - top)
    share = np.full(values.shape, 1.0 / values.shape[1]) if weights is None else weights
    share = share / share.sum(axis=1, keepdims=True)
    mean = (values * share).sum(axis=1)
    variance = (share**2 * (values - mean[:, None]) ** 2).sum(axis=1)
    result: NDArray[np.float64] = top[:, 0] + np.log(mean) + np.minimum(0.5 * variance / mean**2, 0.5)
    return result


def expected_information(
    experiment: Experiment, rng: np.random.Generator, truths: int = 256, others: int = 512
) -> Information:
    """Expected information gain about θ [nats].

    Parameters
    ----------
    experiment : Experiment
    rng : numpy.random.Generator
        Chooses which draws serve as truths and which as mixture.
    truths, others : int
        How many of each; fewer where there are not as many draws.

    Returns
    -------
    Information
        The estimate and its Monte Carlo standard error over the truths.
    """
    draws = len(experiment.theta)
    order = rng.permutation(draws)
    m = min(truths, draws // 2)
    truth, other = order[:m], order[m : m + others]
    z = (experiment.theta - experiment.theta.mean(axis=0)) / (experiment.theta.std(axis=0) + 1e-300)
    latent_other = experiment.latents[other]
    marginal = _log_mean(experiment.log_density(truth, other, latent_other[None]))
    features = _features(z)
    fitted = features @ np.linalg.lstsq(features, experiment.latents, rcond=None)[0]
    moved = latent_other[None] + fitted[truth][:, None] - fitted[other][None]
    conditional = _log_mean(experiment.log_density(truth, other, moved), _weights(z[truth], z[other]))
    gain = conditional - marginal
    return Information(float(gain.mean()), float(gain.std(ddof=1) / np.sqrt(m)))


def _weights(a: NDArray[Any], b: NDArray[Any]) -> NDArray[np.float64]:
    squared = ((a[:, None] - b[None]) ** 2).sum(axis=2)
    weights: NDArray[np.float64] = np.exp(-0.5 * squared / _BANDWIDTH**2) + _FLOOR
    return weights
