"""The scale that what is pooled is told in: the unknowns, each one's unit, and the columns of the regression.

What was told in another scale means something else, so it is neither fitted together with ours nor served.
"""

import hashlib

from taperwise.model.inference.engine_prior import POOLED
from taperwise.model.physics.priors import PRIORS
from taperwise.model.population.covariates import COVARIATES, counted_in

__all__ = ["FIRST_SCALE", "SCALE"]

_REFERENCE = 1
"""Raised when the reference setting of the gains, or the mixture expected there, comes to mean something else."""


def _scale() -> str:
    units = [f"{name} {PRIORS[name].family} {PRIORS[name].centre!r} {PRIORS[name].spread!r}" for name in POOLED]
    told = "\n".join([str(_REFERENCE), *units, *COVARIATES, *counted_in()])
    return hashlib.sha256(told.encode()).hexdigest()[:16]


SCALE = _scale()
"""Of this release: 16 hex digits."""

FIRST_SCALE = "fbb25498c956a0f9"
"""Of documents that do not say theirs, since the first pool."""
