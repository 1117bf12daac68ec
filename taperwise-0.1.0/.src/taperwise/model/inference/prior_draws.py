"""Engines as they may be before any run: draws from an engine's prior, out of standard normals."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.dataset import Evidence, gather
from taperwise.model.inference.engine_prior import EXPERT, POOLED, EnginePrior
from taperwise.model.physics.backend import NUMPY
from taperwise.model.physics.mixture import Unknowns, gain_prior, gains_from_units, gap_of
from taperwise.model.physics.priors import CHANGES, from_standard
from taperwise.shared.records import Installation

__all__ = ["STANDARD", "draw_unknowns", "unknowns_from"]

STANDARD = tuple(n for n in Unknowns.names() if n not in ("ln_full", "ln_idle", "first", "second"))
"""Unknowns that are a function of one number each, nought in the middle of the expert's prior."""


def draw_unknowns(
    installation: Installation,
    rng: np.random.Generator,
    prior: EnginePrior = EXPERT,
    draws: int = 1,
    evidence: Evidence | None = None,
) -> Unknowns:
    """Unknowns from an engine's prior, as columns of so many draws, pivoted as `evidence` or at the start position."""
    z = {n: rng.standard_normal((draws, 1)) for n in STANDARD if n != "needle_step"}
    first, second = (rng.standard_normal((draws, CHANGES)) for _ in range(2))
    gains = [rng.standard_normal((draws, 1)) for _ in range(2)]
    # from a stream of its own, so that engines with measured needles are drawn as if there were none
    z["needle_step"] = rng.spawn(1)[0].standard_normal((draws, 1))
    epsilon = np.concatenate([*(z[n] for n in POOLED[:-2]), *gains], axis=1)
    theta = np.array(prior.centre) + epsilon @ np.array(prior.root).T
    if prior.odd:
        theta = np.where(rng.random((draws, 1)) < prior.odd, epsilon, theta)
    return unknowns_from(z, theta, first, second, evidence or gather(installation, ()))


def unknowns_from(
    z: Mapping[str, NDArray[np.float64]],
    theta: NDArray[np.float64],
    first: NDArray[np.float64],
    second: NDArray[np.float64],
    evidence: Evidence,
) -> Unknowns:
    """Unknowns at the pivot of a log from what they are a function of.

    Parameters
    ----------
    z : mapping
        Of each of `STANDARD`, (draws, 1); what is pooled is not looked at.
    theta : array, (draws, p)
        Pooled unknowns in units of the expert prior.
    first, second : array, (draws, changes)
    evidence : Evidence
    """
    shared = {n: theta[:, [i]] for i, n in enumerate(POOLED[:-2])}
    values = {n: from_standard(n, x, NUMPY) for n, x in (dict(z) | shared).items()}
    values["cylinder_gap"] = gap_of(values["cylinder_spread"], values["cylinder_gap"], evidence.scales)
    zero = np.zeros((len(theta), 1))
    u = Unknowns(ln_full=zero, ln_idle=zero, first=first, second=second, **values)
    full, idle = gains_from_units(theta[:, [-2]], theta[:, [-1]], gain_prior(u, evidence.pivot, evidence.throttle))
    return replace(u, ln_full=full, ln_idle=idle)
