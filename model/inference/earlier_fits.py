"""What is kept of a fit once its log has grown: enough to hold later runs against it, and to look back on it.

A fault hypothesis begins with one of the latest runs, and the posterior before that run predicts the runs since.
Fitting those earlier logs again for every answer would cost several fits, so a few draws of each are kept, in single
precision. They are rounded before they are first used: an answer is the same whether they were kept or made again.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import astuple, dataclass, fields
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from taperwise.model import MODEL_VERSION
from taperwise.model.inference.dataset import Evidence
from taperwise.model.inference.posterior_cache import Log
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.mixture import Unknowns
from taperwise.model.physics.priors import CHANGES
from taperwise.shared.recommendation import Diagnostics

__all__ = ["CHANCES", "DRAWS", "EarlierFit", "LookedBack", "key_of"]

DRAWS = 700
"""Draws kept of a fit, at the least: each is one of every so many."""

CHANCES = ("full_throttle", "idle_mixture", "idle_speed", "both")
"""Chances kept with the draws, in this order: of each stage and of both mixtures, at the setting of the last run."""

_DIGEST = 32  # bytes
_NUMBERS = 8 * (len(CHANCES) + len(fields(Diagnostics)))  # bytes

_WIDTHS = tuple(CHANGES if name in ("first", "second") else 1 for name in Unknowns.names())


@dataclass(frozen=True)
class EarlierFit:
    """A fit as it is kept.

    Parameters
    ----------
    draws : array of float32, (draws, columns)
        The unknowns side by side, in the order of `Unknowns.names`.
    chances : array, (4,)
        As `CHANCES` names them [-].
    diagnostics : Diagnostics
        Of the whole fit.
    """

    draws: NDArray[np.float32]
    chances: NDArray[np.float64]
    diagnostics: Diagnostics

    @classmethod
    def of(cls, posterior: Posterior, chances: tuple[float, ...]) -> "EarlierFit":
        """A fit's own draws, evenly thinned and rounded."""
        u = posterior.unknowns
        step = max(1, len(u.offset) // DRAWS)
        draws = np.concatenate([getattr(u, name)[::step] for name in Unknowns.names()], axis=1)
        return cls(draws.astype(np.float32), np.array(chances), posterior.diagnostics)

    def posterior(self, evidence: Evidence, seed: int) -> Posterior:
        """The draws with the evidence and the seed they were made from."""
        parts = np.split(self.draws.astype(float), np.cumsum(_WIDTHS)[:-1], axis=1)
        unknowns = Unknowns(**dict(zip(Unknowns.names(), parts, strict=True)))
        return Posterior(unknowns, evidence, self.diagnostics, seed)

    def to_bytes(self) -> bytes:
        """As bytes, for a database: a digest of what follows, the few numbers in double precision, the draws."""
        numbers = np.array([*self.chances, *(float(x) for x in astuple(self.diagnostics))], "<f8")
        body = numbers.tobytes() + self.draws.astype("<f4").tobytes()
        return _digest(body) + body

    @classmethod
    def from_bytes(cls, kept: bytes) -> "EarlierFit":
        """From what `to_bytes` gave.

        Raises
        ------
        ValueError
            If the bytes are damaged, or hold no draws of this model.
        """
        digest, body = kept[:_DIGEST], kept[_DIGEST:]
        if _digest(body) != digest:
            raise ValueError("these bytes are no kept fit")
        numbers, draws = np.frombuffer(body[:_NUMBERS], "<f8"), np.frombuffer(body[_NUMBERS:], "<f4")
        if not np.isfinite(draws).all() or not np.isfinite(numbers[: len(CHANCES)]).all():
            raise ValueError("a draw of this kept fit is not finite")
        rhat, bulk, tail = (float(x) for x in numbers[len(CHANCES) :][:3])
        divergences, chains, drawn, refits, converged = (int(x) for x in numbers[len(CHANCES) :][3:])
        diagnostics = Diagnostics(rhat, bulk, tail, divergences, chains, drawn, refits, bool(converged))
        return cls(draws.reshape(-1, sum(_WIDTHS)), numbers[: len(CHANCES)], diagnostics)


class LookedBack(NamedTuple):
    """A fit of an earlier log: a few draws, the chances at its setting by `CHANCES`, and what a store may keep."""

    posterior: Posterior
    chances: Mapping[str, float]
    to_keep: Mapping[str, bytes]


def _digest(body: bytes) -> bytes:
    """Of bytes and the unknowns whose draws they hold."""
    return hashlib.sha256(repr((Unknowns.names(), _WIDTHS)).encode() + body).digest()


def key_of(log: Log, seed: int) -> str:
    """Name under which the fit of a log is kept: a digest of its content, the seed and the model version.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    told = log.telling()
    digest = hashlib.sha256(repr((MODEL_VERSION, seed, told.installation, told.entries)).encode())
    digest.update(told.prior.array().tobytes())
    return digest.hexdigest()
