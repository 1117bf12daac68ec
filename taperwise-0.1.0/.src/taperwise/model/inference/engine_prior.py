"""The prior of one engine in the unknowns that engines share: the expert's, or one moved by what other engines showed.

Pooled unknowns are counted in units of the expert prior: θ = (x − centre) / spread of the prior table, on the
logarithm where the prior is lognormal. So the expert prior of θ is N(0, 1) in every pooled unknown, and any other
prior is a centre and a lower triangular root: θ = centre + root · ε. A share of engines may be unlike those the prior
comes from; for them the expert's word holds, and the runs say soon enough which it is (a robust prior: Schmidli et al.
2014, doi:10.1111/biom.12242).

The gains are those of the reference setting: middle needle with its mark at the slide's edge, standard air, avgas. That
at idle is counted from where full throttle's leads one to expect it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taperwise.model.physics.backend import NUMPY, Array, Backend
from taperwise.model.physics.mixture import Settings, Throttle, Unknowns, gain_prior, gains_in_units
from taperwise.model.physics.priors import PRIORS

__all__ = ["EXPERT", "POOLED", "EnginePrior", "ln_with_odd", "pooled_of", "prior_from"]

POOLED = ("offset", "exhaust_scale", "idle_first_cut", "idle_gap_smooth", "idle_gain", "gain_full", "gain_idle")
"""Unknowns in which engines differ by kind and that decide where a needle is right; the two gains come last, because
the sampler derives them from the mixtures at the pivot. Speeds are left out (a propeller, a stop set by eye), and so
are noises and the ear (a person), and errors of a mark or a needle (a day)."""


@dataclass(frozen=True)
class EnginePrior:
    """A prior of the pooled unknowns, in units of the expert prior: a normal, or with some chance the expert's.

    Parameters
    ----------
    centre : tuple of float, (p,)
        In the order of `POOLED`.
    root : tuple of tuple of float, (p, p)
        Lower triangular, positive diagonal; its square is the covariance of the normal.
    odd : float
        Share of engines for which the expert prior holds instead, 0 up to below 1.
    """

    centre: tuple[float, ...]
    root: tuple[tuple[float, ...], ...]
    odd: float = 0.0

    def array(self) -> NDArray[np.float64]:
        """Root, then centre and share of odd engines as a column each, (p, p + 2): what the graph is fed with."""
        packed: NDArray[np.float64] = np.c_[np.array(self.root), self.centre, np.full(len(POOLED), self.odd)]
        return packed

    def covariance(self) -> NDArray[np.float64]:
        """Covariance of θ, odd engines counted in, (p, p)."""
        root, centre = np.array(self.root), np.array(self.centre)
        alike = 1.0 - self.odd
        found: NDArray[np.float64] = (
            alike * root @ root.T + self.odd * np.eye(len(centre)) + alike * self.odd * np.outer(centre, centre)
        )
        return found


EXPERT = EnginePrior((0.0,) * len(POOLED), tuple(tuple(float(i == j) for j in POOLED) for i in POOLED))
"""The prior table as it stands."""


def prior_from(centre: NDArray[np.float64], covariance: NDArray[np.float64], odd: float = 0.0) -> EnginePrior:
    """A normal with that centre (p,) and covariance (p, p), and a share of odd engines.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the covariance is not positive definite.
    """
    root = np.linalg.cholesky(covariance)
    return EnginePrior(tuple(float(c) for c in centre), tuple(tuple(float(x) for x in row) for row in root), odd)


def ln_with_odd(prior: Array, behind: Array, shown: Array, backend: Backend = NUMPY) -> Array:
    """Ln of the prior's density over that of its normal alone: what the share of odd engines does to it.

    Parameters
    ----------
    prior : array, (p, p + 2)
        As `EnginePrior.array`.
    behind, shown : array
        Squares summed over the unknowns: of the standard normals behind them, and of themselves.

    Returns
    -------
    array, shape of `behind`
        Nought where no engine is odd.
    """
    narrowing = sum(backend.log(prior[i, i]) for i in range(len(POOLED)))
    odd = prior[0, -1]
    alike = backend.log(1.0 - odd)
    # ln of the expert's density over the normal's, with the odds of either
    return alike + backend.softplus(backend.log(odd) - alike + 0.5 * (behind - shown) + narrowing)


def pooled_of(u: Unknowns, pivot: Settings, throttle: Throttle) -> NDArray[np.float64]:
    """Pooled unknowns of draws in units of the expert prior, at the reference setting, (draws, p).

    Parameters
    ----------
    pivot : Settings
        The setting at which `u.ln_full` and `u.ln_idle` are the mixtures; draws live there.
    """
    columns = []
    for name in POOLED[:-2]:
        prior, x = PRIORS[name], getattr(u, name)
        away = np.log(x / prior.centre) if prior.family == "lognormal" else x - prior.centre
        columns.append(away / prior.spread)
    gains = gains_in_units(u.ln_full, u.ln_idle, gain_prior(u, pivot, throttle, NUMPY))
    return np.stack([np.reshape(x, -1) for x in (*columns, *gains)], axis=1)
