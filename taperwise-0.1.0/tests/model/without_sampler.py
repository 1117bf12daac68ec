"""Posteriors made without a sampler: engines of the prior, moved to where a test wants them."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from taperwise.model.inference.dataset import gather
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.inference.sampler import Posterior
from taperwise.shared.recommendation import Diagnostics
from taperwise.shared.records import Entry, Installation

__all__ = ["GOOD", "engines"]

GOOD = Diagnostics(1.0, 4000.0, 4000.0, 0, 4, 1000, 0, converged=True)
"""Diagnostics of a fit that can be relied on."""


def engines(
    installation: Installation, entries: Sequence[Entry], ln_full: float, spread: float = 0.0, draws: int = 400
) -> Posterior:
    """Engines of the prior, all at much the same mixture at full throttle, with a log.

    Parameters
    ----------
    entries : sequence of Entry
        Kept in the evidence; the draws are not conditioned on them.
    ln_full : float
        Middle of ln(phi / phi at peak EGT) of the leanest cylinder seen at the pivot [-].
    spread : float
        Standard deviation of that over the draws [-].
    """
    rng = np.random.default_rng(7)
    drawn = draw_unknowns(installation, rng, draws=draws)
    at_full = ln_full + spread * rng.standard_normal((draws, 1))
    return Posterior(replace(drawn, ln_full=at_full), gather(installation, entries), GOOD, 1)
