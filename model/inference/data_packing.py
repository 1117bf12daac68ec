"""One log as few arrays, under the names by which the compiled sampler takes them; each more costs compiling."""

from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.coordinate_scales import aims
from taperwise.model.inference.dataset import Evidence
from taperwise.model.physics.mixture import LOADS, Settings, Throttle

__all__ = ["PLAIN", "data_of"]

PLAIN = tuple(f.name for f in fields(Settings) if f.name not in LOADS)
"""All other settings, in the order in which they are packed."""


def data_of(evidence: Evidence) -> dict[str, NDArray[np.float64]]:
    """All data of one log under the names the graph knows.

    Shapes: ``scalars`` (16,), ``readings`` (kinds, runs), ``settings`` and ``pivot`` (plain, runs or 1), their
    ``_loads`` (3, runs or 1, changes), ``prior`` (p, p + 2), ``aims`` (4, 4).
    """
    data: dict[str, NDArray[np.float64]] = {
        "scalars": np.array([*evidence.scales, *(float(getattr(evidence.throttle, f.name)) for f in fields(Throttle))]),
        "readings": np.stack(evidence.readings.rows()),
        "prior": evidence.prior.array(),
        "aims": np.array(aims(evidence)),
    }
    for prefix, record in (("settings", evidence.settings), ("pivot", evidence.pivot)):
        data[prefix] = np.stack([getattr(record, name) for name in PLAIN])
        data[f"{prefix}_loads"] = np.stack([getattr(record, name) for name in LOADS])
    return data
