"""One log as few arrays, under the names by which the compiled sampler takes them; each more costs compiling."""

from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from model.engine.mixture import Settings, Throttle
from model.learning.evidence import Evidence

__all__ = ["LOADS", "PLAIN", "data_of"]

LOADS = ("slope_load", "mark_load", "part_load")
"""Settings that hold a column a change, in the order in which they are packed."""

PLAIN = tuple(f.name for f in fields(Settings) if f.name not in LOADS)
"""All other settings, in the order in which they are packed."""


def data_of(evidence: Evidence) -> dict[str, NDArray[np.float64]]:
    """All data of one log under the names the graph knows.

    Shapes: ``scalars`` (11,), ``readings`` (kinds, runs), ``settings`` and ``pivot`` (plain, runs or 1), their
    ``_loads`` (3, runs or 1, changes), ``prior`` (p, p + 2).
    """
    data: dict[str, NDArray[np.float64]] = {
        "scalars": np.array([*evidence.scales, *(float(getattr(evidence.throttle, f.name)) for f in fields(Throttle))]),
        "readings": np.stack(evidence.readings.rows()),
        "prior": evidence.prior.array(),
    }
    for prefix, record in (("settings", evidence.settings), ("pivot", evidence.pivot)):
        data[prefix] = np.stack([getattr(record, name) for name in PLAIN])
        data[f"{prefix}_loads"] = np.stack([getattr(record, name) for name in LOADS])
    return data
