"""What one engine's runs say of the pooled unknowns, and nothing else: its posterior with the prior divided out.

A normal likelihood in natural form, precision and precision times mean, because in a direction of which nothing was
learned the precision is nought and there is no mean. Where one normal does not describe the draws, a mixture of a few.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.engine_prior import POOLED, pooled_of
from taperwise.model.inference.sampler import Posterior
from taperwise.model.population.covariates import Kind, columns
from taperwise.model.population.engine_summaries import EngineSummaries

__all__ = ["MIXTURE_FROM_NATS", "Component", "Summary", "stack_summaries", "summarise", "summary_of_draws"]

_BY_CHANCE = 4.0  # standard errors of a mean that show by chance
_F = NDArray[np.float64]

MIXTURE_FROM_NATS = 0.01
"""Held-out draws must be that much likelier under a mixture for it to be used instead of one normal [nats a draw]."""

_MOST_COMPONENTS = 3
_NOBODY = -1e9  # ln weight of a component that is not there


@dataclass(frozen=True)
class Component:
    """One normal component of a likelihood: exp(ln_weight + shift·θ − θ·precision·θ/2)."""

    precision: _F
    shift: _F
    ln_weight: float = 0.0


@dataclass(frozen=True)
class Summary:
    """What one engine's runs say of the pooled unknowns.

    Parameters
    ----------
    components : tuple of Component
        One where a normal describes the draws.
    nats : float
        How much likelier held-out draws are under the best mixture than under one normal [nats a draw].
    """

    components: tuple[Component, ...]
    nats: float


def summarise(posterior: Posterior) -> Summary:
    """Summary of a fit; the normal prior it was made with is divided out, whichever it was.

    Raises
    ------
    ValueError
        If the prior counts with odd engines: that is no normal, and a fit under the expert's says the same.
    """
    evidence = posterior.evidence
    if evidence.prior.odd:
        raise ValueError("only a fit under a normal prior can be summarised")
    theta = pooled_of(posterior.unknowns, evidence.pivot, evidence.throttle)
    centre, root = np.array(evidence.prior.centre), np.array(evidence.prior.root)
    return summary_of_draws(theta, centre, root, posterior.diagnostics.ess_bulk_min, posterior.seed)


def summary_of_draws(theta: _F, centre: _F, root: _F, ess: float, seed: int) -> Summary:
    """Summary of draws (n, p) from a posterior whose prior was N(centre, root rootᵀ).

    Parameters
    ----------
    ess : float
        Effective number of draws. A direction in which the posterior is narrower than the prior by no more than so
        many draws show by chance counts as not learned: the least eigenvalue of a covariance of n draws in p
        dimensions falls to (1 − √(p/n))² (Marchenko and Pastur 1967, doi:10.1070/SM1967v001n04ABEH001994).
    """
    epsilon = np.linalg.solve(root, (theta - centre).T).T
    weights, means, covariances, nats = _mixture(epsilon, seed)
    inverse = np.linalg.inv(root)
    components = []
    for share, mean, covariance in zip(weights, means, covariances, strict=True):
        components.append(_without_prior(share, mean, covariance, ess * share, centre, inverse))
    top = max(c.ln_weight for c in components)
    return Summary(tuple(Component(c.precision, c.shift, c.ln_weight - top) for c in components), nats)


def _mixture(epsilon: _F, seed: int) -> tuple[_F, _F, _F, float]:
    """Weights, means and covariances of the fewest normals that describe the draws, and what the best mixture gains."""
    from sklearn.mixture import GaussianMixture

    fit, held = epsilon[::2], epsilon[1::2]
    scores = []
    for count in range(1, _MOST_COMPONENTS + 1):
        made = GaussianMixture(count, random_state=seed % 2**32, reg_covar=1e-6).fit(fit)
        scores.append(float(made.score(held)))
    gains = np.array(scores) - scores[0]
    enough = [i for i, g in enumerate(gains) if g >= max(gains) - MIXTURE_FROM_NATS]
    best = GaussianMixture(enough[0] + 1, random_state=seed % 2**32, reg_covar=1e-6).fit(epsilon)
    return best.weights_, best.means_, best.covariances_, float(max(gains))


def _without_prior(share: float, mean: _F, covariance: _F, ess: float, centre: _F, inverse: _F) -> Component:
    """A component of the posterior divided by the prior, whitened as N(0, 1), and put back into expert units."""
    p = len(mean)
    values, vectors = np.linalg.eigh(covariance)
    shrunk = max(ess - p - 2.0, 1.0) / ess  # an inverse of a sample covariance is too large on average
    edge = max(1.0 - np.sqrt(p / ess), 0.1) ** 2 if ess > p else 0.0
    learned = values < edge
    gained = np.where(learned, np.maximum(shrunk / values - 1.0, 0.0), 0.0)
    moved_there = vectors.T @ mean
    # a direction may be moved and hardly narrowed: that is learned, too
    shifted = np.abs(moved_there) > _BY_CHANCE * np.sqrt(values / ess)
    pull = np.where(learned | shifted, shrunk * moved_there / values, 0.0)
    precision, shift = (vectors * gained) @ vectors.T, vectors @ pull
    mass = 0.5 * np.sum(pull**2 / (1.0 + gained)) - 0.5 * np.sum(np.log1p(gained))
    outer = inverse.T @ precision @ inverse
    moved = inverse.T @ shift + outer @ centre
    constant = -float(shift @ (inverse @ centre)) - 0.5 * float(centre @ outer @ centre)
    return Component(0.5 * (outer + outer.T), moved, float(np.log(share) - mass) + constant)


def stack_summaries(contributions: Sequence[tuple[Summary, Kind]]) -> EngineSummaries:
    """Contributions laid out for the population."""
    n, m, p = len(contributions), max(len(s.components) for s, _ in contributions), len(POOLED)
    precision, shift = np.zeros((n, m, p, p)), np.zeros((n, m, p))
    ln_weight = np.full((n, m), _NOBODY)
    for i, (summary, _) in enumerate(contributions):
        for j, c in enumerate(summary.components):
            precision[i, j], shift[i, j], ln_weight[i, j] = c.precision, c.shift, c.ln_weight
    return EngineSummaries(precision, shift, ln_weight, np.stack([columns(kind) for _, kind in contributions]))
