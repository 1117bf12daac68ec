"""Posteriors the sampler drew once, for tests of what is made of them: decisions, stages, wording, limits, pages.

A posterior is found by the data the sampler was given, so it serves any installation and log that come to the same
data. ``python -m tests.recorded`` runs the tests that ask for the fixture ``recorded`` with the real sampler and writes
down what it drew. What another model version or seed drew is refused.
"""

import hashlib
import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from taperwise.model import MODEL_VERSION
from taperwise.model.inference.data_packing import data_of
from taperwise.model.inference.dataset import Evidence
from taperwise.model.inference.engine_prior import prior_from
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.inference.sampler import CHAINS, Posterior, Sampler
from taperwise.model.physics.mixture import Unknowns
from taperwise.model.physics.priors import CHANGES
from taperwise.model.recommender import Recommender
from taperwise.shared.recommendation import Diagnostics

__all__ = ["COMMAND", "FILE", "SEED", "Prior", "Recorded", "Recorder", "advisor_with", "load"]

FILE = Path(__file__).with_name("posteriors.npz")
COMMAND = "python -m tests.recorded"
SEED = 20_260_101
_DRAWS = 400  # of each posterior
_STEPS = 65_535  # from the least of an unknown to its largest: two bytes a draw


def _digest(evidence: Evidence) -> str:
    """Of the data to nine digits, beyond which machines may differ."""
    told = hashlib.sha256()
    for name, values in sorted(data_of(evidence).items()):
        told.update(f"{name}{values.shape}".encode())
        told.update(" ".join(f"{x:.8e}" for x in np.ravel(values) + 0.0).encode())
    return told.hexdigest()[:16]


class _Kept(NamedTuple):
    """Draws of the unknowns side by side, (draws, columns), as steps between the ends of each column, (2, columns)."""

    steps: NDArray[np.uint16]
    ends: NDArray[np.float64]
    diagnostics: Diagnostics

    @classmethod
    def of(cls, posterior: Posterior) -> "_Kept":
        """Evenly thinned draws of a posterior."""
        drawn = np.concatenate([getattr(posterior.unknowns, name) for name in Unknowns.names()], axis=1)
        drawn = drawn[:: len(drawn) // _DRAWS][:_DRAWS]
        low, high = ends = np.array([drawn.min(axis=0), drawn.max(axis=0)])
        steps = np.rint(_STEPS * (drawn - low) / np.maximum(high - low, 1e-300))
        return cls(steps.astype(np.uint16), ends, posterior.diagnostics)

    def unknowns(self) -> Unknowns:
        """The draws as columns of each unknown."""
        low, high = self.ends
        widths = [CHANGES if name in ("first", "second") else 1 for name in Unknowns.names()]
        parts = np.split(low + (high - low) * self.steps / _STEPS, np.cumsum(widths)[:-1], axis=1)
        return Unknowns(**dict(zip(Unknowns.names(), parts, strict=True)))


class Recorded:
    """Stands in for the sampler: gives what was drawn of the same data, and draws nothing."""

    ready = True

    def __init__(self, posteriors: dict[str, _Kept]) -> None:
        self._posteriors = posteriors

    def compile(self, progress: Callable[[str], None] = print) -> None:
        """Nothing to compile."""

    def fit(self, evidence: Evidence, seed: int) -> Posterior:
        """The recorded draws, with the evidence that was asked about."""
        found = self._posteriors.get(_digest(evidence))
        if found is None or seed != SEED:
            raise LookupError(f"no posterior of this log was recorded with seed {seed}: run {COMMAND}")
        return Posterior(found.unknowns(), evidence, found.diagnostics, seed)


class Recorder(Recorded):
    """Draws with the real sampler, and keeps a few hundred draws of each posterior for `FILE`."""

    def __init__(self, sampler: Sampler) -> None:
        super().__init__({})
        self._sampler = sampler

    def fit(self, evidence: Evidence, seed: int) -> Posterior:
        """Drawn the first time, and thinned and rounded at once: a test meets what it will meet later."""
        key = _digest(evidence)
        if key not in self._posteriors:
            self._posteriors[key] = _Kept.of(self._sampler.fit(evidence, seed))
        return super().fit(evidence, seed)

    def save(self) -> None:
        """Write all that was drawn."""
        kept = sorted(self._posteriors.items())
        told = {key: asdict(found.diagnostics) for key, found in kept}
        header = json.dumps({"model_version": MODEL_VERSION, "seed": SEED, "diagnostics": told})
        steps = np.stack([found.steps for _, found in kept])
        ends = np.stack([found.ends for _, found in kept])
        np.savez_compressed(FILE, header=np.array(header), steps=steps, ends=ends)


class Prior(Recorded):
    """Stands in for the sampler: draws from a prior whatever was recorded, and says that it converged.

    Parameters
    ----------
    draws : int
    spread : float
        Of the unknowns that engines share, as a part of the prior's, around an engine drawn anew for every log; at 1
        around the prior's own centre.
    """

    def __init__(self, draws: int, spread: float = 1.0) -> None:
        super().__init__({})
        self._draws = draws
        self._spread = spread

    def fit(self, evidence: Evidence, seed: int) -> Posterior:
        """Engines as they may be before any run, or like one that may be."""
        rng = np.random.default_rng([seed, int(_digest(evidence), 16)])
        prior = evidence.prior
        if self._spread < 1.0:
            centre = np.array(prior.centre) + np.array(prior.root) @ rng.standard_normal(len(prior.centre))
            prior = prior_from(centre, self._spread**2 * prior.covariance())
        unknowns = draw_unknowns(evidence.installation, rng, prior, self._draws)
        sound = Diagnostics(1.0, 1e3, 1e3, 0, CHAINS, self._draws // CHAINS, 0, True)
        return Posterior(unknowns, evidence, sound, seed)


def load() -> Recorded:
    """What `FILE` holds.

    Raises
    ------
    RuntimeError
        If another model version or seed drew it.
    """
    with np.load(FILE) as kept:
        header = json.loads(str(kept["header"]))
        made = (header["model_version"], header["seed"])
        if made != (MODEL_VERSION, SEED):
            raise RuntimeError(
                f"{FILE.name} was drawn by model version {made[0]} with seed {made[1]}; "
                f"this is {MODEL_VERSION} with {SEED}: run {COMMAND}"
            )
        told = {key: Diagnostics(**each) for key, each in header["diagnostics"].items()}
        each = zip(told, kept["steps"], kept["ends"], told.values(), strict=True)
        return Recorded({key: _Kept(*found) for key, *found in each})


def advisor_with(sampler: Any) -> Recommender:
    """The adviser with something in the place of its sampler."""
    recommender = Recommender(SEED, cores=1)
    recommender.sampler = sampler
    return recommender
