"""A posterior without the compiled sampler: particles led from the prior to it, in plain numpy.

Sequential Monte Carlo (Del Moral, Doucet & Jasra 2006, doi:10.1111/j.1467-9868.2006.00553.x): the likelihood is let in
by parts small enough that half of the particles stay of use, they are drawn anew by their weights, and moved until they
have forgotten where they were, by Metropolis steps that leave the normal of their own mean and covariance as it is
(Cotter et al. 2013, doi:10.1214/13-STS421). Coarser than the sampler, but it needs no minute of compiling before.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from model.engine.mixture import Unknowns, mixtures
from model.engine.priors import CHANGES, PRIORS
from model.learning.engine_prior import POOLED, EnginePrior, ln_with_odd
from model.learning.evidence import Evidence
from model.learning.likelihood import log_likelihood
from model.learning.prior_draws import STANDARD, unknowns_from
from model.learning.sampler import CHAINS, Posterior, diagnose

__all__ = ["posteriors"]

_F = NDArray[np.float64]

_DRAWS = 700  # of each of `CHAINS` crowds, which never mix: a first fit has as many
_KEPT = 0.5  # share of particles of use that is left by one part of the likelihood
_LEAST_PART = 0.005  # so that there is an end, whatever the likelihood; crowds that part then are told by R-hat
_ACCEPTED = 0.25  # share of moves to aim at
_FORGOTTEN, _FORGOTTEN_AT_LAST = 0.4, 0.1  # correlation with where particles were, of the unknown that remembers best
_MOST_MOVES, _MOST_AT_LAST = 30, 60
_GAINS = len(STANDARD)
_WIDTH = _GAINS + 2 + 2 * CHANGES
_SHARED = [*(STANDARD.index(n) for n in POOLED[:-2]), _GAINS, _GAINS + 1]


@dataclass
class _Crowd:
    """Particles as standard normals (n, d), with ln density of their prior and of two likelihoods (n,)."""

    q: _F
    prior: _F
    old: _F
    new: _F


def posteriors(evidences: Sequence[Evidence], seed: int) -> list[Posterior]:
    """Posteriors of a log as it grew.

    Parameters
    ----------
    evidences : sequence of Evidence
        Each of a longer part of one log, under one prior; unknowns mean the same in all of them
        (`model.learning.reweighting.means_the_same`).
    seed : int
        Same evidence and seed, same draws.

    Returns
    -------
    list of Posterior
        One for each; `diagnostics` compare crowds of particles as they do chains.
    """
    rng = np.random.default_rng([seed, 11])
    prior = evidences[0].prior
    q = rng.standard_normal((CHAINS * _DRAWS, _WIDTH))
    if prior.odd:
        odd = rng.random(len(q)) < prior.odd
        behind = np.linalg.solve(np.array(prior.root), (q[odd][:, _SHARED] - np.array(prior.centre)).T).T
        q[np.ix_(np.flatnonzero(odd), _SHARED)] = behind
    zero = np.zeros(len(q))
    crowd, found = _Crowd(q, _ln_prior(q, prior), zero, zero), []
    for before, evidence in zip((None, *evidences[:-1]), evidences, strict=True):
        _lead(crowd, before, evidence, rng)
        told = diagnose(_columns(crowd.q, evidence), 0)
        found.append(Posterior(_unknowns(crowd.q, evidence), evidence, told, seed))
    return found


def _lead(crowd: _Crowd, before: Evidence | None, evidence: Evidence, rng: np.random.Generator) -> None:
    """From the posterior of one part of the log to that of a longer one."""
    crowd.new = _ln_likelihood(crowd.q, evidence)
    let_in = 0.0
    while let_in < 1.0:
        part = _part(crowd.new - crowd.old, 1.0 - let_in)
        _draw_anew(crowd, part * (crowd.new - crowd.old), rng)
        let_in = 1.0 if part >= 1.0 - let_in else let_in + part
        _move(crowd, before, evidence, let_in, rng)
    crowd.old = crowd.new


def _part(ln_ratio: _F, left: float) -> float:
    """The largest part of what is left of a likelihood that leaves enough particles of use."""

    def of_use(part: float) -> float:
        w = np.exp(part * (ln_ratio - np.max(ln_ratio)))
        return float(np.sum(w) ** 2 / np.sum(w**2)) / len(w)

    if of_use(left) >= _KEPT:
        return left
    low, high = 0.0, left
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if of_use(middle) >= _KEPT else (low, middle)
    return max(low, min(_LEAST_PART, left))


def _draw_anew(crowd: _Crowd, ln_weight: _F, rng: np.random.Generator) -> None:
    """Each crowd by its own weights, evenly."""
    taken = []
    for i in range(CHAINS):
        w = np.exp(ln_weight[i * _DRAWS : (i + 1) * _DRAWS] - np.max(ln_weight))
        at = (rng.random() + np.arange(_DRAWS)) / _DRAWS * np.sum(w)
        taken.append(i * _DRAWS + np.minimum(np.searchsorted(np.cumsum(w), at), _DRAWS - 1))
    which = np.concatenate(taken)
    crowd.q, crowd.prior, crowd.old, crowd.new = (x[which] for x in (crowd.q, crowd.prior, crowd.old, crowd.new))


def _move(crowd: _Crowd, before: Evidence | None, evidence: Evidence, let_in: float, rng: np.random.Generator) -> None:
    """Until where particles were is forgotten."""
    prior, at_last = evidence.prior, let_in == 1.0
    began = crowd.q.copy()
    mean = began.mean(axis=0)
    root = np.linalg.cholesky(np.cov(began.T) + 1e-6 * np.eye(_WIDTH))
    away = np.linalg.solve(root, (crowd.q - mean).T).T
    step = 0.4
    for _ in range(_MOST_AT_LAST if at_last else _MOST_MOVES):
        # now and then a short step: a long one hardly ever leaves a far tail
        each = step * np.where(rng.random((len(away), 1)) < 0.25, 0.3, 1.0)
        there = np.sqrt(1.0 - each**2) * away + each * rng.standard_normal(away.shape)
        q = mean + there @ root.T
        ln_prior, new = _ln_prior(q, prior), _ln_likelihood(q, evidence)
        old = np.zeros(len(q)) if before is None or at_last else _ln_likelihood(q, before)
        now = crowd.prior + let_in * crowd.new + (1.0 - let_in) * crowd.old + 0.5 * np.sum(away**2, axis=1)
        then = ln_prior + let_in * new + (1.0 - let_in) * old + 0.5 * np.sum(there**2, axis=1)
        goes = np.log(rng.random(len(q))) < then - now
        away[goes], crowd.q[goes] = there[goes], q[goes]
        crowd.prior[goes], crowd.old[goes], crowd.new[goes] = ln_prior[goes], old[goes], new[goes]
        step = float(np.clip(step * np.exp(np.mean(goes) - _ACCEPTED), 0.05, 0.95))
        if _remembered(began, crowd.q) < (_FORGOTTEN_AT_LAST if at_last else _FORGOTTEN):
            break


def _remembered(began: _F, q: _F) -> float:
    """Correlation of the unknown that remembers best."""
    x, y = began - began.mean(axis=0), q - q.mean(axis=0)
    return float(np.max(np.sum(x * y, axis=0) / np.sqrt(np.sum(x**2, axis=0) * np.sum(y**2, axis=0))))


def _theta(q: _F, prior: EnginePrior) -> _F:
    found: _F = np.array(prior.centre) + q[:, _SHARED] @ np.array(prior.root).T
    return found


def _ln_prior(q: _F, prior: EnginePrior) -> _F:
    """Of standard normals, the share of odd engines counted in, up to a constant."""
    ln_normal: _F = -0.5 * np.sum(q**2, axis=1)
    if not prior.odd:
        return ln_normal
    behind, shown = np.sum(q[:, _SHARED] ** 2, axis=1), np.sum(_theta(q, prior) ** 2, axis=1)
    together: _F = ln_normal + ln_with_odd(prior.array(), behind, shown)
    return together


def _unknowns(q: _F, evidence: Evidence) -> Unknowns:
    z = {n: q[:, [i]] for i, n in enumerate(STANDARD)}
    # its spread is the installation's own
    z["static_rpm"] = z["static_rpm"] * float(evidence.scales.static_spread) / PRIORS["static_rpm"].spread
    first, second = q[:, _GAINS + 2 : _GAINS + 2 + CHANGES], q[:, _GAINS + 2 + CHANGES :]
    return unknowns_from(z, _theta(q, evidence.prior), first, second, evidence)


def _ln_likelihood(q: _F, evidence: Evidence) -> _F:
    u = _unknowns(q, evidence)
    ends = mixtures(u, evidence.settings, evidence.pivot, evidence.throttle)
    each = log_likelihood(evidence.readings, u, ends, evidence.settings, evidence.scales)
    total: _F = np.broadcast_to(each, (len(q), len(evidence.settings.needle_m))).sum(axis=1)
    return total


def _columns(q: _F, evidence: Evidence) -> dict[str, _F]:
    u = _unknowns(q, evidence)
    return {name: getattr(u, name).reshape(CHAINS, _DRAWS, -1) for name in Unknowns.names()}
