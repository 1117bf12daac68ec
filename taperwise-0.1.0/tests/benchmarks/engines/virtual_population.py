"""A virtual population of engines whose regression is known: for benches and for checks of the pool. Invented."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.engine_prior import POOLED, EnginePrior
from taperwise.model.population.covariates import COVARIATES, CYLINDERS, Kind, columns
from taperwise.model.population.engine_summaries import TAILS, EngineSummaries
from taperwise.shared.records import Cooling, Fuel

__all__ = ["Generating", "draw_fleet", "draw_kinds", "ordinary_population"]

_F = NDArray[np.float64]

_LEARNED = 4  # directions of which a tuning teaches something
_TYPICAL_SPREAD = 0.5  # how well it teaches them, in units of the expert prior


@dataclass(frozen=True)
class Generating:
    """What a population is drawn from: β (k, p) and τ (p,), in units of the expert prior."""

    beta: _F
    tau: _F

    def engine(self, kind: Kind) -> EnginePrior:
        """How engines of a kind vary."""
        centre, p = columns(kind) @ self.beta, len(POOLED)
        root = tuple(tuple(float(self.tau[i]) if i == j else 0.0 for j in range(p)) for i in range(p))
        return EnginePrior(tuple(float(c) for c in centre), root)


def ordinary_population(rng: np.random.Generator) -> Generating:
    """A population as the hierarchical model expects one: well inside the expert prior, kinds a little apart."""
    k, p = len(COVARIATES), len(POOLED)
    beta = np.r_[rng.normal(0.0, 0.6, (1, p)), rng.normal(0.0, 0.2, (k - 1, p))]
    return Generating(beta, rng.uniform(0.2, 0.5, p))


def draw_kinds(engines: int, rng: np.random.Generator) -> list[Kind]:
    """Kinds of so many engines; there are about a hundred different ones."""
    speeds = rng.integers(-1, 2, engines)
    cylinders = rng.choice(4, engines, p=(0.15, 0.6, 0.2, 0.05))
    liquid = rng.random(engines) < 0.3
    fuels = rng.choice(3, engines, p=(0.5, 0.25, 0.25))
    tapers = rng.integers(29, 32, engines)
    cooling, fuel = (Cooling.AIR, Cooling.LIQUID), tuple(Fuel)
    return [
        Kind(int(speeds[i]), CYLINDERS[cylinders[i]], cooling[int(liquid[i])], fuel[fuels[i]], int(tapers[i]))
        for i in range(engines)
    ]


def draw_fleet(engines: int, generating: Generating, rng: np.random.Generator) -> EngineSummaries:
    """Summaries of so many engines, odd ones among them; each learned a few directions of its own, normal errors."""
    p = len(POOLED)
    kinds = draw_kinds(min(engines, 2000), rng)
    rows = np.stack([columns(kind) for kind in kinds])
    x = rows if len(kinds) == engines else rows[rng.integers(len(kinds), size=engines)]
    odd = rng.random((engines, 1)) < TAILS[1][0]
    wider = np.where(odd, np.sqrt(TAILS[1][1]), 1.0)
    theta = x @ generating.beta + generating.tau * wider * rng.standard_normal((engines, p))
    # a root (p, q) of the precision of each, so that what was read is root·θ + N(0, 1)
    root = rng.standard_normal((engines, p, _LEARNED)) / (_TYPICAL_SPREAD * np.sqrt(p))
    read = np.einsum("npq,np->nq", root, theta) + rng.standard_normal((engines, _LEARNED))
    precision = root @ np.swapaxes(root, 1, 2)
    shift = np.einsum("npq,nq->np", root, read)
    return EngineSummaries(precision[:, None], shift[:, None], np.zeros((engines, 1)), x)
