"""A quick answer: the draws of a log weighed by what the runs since then say, until they are drawn anew.

Pareto-smoothed importance sampling (Vehtari, Simpson, Gelman, Yao & Gabry 2024, arXiv:1507.02646): given the unknowns,
runs are independent, so the likelihood of the runs since is each draw's weight. The fitted shape k̂ of the weights'
tail says whether they can be believed, and the effective number of draws that is left is held to the same bound as a
fit's.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from model.engine.air import density_ratio
from model.engine.mixture import Unknowns, mixtures
from model.learning.evidence import Evidence, readings_of, settings_of
from model.learning.likelihood import log_likelihood
from model.learning.sampler import ESS_LEAST, Posterior

__all__ = ["DRAWS", "K_HAT_MOST", "means_the_same", "reweighted"]

DRAWS = 1400
"""Draws of a quick answer: half of a fit's, for every candidate is weighed on each of them."""

K_HAT_MOST = 0.5
"""Largest k̂ that is believed: below it the weights have a finite variance (same source, which goes up to 0.7)."""


def reweighted(before: Posterior, now: Evidence) -> Posterior | None:
    """The posterior of a log from that of the log some entries ago.

    Parameters
    ----------
    before : Posterior
        Of a log whose entries `now` begins with, drawn with the same prior.
    now : Evidence
        Of the whole log.

    Returns
    -------
    Posterior or None
        `DRAWS` draws, some of them several times; `diagnostics.k_hat` is told, effective sizes count what weighing and
        taking cost, and the evidence keeps the pivot the draws belong to. None where the weights are not to be
        believed, or draws mean something else by now (a change fell out of those held apart, a gauge more).
    """
    then = before.evidence
    if not (means_the_same(then, now) and before.diagnostics.converged):
        return None
    ln_weights, k_hat = _smoothed(_ln_likelihood(before, now))
    weights = np.exp(ln_weights)
    efficiency = float(1.0 / (np.sum(weights**2) * len(weights)))
    told = before.diagnostics
    # at least: to take as many draws with the weights' chances would add that much, and they are taken evenly
    bulk, tail = (1.0 / (1.0 / (efficiency * ess) + 1.0 / DRAWS) for ess in (told.ess_bulk_min, told.ess_tail_min))
    if not (k_hat <= K_HAT_MOST and min(bulk, tail) >= ESS_LEAST):
        return None
    taken = _systematic(weights, DRAWS, np.random.default_rng([before.seed, 6]))
    u = before.unknowns
    return Posterior(
        Unknowns(*(getattr(u, name)[taken] for name in Unknowns.names())),
        replace(now, pivot=then.pivot),
        replace(told, ess_bulk_min=bulk, ess_tail_min=tail, k_hat=k_hat),
        before.seed,
    )


def means_the_same(then: Evidence, now: Evidence) -> bool:
    """Whether draws of one part of a log, whose unknowns are those of the other, are under one prior and one scale."""
    return (then.scales, then.first_change, then.prior) == (now.scales, now.first_change, now.prior)


def _ln_likelihood(before: Posterior, now: Evidence) -> NDArray[np.float64]:
    """Of all readings since then, one figure a draw."""
    since = now.trail[before.evidence.runs :]
    u = before.unknowns
    if not since:
        return np.zeros(len(u.offset))
    rows = [(position, float(np.log(density_ratio(run.air)))) for position, run in since]
    settings = settings_of(now.installation, rows, now.first_change)
    ends = mixtures(u, settings, before.evidence.pivot, now.throttle)
    each = log_likelihood(readings_of([run for _, run in since]), u, ends, settings, now.scales)
    total: NDArray[np.float64] = np.broadcast_to(each, (len(u.offset), len(rows))).sum(axis=1)
    return total


def _smoothed(ln_ratios: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Weights that sum to one, as logarithms, and k̂; where nothing distinguishes the draws it is zero."""
    from arviz_stats.base import array_stats

    if np.ptp(ln_ratios) == 0.0:
        return np.full(len(ln_ratios), -np.log(len(ln_ratios))), 0.0
    ln_weights, k_hat = array_stats.psislw(-ln_ratios)  # it is made for leaving out, and turns the sign
    return np.asarray(ln_weights), float(k_hat)


def _systematic(weights: NDArray[np.float64], count: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """So many numbers of draws, each as often as its weight says, rounded up or down."""
    at = (rng.random() + np.arange(count)) / count
    taken: NDArray[np.int64] = np.minimum(np.searchsorted(np.cumsum(weights), at), len(weights) - 1)
    return taken
