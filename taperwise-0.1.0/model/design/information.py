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

Few truths leave most of the error. So a rough gain, from mixtures of a handful of draws, is worked out for
every draw there is; what the truths' gains have in common with it is taken from the mean over all
(control variates; Owen, Monte Carlo theory, methods and examples, 2013, section 8.9, from memory).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.distance import cdist

from taperwise.shared.recommendation import Information

__all__ = ["Experiment", "Study", "expected_information"]

_FLOOR = 1e-9  # least weight, so that no mixture is empty
_LARGEST_CORRECTION = 3.0  # of a logarithm [nats]: beyond it a single draw makes up the mean
_ROUGH = 8  # draws in either mixture of the rough gain: where one has more, their errors have less in common
_PARTS = 4  # of a mixture, to see its own share of the error


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


class _Means(NamedTuple):
    """Ln of weighted means over a mixture, (m,), and over each of its parts, (m, parts)."""

    whole: NDArray[np.float64]
    parts: NDArray[np.float64]


def _in_parts(weights: NDArray[np.float64], part: NDArray[np.int64]) -> NDArray[np.float64]:
    """Weights, (m, n), in a column for the part of the mixture that each belongs to, (m, n, parts)."""
    found: NDArray[np.float64] = weights[:, :, None] * (part[:, :, None] == np.arange(_PARTS))
    return found


def _log_means(log_values: NDArray[Any], weights: NDArray[np.float64]) -> _Means:
    """Means along the second axis, the whole one corrected for the bias of a logarithm by its two halves.

    Parameters
    ----------
    weights : array, (m, n, parts) or (1, n, parts)
        As `_in_parts`.
    """
    top = np.max(log_values, axis=1)
    x = (np.exp(log_values - top[:, None])[:, None, :] @ weights)[:, 0]
    w = weights.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):  # a part that holds nothing calls for the largest correction
        whole = np.log(x.sum(axis=1) / w.sum(axis=1))
        halves = [np.log(x[:, i::2].sum(axis=1) / w[:, i::2].sum(axis=1)) for i in (0, 1)]
        correction = np.nan_to_num(whole - 0.5 * (halves[0] + halves[1]))
        parts = np.nan_to_num(np.log(x / w) - whole[:, None], nan=0.0)
    corrected = top + whole + np.clip(correction, 0.0, _LARGEST_CORRECTION)
    return _Means(corrected, np.clip(parts, -_LARGEST_CORRECTION, _LARGEST_CORRECTION))


def _plain_log_mean(log_values: NDArray[Any]) -> NDArray[np.float64]:
    top = log_values.max(axis=1)
    found: NDArray[np.float64] = top + np.log(np.exp(log_values - top[:, None]).mean(axis=1))
    return found


def _with_control(
    gain: NDArray[np.float64], rough: NDArray[np.float64], truths: NDArray[np.int64]
) -> tuple[float, float]:
    """Mean of `gain`, known for the truths, (m,), with what it shares with `rough`, known for all, (n, features).

    Returns the mean and its standard error: of what is not shared over the truths, of what is over all draws.
    """
    away = rough - rough.mean(axis=0)
    left, size, _ = np.linalg.svd(away / (away.std(axis=0) + 1e-12), full_matrices=False)
    axes = left[:, size > 1e-6 * size[0]] * np.sqrt(len(rough))
    design = np.column_stack([np.ones(len(gain)), axes[truths]])
    (mean, *shared), *_ = np.linalg.lstsq(design, gain, rcond=None)
    rest = gain - design @ np.array([mean, *shared])
    m, k = design.shape
    own = (rest @ rest) / max(m - k, 1) / m * (1.0 + k / m)
    return float(mean), float(np.sqrt(own + np.square(shared).sum() / len(rough)))


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
    truths : array of int, (truths,)
        Numbers of those that serve as truths.
    """

    def __init__(
        self, theta: NDArray[np.float64], rng: np.random.Generator, truths: int = 256, others: int = 384
    ) -> None:
        order = rng.permutation(len(theta))
        count = min(truths, len(theta) // 2)
        self._truth, self._rest = order[:count], order[count:]
        self._other = self._rest[:others]
        self.mixture: NDArray[np.int64] = self._other
        self.truths: NDArray[np.int64] = self._truth
        self._theta = theta[self._other]
        z = _whitened(theta)
        self._powers = _features(z)
        self._basis = np.linalg.qr(self._powers)[0]
        nearest, weights = _nearest(z[self._truth], z[self._rest], len(self._other))
        self._given, self._given_weights = self._rest[nearest], _in_parts(weights, nearest % _PARTS)
        even = np.arange(len(self._other))[None, :]
        self._weights = _in_parts(np.ones(even.shape), even % _PARTS)

    def weights(self, everywhere: NDArray[np.float64]) -> NDArray[np.float64]:
        """Weights of the mixture's draws after each truth's readings, from their log densities, (m, others)."""
        w = np.exp(everywhere - everywhere.max(axis=1, keepdims=True))
        normal: NDArray[np.float64] = w / w.sum(axis=1, keepdims=True)
        return normal

    def expected_sds(self, weights: NDArray[np.float64]) -> tuple[float, ...]:
        """Standard deviations of θ that are expected after a run, (k,).

        Parameters
        ----------
        weights : array, (m, others)
            As `judge` gives them.
        """
        mean, square = weights @ self._theta, weights @ self._theta**2
        return tuple(float(x) for x in np.sqrt(np.maximum(square - mean**2, 0.0)).mean(axis=0))

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
        truth, latents = self._truth, experiment.latents
        on_theta = self._basis @ (self._basis.T @ latents)
        # single precision: it is a million times finer than the Monte Carlo error, and half the memory to go through
        plain, fitted, left_over = (x.T.astype(np.float32) for x in (latents, on_theta, latents - on_theta))
        moved = np.take(left_over, self._given, axis=1) + fitted[:, truth, None]
        given = _log_means(experiment.log_density(truth, moved), self._given_weights)
        everywhere = experiment.log_density(truth, plain[:, None, self._other])
        anyone = _log_means(everywhere, self._weights)
        mean, error = _with_control(
            given.whole - anyone.whole, self._rough(experiment, plain, fitted, left_over), truth
        )
        # the truths share draws in both mixtures, the same ones where there is little to learn
        shared = np.std((given.parts - anyone.parts).mean(axis=0), ddof=1) / np.sqrt(_PARTS)
        return Information(mean, float(np.hypot(error, shared))), self.weights(everywhere)

    def reweighted(self, experiment: Experiment) -> NDArray[np.float64]:
        """How each truth's readings would weigh the mixture's draws, (m, others); the information left out."""
        plain = experiment.latents.T.astype(np.float32)
        return self.weights(experiment.log_density(self._truth, plain[:, None, self._other]))

    def _rough(
        self, experiment: Experiment, plain: NDArray[Any], fitted: NDArray[Any], left_over: NDArray[Any]
    ) -> NDArray[np.float64]:
        """What the gain of every draw's readings may have in common with rough figures of it, (draws, features)."""
        everyone = np.arange(len(experiment.theta))
        few = self._rest[-_ROUGH:]
        at_theta = experiment.log_density(everyone, fitted[:, :, None])
        given = experiment.log_density(everyone, fitted[:, :, None] + left_over[:, None, few])
        anyone = experiment.log_density(everyone, plain[:, None, few])
        rough = np.stack([_plain_log_mean(x) for x in (at_theta, given, anyone)], axis=1)
        # squares are of the order, not of the value: a wild reading would outweigh all others
        order = rough.argsort(axis=0).argsort(axis=0) / len(rough) - 0.5
        products = [order**2, order[:, [1]] * order[:, [2]]]
        return np.column_stack([rough, order, *products, self._powers[:, 1:]])


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
    square = cdist(truths, rest, "sqeuclidean")
    index = np.argpartition(square, count - 1, axis=1)[:, :count]
    near = np.take_along_axis(square, index, axis=1)
    weights: NDArray[np.float64] = 1.0 - near / (near.max(axis=1, keepdims=True) + 1e-300) + _FLOOR
    return index, weights
