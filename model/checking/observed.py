"""The readings of a log by kind, each with its density and its draws: one rule for numpy and for PyMC.

A reading at or below nought of a kind that is censored there says that nothing rose; one at `upper`, that the engine
ran rough before a peak.
"""

from dataclasses import dataclass, fields, replace
from itertools import pairwise
from typing import cast

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.dataset import Evidence
from taperwise.model.inference.likelihood import NOT_RISEN, READ, Around, Scattered
from taperwise.model.inference.readings import Readings
from taperwise.model.physics import noise
from taperwise.model.physics.backend import NUMPY, Array, Backend
from taperwise.model.physics.mixture import Cuts
from taperwise.shared.meters import meters

__all__ = [
    "IDLE",
    "Kind",
    "draw_reading",
    "in_run_order",
    "kinds",
    "level_chances",
    "levels_of",
    "log_reading",
    "peaks",
]

IDLE = "idle_quality_read"
"""Name of the idle judgements: 0 stumbles lean, 2 smooth, 4 loads up rich."""

_NO_LIMIT = 1e6  # beyond any rise: an infinite one has no slope
_LEAST = 1e-9  # a rise that was read is above nought, however small


@dataclass(frozen=True)
class Kind:
    """Readings of one kind.

    Parameters
    ----------
    name : str
        ``…_read``.
    rows : array, (k,)
        Rows of the runs that hold one.
    value : array, (k,)
        What was read, or where it was censored.
    upper : array, (k,), or None
        From where a reading is censored; None for kinds that are not.
    """

    name: str
    rows: NDArray[np.int64]
    value: NDArray[np.float64]
    upper: NDArray[np.float64] | None = None

    def around(self, at: Scattered) -> Around:
        """Where the readings of this kind are expected in all runs, (n,) or (draws, n)."""
        field = self.name.removesuffix("_read")
        for meter, around in zip(meters(), at.ln_meters, strict=True):
            if field == f"ln_{meter.name}":
                return around
        found: Around = getattr(at, field)
        return found


def in_run_order(evidence: Evidence) -> Evidence:
    """The same evidence with the runs in its rows as they were made: the sampler has them by what they show."""
    order = np.argsort(evidence.run_numbers)
    if not len(order):
        return evidence
    settings = {f.name: getattr(evidence.settings, f.name)[order] for f in fields(evidence.settings)}
    return replace(
        evidence,
        settings=replace(evidence.settings, **settings),
        readings=Readings.of_rows([column[order] for column in evidence.readings.rows()]),
        run_numbers=tuple(sorted(evidence.run_numbers)),
    )


def kinds(evidence: Evidence) -> tuple[Kind, ...]:
    """All kinds that some run holds but for idle judgements, the rise of temperature first."""
    r = evidence.readings
    without = {name: getattr(r, none) for name, none in NOT_RISEN}
    found: list[tuple[str, Array, Array, Array]] = []
    for name, there in READ:
        value, held, upper = getattr(r, name), getattr(r, there), cast("Array", None)
        if name in without:
            held, upper = held + without[name], np.full(len(held), _NO_LIMIT)
            value = np.where(without[name] > 0, 0.0, np.maximum(value, _LEAST))
        if name == "rise":
            held, upper = held + r.rough, np.where(r.rough > 0, value, upper)
        found.append((name, held, value, upper))
    metered = zip(meters(), r.has_meters, r.ln_meters, strict=True)
    found += [(f"ln_{meter.name}", there, read, None) for meter, there, read in metered]
    return tuple(
        Kind(f"{name}_read", rows, value[rows], None if upper is None else upper[rows])
        for name, there, value, upper in found
        for rows in [np.flatnonzero(there)]
        if len(rows)
    )


def levels_of(evidence: Evidence) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows of the runs whose idle was judged and the judgements, 0 to 4, (k,) both."""
    rows = np.flatnonzero(evidence.readings.has_level)
    return rows, evidence.readings.level[rows].astype(int) - 1


def log_reading(value: Array, centre: Array, scale: Array, upper: Array, backend: Backend) -> Array:
    """Log density of a reading that is censored at nought and at `upper`, elementwise."""
    inside = noise.log_density(value, centre, scale, backend)
    below, above = (
        side(limit, centre, scale, backend) for side, limit in ((noise.log_below, 0.0), (noise.log_above, upper))
    )
    return backend.where(value <= 0.0, below, backend.where(value >= upper, above, inside))


def draw_reading(around: Around, upper: NDArray[np.float64] | None, rng: np.random.Generator) -> NDArray[np.float64]:
    """Readings as they would be read, shape of `around` and `upper` broadcast."""
    drawn = noise.draw(around.centre, around.scale, rng)
    return drawn if upper is None else np.clip(drawn, 0.0, upper)


def peaks(rise: Array, kind: Kind, backend: Backend = NUMPY) -> Array:
    """1 where a rise that was read or drawn is that of a peak, 0 where it is censored; shape of `rise`."""
    return backend.where((rise > 0.0) & (rise < kind.upper), 1.0, 0.0)


def level_chances(heard: Around, cuts: Cuts, backend: Backend = NUMPY) -> list[Array]:
    """Chances of the five idle judgements, leanest first, each of the shape of `heard`; they sum to 1.

    Now and then an ear says any of the five.
    """
    up_to = [backend.exp(-backend.softplus((heard.centre - cut) / heard.scale)) for cut in cuts[:4]]
    edges = [0.0 * up_to[0], *up_to, 0.0 * up_to[0] + 1.0]
    good, any_of_five = 1.0 - noise.MISJUDGED_SHARE, noise.MISJUDGED_SHARE / 5.0
    return [good * (high - low) + any_of_five for low, high in pairwise(edges)]
