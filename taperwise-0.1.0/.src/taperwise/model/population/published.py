"""What is published of a population: a normal in (β, ln τ), rounded; and which kinds enough owners stand behind."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.engine_prior import POOLED
from taperwise.model.population.covariates import COVARIATES
from taperwise.model.population.fitting import Population

__all__ = ["Published", "enough_owners", "population_of", "publish"]

_F = NDArray[np.float64]
_DECIMALS = 2  # of a mean, in units of the expert prior
_DRAWS = 2000


@dataclass(frozen=True)
class Published:
    """Hyper-parameters as they are published.

    Parameters
    ----------
    mean : array, (k p + p,)
        β by rows, then ln τ.
    covariance : array, (k p + p, k p + p)
    engines : int
    method : str
    """

    mean: _F
    covariance: _F
    engines: int
    method: str


def publish(population: Population) -> Published:
    """Mean and covariance of the hyper-parameters' draws; means rounded to a hundredth, covariances to three digits."""
    draws = np.c_[population.beta.reshape(len(population.beta), -1), np.log(population.tau)]
    covariance = np.cov(draws.T)
    digits = 10.0 ** np.floor(np.log10(np.abs(covariance) + 1e-12) - 2)
    rounded = np.round(covariance / digits) * digits
    return Published(draws.mean(axis=0).round(_DECIMALS), rounded, population.engines, population.method)


def population_of(published: Published, seed: int = 1) -> Population:
    """Draws of the population from what was published."""
    values, vectors = np.linalg.eigh(published.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    k, p = len(COVARIATES), len(POOLED)
    z = np.random.default_rng(seed).standard_normal((_DRAWS, k * p + p))
    draws = published.mean + z @ root.T
    beta, tau = draws[:, : k * p].reshape(-1, k, p), np.exp(draws[:, k * p :])
    return Population(beta, tau, published.engines, published.method, 1.0, float(_DRAWS))


def enough_owners(covariates: _F, owners: Sequence[str], floor: int) -> NDArray[np.bool_]:
    """Which engines may enter: those of kinds of which every trait is shared by enough distinct owners.

    Parameters
    ----------
    covariates : array, (n, k)
    owners : sequence of str
        Of each engine.
    floor : int
        Distinct owners that every value of every column needs; leaving one engine out may leave out others.
    """
    kept = np.ones(len(covariates), bool)
    while True:
        again = kept.copy()
        for column in covariates.T:
            for value in set(column[kept]):
                rows = kept & (column == value)
                if len({owners[int(i)] for i in np.flatnonzero(rows)}) < floor:
                    again &= ~rows
        if np.array_equal(again, kept):
            return kept
        kept = again
