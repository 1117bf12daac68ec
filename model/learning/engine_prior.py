"""The prior of one engine in the unknowns that engines share: the expert's, or one moved by what other engines showed.

Pooled unknowns are counted in units of the expert prior: θ = (x − centre) / spread of the prior table, on the
logarithm where the prior is lognormal. So the expert prior of θ is N(0, 1) in every pooled unknown, and any other
prior is a centre and a lower triangular root: θ = centre + root · ε.

The gains are those of the reference setting: middle needle with its mark at the slide's edge, standard air, avgas.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from model.engine.backend import NUMPY, Array
from model.engine.mixture import Settings, Throttle, Unknowns, gain_prior
from model.engine.priors import PRIORS

__all__ = ["EXPERT", "POOLED", "EnginePrior", "Standard", "pooled_of", "prior_from"]

POOLED = ("offset", "exhaust_scale", "idle_first_cut", "idle_gap_smooth", "idle_gain", "gain_full", "gain_idle")
"""Unknowns in which engines differ by kind and that decide where a needle is right; the two gains come last, because
the sampler derives them from the mixtures at the pivot. Speeds are left out (a propeller, a stop set by eye), and so
are noises and the ear (a person), and errors of a mark or a needle (a day)."""


@dataclass(frozen=True)
class EnginePrior:
    """A normal prior of the pooled unknowns, in units of the expert prior.

    Parameters
    ----------
    centre : tuple of float, (p,)
        In the order of `POOLED`.
    root : tuple of tuple of float, (p, p)
        Lower triangular, positive diagonal; its square is the covariance.
    """

    centre: tuple[float, ...]
    root: tuple[tuple[float, ...], ...]

    def array(self) -> NDArray[np.float64]:
        """Root with the centre as a last column, (p, p + 1): what the graph is fed with."""
        packed: NDArray[np.float64] = np.c_[np.array(self.root), np.array(self.centre)]
        return packed

    def covariance(self) -> NDArray[np.float64]:
        """Covariance of θ, (p, p)."""
        root = np.array(self.root)
        found: NDArray[np.float64] = root @ root.T
        return found


EXPERT = EnginePrior((0.0,) * len(POOLED), tuple(tuple(float(i == j) for j in POOLED) for i in POOLED))
"""The prior table as it stands."""


@dataclass(frozen=True)
class Standard:
    """Standard normals behind the pooled unknowns, drawn or sampled in their order.

    Parameters
    ----------
    prior : array, (p, p + 1)
        As `EnginePrior.array`.
    epsilons : tuple of array
        Those that are known so far, each a scalar or of one shape.
    """

    prior: Array
    epsilons: tuple[Array, ...] = ()

    def conditional(self) -> tuple[Array, Array]:
        """Centre and spread of the next pooled unknown given those before it, in units of the expert prior; scalars."""
        k = len(self.epsilons)
        centre = self.prior[k, len(POOLED)]
        for j, epsilon in enumerate(self.epsilons):
            centre = centre + self.prior[k, j] * epsilon
        return centre, self.prior[k, k]

    def then(self, epsilon: Array) -> "Standard":
        """With one more, of the shape of the others."""
        return Standard(self.prior, (*self.epsilons, epsilon))


def prior_from(centre: NDArray[np.float64], covariance: NDArray[np.float64]) -> EnginePrior:
    """A prior with that centre (p,) and covariance (p, p).

    Raises
    ------
    numpy.linalg.LinAlgError
        If the covariance is not positive definite.
    """
    root = np.linalg.cholesky(covariance)
    return EnginePrior(tuple(float(c) for c in centre), tuple(tuple(float(x) for x in row) for row in root))


def pooled_of(u: Unknowns, pivot: Settings, throttle: Throttle) -> NDArray[np.float64]:
    """Pooled unknowns of draws in units of the expert prior, at the reference setting, (draws, p).

    Parameters
    ----------
    pivot : Settings
        The setting at which `u.ln_full` and `u.ln_idle` are the mixtures; draws live there.
    """
    full, idle = gain_prior(u, pivot, throttle, NUMPY)
    columns = []
    for name in POOLED:
        prior = PRIORS[name]
        if name == "gain_full":
            away = u.ln_full - full
        elif name == "gain_idle":
            away = u.ln_idle - idle
        else:
            x = getattr(u, name)
            away = np.log(x / prior.centre) if prior.family == "lognormal" else x - prior.centre
        columns.append(np.reshape(away / prior.spread, -1))
    return np.stack(columns, axis=1)
