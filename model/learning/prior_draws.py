"""Engines as they may be before any run: draws from an engine's prior."""

from dataclasses import replace

import numpy as np

from model.engine.backend import NUMPY
from model.engine.mixture import Unknowns, gain_prior
from model.engine.priors import CHANGES, PRIORS, from_standard
from model.learning.engine_prior import EXPERT, POOLED, EnginePrior
from model.learning.evidence import gather
from shared.records import Installation

__all__ = ["draw_unknowns"]


def draw_unknowns(
    installation: Installation, rng: np.random.Generator, prior: EnginePrior = EXPERT, draws: int = 1
) -> Unknowns:
    """Unknowns from an engine's prior, as columns of so many draws, pivoted at the start position."""
    names = [n for n in Unknowns.names() if n not in ("ln_full", "ln_idle", "first", "second")]
    z = {n: rng.standard_normal((draws, 1)) for n in names}
    first, second = (rng.standard_normal((draws, CHANGES)) for _ in range(2))
    gains = [rng.standard_normal((draws, 1)) for _ in range(2)]
    epsilon = np.concatenate([*(z[n] for n in POOLED[:-2]), *gains], axis=1)
    theta = np.array(prior.centre) + epsilon @ np.array(prior.root).T
    if prior.odd:
        theta = np.where(rng.random((draws, 1)) < prior.odd, epsilon, theta)
    z |= {n: theta[:, [i]] for i, n in enumerate(POOLED[:-2])}
    values = {n: from_standard(n, z[n], NUMPY) for n in names}
    zero = np.zeros((draws, 1))
    u = Unknowns(ln_full=zero, ln_idle=zero, first=first, second=second, **values)
    evidence = gather(installation, ())
    full, idle = gain_prior(u, evidence.pivot, evidence.throttle)
    return replace(
        u,
        ln_full=full + PRIORS["gain_full"].spread * theta[:, [-2]],
        ln_idle=idle + PRIORS["gain_idle"].spread * theta[:, [-1]],
    )
