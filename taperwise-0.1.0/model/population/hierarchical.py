"""How engines vary: a hierarchical model of likelihood summaries, in PyMC, the one definition for all fleet sizes.

Engine i has θᵢ = x·β + τ ∘ √w ∘ ε: a regression on what makes engines similar, a spread of its own in every pooled
unknown, and now and then (`TAILS`) an odd engine whose spread is wider, so that it does not drag the rest. What was
measured of it is a likelihood with known precision, Σ_c exp(lₙ + η·θ − θ·Λθ/2). θᵢ is integrated out in closed form;
what is sampled is β and τ, so the number of unknowns does not grow with the fleet and one compiled graph serves all.
"""

import numpy as np
import pymc as pm
import pytensor.tensor as pt

from taperwise.model.population.engine_summaries import TAILS, EngineSummaries, Priors, Tail, population_data
from taperwise.model.population.marginal_likelihood import ln_evidence

__all__ = ["build_population"]


def _nobody(unknowns: int, covariates: int) -> EngineSummaries:
    p, k = unknowns, covariates
    return EngineSummaries(np.zeros((1, 1, p, p)), np.zeros((1, 1, p)), np.zeros((1, 1)), np.zeros((1, k)))


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
        mean = pt.dot(d["covariates"], beta)
        of_all = ln_evidence(d["precision"], d["shift"], d["ln_weight"], mean, tau, np.array(tails))
        pm.Potential("ln_evidence", of_all)
    return model
