"""How engines vary: a hierarchical model of likelihood summaries, in PyMC, the one definition for all fleet sizes.

Engine i has θᵢ = x·β + τ ∘ √w ∘ ε: a regression on what makes engines similar, a spread of its own in every pooled
unknown, and now and then (`TAILS`) an odd engine whose spread is wider, so that it does not drag the rest. What was
measured of it is a likelihood with known precision, Σ_c exp(lₙ + η·θ − θ·Λθ/2). θᵢ is integrated out in closed form;
what is sampled is β and τ, so the number of unknowns does not grow with the fleet and one compiled graph serves all.
"""

from typing import Any

import numpy as np
import pymc as pm
import pytensor.tensor as pt

from model.pool.measured import TAILS, Measured, Priors, Tail, population_data

__all__ = ["build_population"]


def _nobody(unknowns: int, covariates: int) -> Measured:
    p, k = unknowns, covariates
    return Measured(np.zeros((1, 1, p, p)), np.zeros((1, 1, p)), np.zeros((1, 1)), np.zeros((1, k)))


def build_population(unknowns: int, covariates: int, tails: Tail = TAILS) -> pm.Model:
    """The model, with placeholder data of one engine of which nothing was measured.

    Parameters
    ----------
    unknowns, covariates : int
        p and k.
    tails : tuple

    Returns
    -------
    pymc.Model
        Free variables ``beta`` (k, p) and ``tau`` (p,).
    """
    p, k = unknowns, covariates
    placeholder = population_data(_nobody(p, k), Priors(np.ones((k, p)), np.ones(p)))
    with pm.Model() as model:
        d = {name: pm.Data(name, value) for name, value in placeholder.items()}
        z = pm.Normal("z_beta", shape=(k, p))
        beta = pm.Deterministic("beta", d["beta_spread"] * z)
        free = pm.HalfCauchy("z_tau", 1.0, shape=p)
        tau = pm.Deterministic("tau", d["tau_scale"] * free)
        mean = pt.dot(d["covariates"], beta)[:, None, :]
        each = [np.log(share) + _ln_evidence(d, mean, tau * np.sqrt(wider), p) for share, wider in tails]
        pm.Potential("ln_evidence", pt.sum(pt.logsumexp(pt.concatenate(each, axis=1), axis=1)))
    return model


def _ln_evidence(d: dict[str, Any], mean: Any, tau: Any, p: int) -> Any:
    """Ln of the component's likelihood averaged over N(mean, τ²), (n, m).

    With A = τΛτ and r = τ(η − Λμ): −½ ln|I + A| + ½ r·(I + A)⁻¹r + η·μ − ½ μ·Λμ (completing the square).
    """
    at_mean = pt.sum(d["precision"] * mean[:, :, None, :], axis=-1)
    r = tau * (d["shift"] - at_mean)
    a = d["precision"] * (tau[:, None] * tau[None, :])
    ln_root_det, half_quadratic = _solve(a, r, p)
    at_centre = pt.sum(mean * (d["shift"] - 0.5 * at_mean), axis=-1)
    return d["ln_weight"] - ln_root_det + half_quadratic + at_centre


def _solve(a: Any, r: Any, p: int) -> tuple[Any, Any]:
    """½ ln|I + A| and ½ r·(I + A)⁻¹r by a Cholesky decomposition written out, so that it runs over engines at once."""
    root: dict[tuple[int, int], Any] = {}
    forward: list[Any] = []
    ln_root_det, half = 0.0, 0.0
    for j in range(p):
        square = 1.0 + a[..., j, j] - sum((root[j, i] ** 2 for i in range(j)), 0.0)
        root[j, j] = pt.sqrt(square)
        ln_root_det = ln_root_det + 0.5 * pt.log(square)
        forward.append((r[..., j] - sum((root[j, i] * forward[i] for i in range(j)), 0.0)) / root[j, j])
        half = half + 0.5 * forward[j] ** 2
        for i in range(j + 1, p):
            root[i, j] = (a[..., i, j] - sum((root[i, m] * root[j, m] for m in range(j)), 0.0)) / root[j, j]
    return ln_root_det, half
