"""How far the number of draws alone leaves a posterior's figures from what infinitely many would say."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from model.engine.mixture import Unknowns
from model.learning.sampler import Posterior
from model.setting.outlook import present, target_at

__all__ = ["ERRORS_MOST", "MEASURES", "precise", "quantities", "summaries"]

_F = NDArray[np.float64]

MEASURES = ("mean", "sd", "quantile_5", "quantile_95")
"""What is looked at of every unknown."""

ERRORS_MOST: Mapping[str, float] = {"mean": 0.028, "sd": 0.025, "quantile_5": 0.042, "quantile_95": 0.042}
"""Largest Monte Carlo standard error of each measure, in posterior standard deviations, with which a posterior counts
as settled: three and a half of them, and more, are 0.1, 0.1, 0.15 and 0.15, and in most unknowns the error is far
smaller than in the worst. Stopping where an error estimated on the way is small enough: Glynn & Whitt 1992,
doi:10.1214/aoap/1177005777."""


def quantities(posterior: Posterior) -> dict[str, _F]:
    """Draws of all scalar unknowns and of the two that matter, (chains, draws) each."""
    u = posterior.unknowns
    found = {name: getattr(u, name)[:, 0] for name in Unknowns.names() if name not in ("first", "second")}
    target = target_at(present(posterior), posterior)
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


def precise(posterior: Posterior) -> bool:
    """Whether every figure's Monte Carlo error is within `ERRORS_MOST`."""
    found = summaries(np.stack(list(quantities(posterior).values())))
    spread = found["sd"][0]
    return all(bool(np.all(found[measure][1] <= most * spread)) for measure, most in ERRORS_MOST.items())
