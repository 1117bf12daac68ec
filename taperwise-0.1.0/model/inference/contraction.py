"""How much of each unknown some runs have taught: the share of the prior's variance that is gone."""

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.engine_prior import POOLED, pooled_of
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.mixture import Unknowns
from taperwise.model.physics.priors import PRIORS

__all__ = ["LEARNED", "share_learned"]

_GAINS = {"gain_full": "ln_full", "gain_idle": "ln_idle"}
LEARNED = tuple(n for n in PRIORS if n in _GAINS or (n in Unknowns.names() and n not in ("first", "second")))
"""Unknowns that are one number an engine; errors of a mark and effects of a part come and go with changes."""


def share_learned(posterior: Posterior) -> dict[str, float]:
    """Share of the expert prior's variance that is gone, by unknown; below zero where it has grown.

    Parameters
    ----------
    posterior : Posterior

    Returns
    -------
    dict of float
        For each of `LEARNED`, 0 where nothing was learned, 1 where all is known [-].
    """
    u, evidence = posterior.unknowns, posterior.evidence
    pooled = pooled_of(u, evidence.pivot, evidence.throttle)
    found = {}
    for name in LEARNED:
        z = pooled[:, POOLED.index(name)] if name in _GAINS else _standard(name, getattr(u, name)[:, 0])
        if name == "cylinder_gap":  # counted as `gap_of` does
            z = (u.cylinder_gap / u.cylinder_spread)[:, 0]
            z = (z - float(evidence.scales.seen_mean)) / float(evidence.scales.seen_deviation)
        if name == "static_rpm":  # its spread is the installation's own
            z = z * PRIORS[name].spread / float(evidence.scales.static_spread)
        found[name] = 1.0 - float(np.var(z))
    return found


def _standard(name: str, x: NDArray[np.float64]) -> NDArray[np.float64]:
    """An unknown as the standard normal it comes from; the inverse of `priors.from_standard`."""
    prior = PRIORS[name]
    if prior.family == "lognormal":
        x = np.log(x / prior.centre)
        return x / prior.spread
    if prior.family == "half":
        share = 2.0 * (x - 0.5)
        x = np.log(share / (1.0 - share))
    return (x - prior.centre) / prior.spread
