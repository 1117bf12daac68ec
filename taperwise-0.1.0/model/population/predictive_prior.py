"""From the population to the prior of a new engine, with what it rests on."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.engine_prior import EXPERT, POOLED, EnginePrior, prior_from
from taperwise.model.population.covariates import COVARIATES, Kind, columns
from taperwise.model.population.engine_summaries import TAILS, Priors
from taperwise.model.population.fitting import Population

__all__ = ["ODD_SHARE", "POPULATION_PRIORS", "PriorBasis", "Served", "predictive_prior"]

_F = NDArray[np.float64]

_GAINS = tuple(POOLED.index(n) for n in ("gain_full", "gain_idle"))
_FADE = 0.2  # share of the expert's variance over which the pool's word fades out; judgement

ODD_SHARE = TAILS[1][0]
"""Chance that a new engine is unlike the pool's, so that the expert's word holds for it [-]: as many as are odd in it.
Twice as many cost engines like the pool's most of what it saves them, since what is called tuned has to be right with a
chance of nine in ten."""

POPULATION_PRIORS = Priors(
    beta=np.outer([0.7] + [0.4] * (len(COVARIATES) - 1), np.ones(len(POOLED))),
    tau=np.full(len(POOLED), 0.5),
)
"""In units of the expert prior: half of its variance may lie in the common centre, the rest between kinds and between
engines of a kind; judgement."""


@dataclass(frozen=True)
class PriorBasis:
    """What a prior rests on.

    Parameters
    ----------
    engines : int
        Engines in the pool; 0: the expert prior.
    similar : float
        Effective number of similar ones: that many of this very kind, perfectly measured, would place its centre as
        well (mean over the two gains).
    narrower_full, narrower_idle : float
        Spread of the mixture at either end over that of the expert prior, odd engines counted in [-].
    """

    engines: int
    similar: float
    narrower_full: float
    narrower_idle: float


@dataclass(frozen=True)
class Served:
    """A prior and what it rests on."""

    prior: EnginePrior
    rests: PriorBasis


EXPERT_SERVED = Served(EXPERT, PriorBasis(0, 0.0, 1.0, 1.0))
"""Nothing pooled."""


def predictive_prior(population: Population, kind: Kind) -> Served:
    """Prior of a new engine of a kind.

    The predictive distribution of an engine like the pool's is matched by a normal in mean and covariance. Where it is
    nearly as wide as the expert prior, or wider, in some direction, the expert's word is taken there; and in all of
    them for the share of engines that are unlike the pool's.
    """
    x = columns(kind)
    lines = np.einsum("k,dkp->dp", x, population.beta)
    between = np.mean(population.tau**2, axis=0)
    within = np.cov(lines.T)
    centre, covariance = _faded(lines.mean(axis=0), within + np.diag(between))
    prior = prior_from(centre, covariance, ODD_SHARE)
    similar = [float(np.median(population.tau[:, g]) ** 2 / within[g, g]) for g in _GAINS]
    spread = np.sqrt(np.diag(prior.covariance()))
    return Served(
        prior,
        PriorBasis(
            population.engines,
            min(float(np.mean(similar)), float(population.engines)),
            float(spread[_GAINS[0]]),
            float(spread[_GAINS[1]]),
        ),
    )


def _faded(centre: _F, covariance: _F) -> tuple[_F, _F]:
    """Pool and expert mixed in every direction by how much the pool knows there; never wider than the expert."""
    values, vectors = np.linalg.eigh(covariance)
    trust = np.clip((1.0 - values) / _FADE, 0.0, 1.0)
    along = vectors.T @ centre
    mixed = trust * values + (1.0 - trust) + trust * (1.0 - trust) * along**2
    kept = np.clip(mixed, 1e-4, 1.0)
    return vectors @ (trust * along), (vectors * kept) @ vectors.T
