"""Summaries of many engines, stacked for the hierarchical model."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["NORMAL", "TAILS", "EngineSummaries", "Priors", "Tail", "population_data"]

_F = NDArray[np.float64]

Tail = tuple[tuple[float, float], ...]
"""Shares of engines and how many times wider the variance is among them."""

TAILS: Tail = ((0.95, 1.0), (0.05, 9.0))
"""One engine in twenty is odd, three times as far off as the others; judgement."""

NORMAL: Tail = ((1.0, 1.0),)
"""No odd ones."""


@dataclass(frozen=True)
class EngineSummaries:
    """Likelihood summaries of n engines in p pooled unknowns, as mixtures of up to m normal components.

    Parameters
    ----------
    precision : array, (n, m, p, p)
        Λ, positive semidefinite.
    shift : array, (n, m, p)
        η = Λ × the likelihood's mean.
    ln_weight : array, (n, m)
        Weight of a component; very negative where there is none.
    covariates : array, (n, k)
        First column 1.
    """

    precision: _F
    shift: _F
    ln_weight: _F
    covariates: _F

    def __len__(self) -> int:
        return len(self.covariates)

    def rows(self, which: Any) -> "EngineSummaries":
        """Some of the engines."""
        return EngineSummaries(self.precision[which], self.shift[which], self.ln_weight[which], self.covariates[which])

    @classmethod
    def of_points(cls, value: _F, spread: _F, covariates: _F | None = None) -> "EngineSummaries":
        """One unknown, measured with a known standard deviation: arrays of shape (n,)."""
        precision = np.asarray(spread, float) ** -2.0
        x = np.ones((len(precision), 1)) if covariates is None else covariates
        return cls(
            precision[:, None, None, None],
            (precision * np.asarray(value, float))[:, None, None],
            np.zeros((len(precision), 1)),
            x,
        )


@dataclass(frozen=True)
class Priors:
    """Standard deviations of β, (k, p), and scales of the half-Cauchy priors of τ, (p,)."""

    beta: _F
    tau: _F


def population_data(measured: EngineSummaries, priors: Priors) -> dict[str, _F]:
    """All data under the names the graph knows; shapes as in `Measured` and `Priors`."""
    return {
        "precision": measured.precision,
        "shift": measured.shift,
        "ln_weight": measured.ln_weight,
        "covariates": measured.covariates,
        "beta_spread": priors.beta,
        "tau_scale": priors.tau,
    }
