"""Expected information gain about the unknowns that matter, nuisances integrated out.

``I = E log p(y | θ) − E log p(y)`` over the posterior's own draws. Some draws serve as truths, some
of the others as the mixture that stands for ``p(y)``. For ``p(y | θ)`` the mixture is as many draws,
those nearest in θ, after everything the readings depend on has been moved to the truth's θ along a
fitted cubic (regression adjustment; Beaumont, Zhang & Balding 2002, Genetics 162:2025). What the
regression leaves over is the nuisance. Where latents follow from θ alone the estimate is ordinary
nested Monte Carlo with reused draws (Rainforth et al. 2018, arXiv:1709.06181).

The logarithm of a mean over few draws comes out too low. Both mixtures are therefore of the same
size, so that the errors cancel where a run teaches little, and both are corrected by the difference
to their halves (Quenouille 1956, doi:10.1093/biomet/43.3-4.353, from memory).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from shared.advice import Information

__all__ = ["Experiment", "Study", "expected_information"]

_FLOOR = 1e-9  # least weight, so that no mixture is empty
_LARGEST_CORRECTION = 3.0  # of a logarithm [nats]: beyond it a single draw makes up the mean


@dataclass(frozen=True)
class Experiment:
    """A possible run.

    Parameters
    ----------
    theta : array, (draws, k)
        The unknowns that matter.
    latents : array, (draws, q)
        Every unknown quantity on which a reading depends, nuisances included, each of any real value.
    log_density : callable
        ``(truths, latents) -> (m, n)``: log density of the readings drawn for truths (indices, shape (m,))
        given latents (q, m, n) or (q, 1, n), in the precision these come in. Readings are drawn once, when the
        experiment is made, so that candidates share their noise.
    """

    theta: NDArray[np.float64]
    latents: NDArray[np.float64]
    log_density: Callable[[NDArray[np.int64], NDArray[Any]], NDArray[Any]]


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


def _log_mean(log_values: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Ln of the weighted mean along the second axis, corrected for the bias of a logarithm by its two halves."""
    top = np.max(log_values, axis=1)
    weighed = np.exp(log_values - top[:, None]) * weights
    halves = [(weighed[:, i::2].sum(axis=1), weights[:, i::2].sum(axis=1)) for i in (0, 1)]
    whole = np.log(sum(x for x, _ in halves) / sum(w for _, w in halves))
    with np.errstate(divide="ignore"):  # a half that holds nothing calls for the largest correction
        mean = 0.5 * sum(np.log(x / w) for x, w in halves)
    corrected: NDArray[np.float64] = top + whole + np.clip(whole - mean, 0.0, _LARGEST_CORRECTION)
    return corrected


class Study:
    """Truths and mixtures chosen once for one θ, so that every experiment on it is judged with the same draws.

    Parameters
    ----------
    theta : array, (draws, k)
        The unknowns that matter.
    rng : numpy.random.Generator
        Chooses which draws serve as truths and which as mixture.
    truths, others : int
        How many of each; fewer where there are not as many draws.

    Attributes
    ----------
    mixture : array of int, (others,)
        Numbers of the draws that serve as mixture.
    """

    def __init__(
        self, theta: NDArray[np.float64], rng: np.random.Generator, truths: int = 256, others: int = 384
    ) -> None:
        order = rng.permutation(len(theta))
        count = min(truths, len(theta) // 2)
        self._truth, self._rest = order[:count], order[count:]
        self._other = self._rest[:others]
        self.mixture: NDArray[np.int64] = self._other
        z = _whitened(theta)
        self._basis = np.linalg.qr(_features(z))[0]
        self._nearest, self._weights = _nearest(z[self._truth], z[self._rest], len(self._other))

    def weights(self, everywhere: NDArray[np.float64]) -> NDArray[np.float64]:
        """Weights of the mixture's draws after each truth's readings, from their log densities, (m, others)."""
        w = np.exp(everywhere - everywhere.max(axis=1, keepdims=True))
        normal: NDArray[np.float64] = w / w.sum(axis=1, keepdims=True)
        return normal

    def information(self, experiment: Experiment) -> Information:
        """Expected information gain about θ [nats], with its Monte Carlo standard error over the truths.

        Parameters
        ----------
        experiment : Experiment
            Its `theta` is the study's.
        """
        return self.judge(experiment)[0]

    def judge(self, experiment: Experiment) -> tuple[Information, NDArray[np.float64]]:
        """The information, and how each truth's readings would weigh the mixture's draws, (m, others)."""
        latents, truth = experiment.latents, self._truth
        on_theta = (self._basis @ (self._basis.T @ latents)).T
        # single precision: it is a million times finer than the Monte Carlo error, and half the memory to go through
        left_over, fitted = (x.astype(np.float32) for x in (latents.T - on_theta, on_theta))
        moved = left_over[:, self._rest[self._nearest]] + fitted[:, truth, None]
        conditional = _log_mean(experiment.log_density(truth, moved), self._weights)
        everywhere = latents.T[:, None, self._other].astype(np.float32)
        unconditional = experiment.log_density(truth, everywhere)
        gain = conditional - _log_mean(unconditional, np.ones((1, len(self._other))))
        information = Information(float(gain.mean()), float(gain.std(ddof=1) / np.sqrt(len(truth))))
        return information, self.weights(unconditional)


def expected_information(
    experiment: Experiment, rng: np.random.Generator, truths: int = 256, others: int = 384
) -> Information:
    """Expected information gain of a single experiment [nats]; parameters as `Study`."""
    return Study(experiment.theta, rng, truths, others).information(experiment)


def _whitened(theta: NDArray[np.float64]) -> NDArray[np.float64]:
    """Θ on its principal axes, each of unit variance; an axis along which nothing varies stays at zero."""
    z = (theta - theta.mean(axis=0)) / (theta.std(axis=0) + 1e-300)
    left, size, _ = np.linalg.svd(z, full_matrices=False)
    whitened: NDArray[np.float64] = left * np.sqrt(len(z)) * (size > 1e-9 * size[0])
    return whitened


def _nearest(
    truths: NDArray[np.float64], rest: NDArray[np.float64], count: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The `count` nearest of the rest to each truth, (m, count), weighted to fall off to the farthest of them."""
    distance, index = KDTree(rest).query(truths, k=count)
    farthest = distance[:, -1:] + 1e-300
    weights: NDArray[np.float64] = 1.0 - (distance / farthest) ** 2 + _FLOOR
    return index, weights
