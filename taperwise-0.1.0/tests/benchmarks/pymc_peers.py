"""The same model through the library's own door: built anew for every update, or fed with ``set_data``."""

import logging
import time
from typing import Any, NamedTuple

from taperwise.model.inference.data_packing import data_of
from taperwise.model.inference.dataset import Evidence
from taperwise.model.inference.pymc_model import build

__all__ = ["PeerTimes", "built_anew", "fed"]

_DRAWS = {"draws": 1000, "tune": 1000, "chains": 4, "progressbar": False}


class PeerTimes(NamedTuple):
    """Seconds of each update, and the sampler that was used."""

    seconds: list[float]
    sampler: str


def built_anew(updates: list[Evidence], seed: int, cores: int = 2) -> PeerTimes:
    """Build the graph and sample it with the library's defaults, for every log."""
    seconds, told = [], ""
    for evidence in updates:
        begun = time.perf_counter()
        told = _sample(build(), evidence, seed, cores)
        seconds.append(time.perf_counter() - begun)
    return PeerTimes(seconds, told)


def fed(updates: list[Evidence], seed: int, cores: int = 2) -> PeerTimes:
    """Build the graph once, outside the clock; set the data and sample with the library's defaults, for every log."""
    model = build()
    seconds, told = [], ""
    for evidence in updates:
        begun = time.perf_counter()
        told = _sample(model, evidence, seed, cores)
        seconds.append(time.perf_counter() - begun)
    return PeerTimes(seconds, told)


def _sample(model: Any, evidence: Evidence, seed: int, cores: int) -> str:
    """Set the data and sample; the name of the library that did."""
    import pymc as pm

    logging.getLogger("pymc").setLevel(logging.ERROR)
    with model:
        pm.set_data(data_of(evidence))
        tree = pm.sample(random_seed=seed, cores=cores, **_DRAWS)
    return str(tree.posterior.attrs.get("inference_library", "pymc"))
