"""How far a posterior of the service's own size lies from a long reference, in the reference's standard deviations."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.dataset import gather
from taperwise.model.inference.sampler import ESS_LEAST, FIRST_TRY, Posterior
from taperwise.model.physics.mixture import Unknowns
from taperwise.model.prediction.setting_draws import predict_current, target_at
from taperwise.model.recommender import Recommender
from taperwise.shared.records import Installation
from tests.benchmarks.histories import History

__all__ = ["BOUNDS", "MEASURES", "Compared", "compare", "figures", "quantities", "summaries"]

_F = NDArray[np.float64]

MEASURES = ("mean", "sd", "quantile_5", "quantile_95")
"""What is compared of every unknown."""

BOUNDS = {"mean": 0.15, "sd": 0.15, "quantile_5": 0.25, "quantile_95": 0.25}
"""Largest error of each measure that counts as agreement: of mean and quantiles in the reference's standard deviations,
of the standard deviation as a share."""

_GEOMETRY = {**FIRST_TRY, "draws": 1000}


@dataclass(frozen=True)
class Compared:
    """One history: errors of every unknown by measure, with the Monte Carlo errors of both sides together.

    Parameters
    ----------
    name : str
    unknowns : tuple of str
    errors, monte_carlo : dict
        By measure, (unknowns,), signed.
    divergences : int
        At 4 × 1,000 draws of the first try's settings.
    ess, ess_of_two : float
        The least over unknowns, bulk and tail, of those draws; and over the two that matter.
    refits, chains : int
        How often the service itself had to draw again; chains it drew.
    converged, reference_converged : bool
    """

    name: str
    unknowns: tuple[str, ...]
    errors: dict[str, _F]
    monte_carlo: dict[str, _F]
    divergences: int
    ess: float
    ess_of_two: float
    refits: int
    chains: int
    converged: bool
    reference_converged: bool

    @property
    def failing(self) -> bool:
        """Whether something is wrong with it beyond Monte Carlo error."""
        return not self.converged or self.divergences > 0 or any(self.beyond(m, 1.96).any() for m in MEASURES)

    def beyond(self, measure: str, errors_allowed: float) -> NDArray[np.bool_]:
        """Which unknowns are beyond the bound by more than so many Monte Carlo errors."""
        far: NDArray[np.bool_] = (
            np.abs(self.errors[measure]) - errors_allowed * self.monte_carlo[measure] > BOUNDS[measure]
        )
        return far


def compare(recommender: Recommender, installation: Installation, history: History, draws: int) -> Compared:
    """Learn a history as the service does, once more for its geometry, and at length for the reference.

    Parameters
    ----------
    draws : int
        Of each of the reference's four chains.
    """
    evidence, seed, sampler = gather(installation, history.entries), recommender.seed, recommender.sampler
    ours, drawn = recommender.fit(installation, history.entries), sampler.fit_once(evidence, seed, _GEOMETRY)
    geometry, two = drawn.diagnostics, quantities(drawn)
    # another seed, another adaptation, smaller steps
    careful = {"draws": draws, "tune": 2000, "target_accept": 0.95}
    reference = sampler.fit_once(evidence, seed + 104_729, careful)
    mine, theirs = quantities(ours), quantities(reference)
    errors, monte_carlo = _errors(np.stack(list(mine.values())), np.stack(list(theirs.values())))
    return Compared(
        name=history.name,
        unknowns=tuple(mine),
        errors=errors,
        monte_carlo=monte_carlo,
        divergences=geometry.divergences,
        ess=min(geometry.ess_bulk_min, geometry.ess_tail_min),
        ess_of_two=_least_ess(np.stack([two["offset_turns"], two["taper_misfit"]])),
        refits=ours.diagnostics.refits,
        chains=ours.diagnostics.chains,
        converged=ours.diagnostics.converged,
        reference_converged=reference.diagnostics.converged,
    )


def _errors(mine: _F, theirs: _F) -> tuple[dict[str, _F], dict[str, _F]]:
    """Errors and their Monte Carlo errors by measure, from draws (unknowns, chains, draws)."""
    ours, reference = summaries(mine), summaries(theirs)
    spread = reference["sd"][0]
    errors = {name: (ours[name][0] - reference[name][0]) / spread for name in MEASURES}
    monte_carlo = {name: np.hypot(ours[name][1], reference[name][1]) / spread for name in MEASURES}
    return errors, monte_carlo


def _least_ess(draws: _F) -> float:
    """The least effective sample size, bulk and tail, of unknowns (unknowns, chains, draws)."""
    from arviz_stats.base import array_stats

    kinds: tuple[dict[str, Any], ...] = ({"method": "bulk"}, {"method": "tail", "prob": (0.05, 0.95)})
    return min(float(np.min(array_stats.ess(draws, chain_axis=1, draw_axis=2, **kind))) for kind in kinds)


def figures(compared: list[Compared]) -> dict[str, Any]:
    """Figures over all histories and unknowns.

    `scatter_over_monte_carlo` is the root mean square of errors over their Monte Carlo errors: near one where nothing
    but the number of draws stands between the two.
    """
    errors = {m: np.concatenate([c.errors[m] for c in compared]) for m in MEASURES}
    monte_carlo = {m: np.concatenate([c.monte_carlo[m] for c in compared]) for m in MEASURES}
    most = {m: round(float(np.max(np.abs(errors[m]))), 4) for m in MEASURES}

    def share(allowed: float) -> dict[str, float]:
        return {m: round(float(np.mean(np.concatenate([c.beyond(m, allowed) for c in compared]))), 5) for m in MEASURES}

    return {
        "max_mean_error_sd": most["mean"],
        "max_sd_error": most["sd"],
        "max_quantile_error_sd": max(most["quantile_5"], most["quantile_95"]),
        "worst": {m: _worst(compared, m) for m in MEASURES},
        "share_beyond": share(0.0),
        "share_beyond_monte_carlo": share(1.96),
        "scatter_over_monte_carlo": {
            m: round(float(np.sqrt(np.mean((errors[m] / monte_carlo[m]) ** 2))), 3) for m in MEASURES
        },
        "divergences": sum(c.divergences for c in compared),
        "min_ess": round(min(c.ess for c in compared), 1),
        "min_ess_of_two": round(min(c.ess_of_two for c in compared), 1),
        "histories_below_least": sum(c.ess < ESS_LEAST for c in compared),
        "refits": sum(c.refits for c in compared),
        "failing": [c.name for c in compared if c.failing],
        "reference_not_converged": [c.name for c in compared if not c.reference_converged],
    }


def _worst(compared: list[Compared], measure: str) -> str:
    worst = max(compared, key=lambda c: float(np.max(np.abs(c.errors[measure]))))
    return f"{worst.unknowns[int(np.argmax(np.abs(worst.errors[measure])))]} in {worst.name}"


def quantities(posterior: Posterior) -> dict[str, _F]:
    """Draws of all scalar unknowns and of the two that matter, (chains, draws) each."""
    u = posterior.unknowns
    found = {name: getattr(u, name)[:, 0] for name in Unknowns.names() if name not in ("first", "second")}
    target = target_at(predict_current(posterior), posterior)
    found |= {"offset_turns": target.offset_turns, "taper_misfit": target.taper_misfit}
    return {name: draws.reshape(posterior.diagnostics.chains, -1) for name, draws in found.items()}


def summaries(draws: _F) -> dict[str, tuple[_F, _F]]:
    """Each measure with its Monte Carlo standard error, (unknowns,) each.

    Parameters
    ----------
    draws : array, (unknowns, chains, draws)

    Notes
    -----
    Errors are ArviZ's, after Vehtari et al. 2021 (doi:10.1214/20-BA1221).
    """
    from arviz_stats.base import array_stats

    def error(method: str, **more: Any) -> _F:
        return np.asarray(array_stats.mcse(draws, chain_axis=1, draw_axis=2, method=method, **more))

    flat = draws.reshape(len(draws), -1)
    found = {"mean": (flat.mean(axis=1), error("mean")), "sd": (flat.std(axis=1, ddof=1), error("sd"))}
    for name, at in (("quantile_5", 0.05), ("quantile_95", 0.95)):
        found[name] = (np.quantile(flat, at, axis=1), error("quantile", prob=at))
    return found
