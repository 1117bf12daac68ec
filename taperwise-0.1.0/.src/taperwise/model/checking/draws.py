"""What a posterior says of each reading: its log likelihood, and readings as they would be drawn again. Plain numpy."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taperwise.model.checking.observed import (
    IDLE,
    draw_reading,
    kinds,
    level_chances,
    levels_of,
    log_reading,
    peaks,
)
from taperwise.model.inference.dataset import Evidence
from taperwise.model.inference.likelihood import Around, Scattered, scattered
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.inference.readings import Readings
from taperwise.model.physics import noise
from taperwise.model.physics.backend import NUMPY
from taperwise.model.physics.mixture import Unknowns, idle_cutpoints, mixtures

__all__ = ["of_each_reading", "of_each_run", "prior_unknowns", "read_again"]

_F = NDArray[Any]


def prior_unknowns(evidence: Evidence, draws: int, rng: np.random.Generator) -> Unknowns:
    """Unknowns as believed before the first run, at the pivot of this log: columns of so many draws."""
    return draw_unknowns(evidence.installation, rng, evidence.prior, draws, evidence)


def of_each_reading(u: Unknowns, evidence: Evidence) -> dict[str, _F]:
    """Log likelihood of every reading [nats]: by kind, (draws, runs that hold one)."""
    at = _expected(u, evidence, evidence.readings)
    found: dict[str, _F] = {}
    for kind in kinds(evidence):
        centre, scale = _of_rows(kind.around(at), kind.rows)
        if kind.upper is None:
            found[kind.name] = noise.log_density(kind.value, centre, scale)
        else:
            found[kind.name] = log_reading(kind.value, centre, scale, kind.upper, NUMPY)
    rows, levels = levels_of(evidence)
    if len(rows):
        chances = np.stack(level_chances(_of_rows(at.judged, rows), idle_cutpoints(u)))
        found[IDLE] = np.log(chances[levels, :, np.arange(len(rows))].T)
    return found


def of_each_run(each: dict[str, _F], evidence: Evidence) -> _F:
    """Log likelihood of every run [nats], (draws, runs), from that of its readings; runs are independent."""
    rows = {kind.name: kind.rows for kind in kinds(evidence)} | {IDLE: levels_of(evidence)[0]}
    draws = len(next(iter(each.values())))
    total = np.zeros((draws, len(evidence.readings.rise)))
    for name, values in each.items():
        total[:, rows[name]] += values
    return total


def read_again(u: Unknowns, evidence: Evidence, rng: np.random.Generator) -> dict[str, _F]:
    """Readings as they would be drawn at the settings of the log: by kind, (draws, runs that hold one).

    The readings of a run are drawn by one rise: that which is drawn for the run.
    """
    readings = evidence.readings
    at = _expected(u, evidence, readings)
    found: dict[str, _F] = {}
    for kind in kinds(evidence):
        found[kind.name] = draw_reading(_of_rows(kind.around(at), kind.rows), kind.upper, rng)
        if kind.name == "rise_read":
            rise, peak = (np.zeros((len(u.offset), len(readings.rise))) for _ in range(2))
            rise[:, kind.rows] = found[kind.name]
            peak[:, kind.rows] = peaks(found[kind.name], kind)
            at = _expected(u, evidence, replace(readings, rise=rise, has_rise=peak))
    rows, _ = levels_of(evidence)
    if len(rows):
        up_to = np.cumsum(level_chances(_of_rows(at.judged, rows), idle_cutpoints(u))[:4], axis=0)
        found[IDLE] = (rng.random(up_to.shape[1:]) > up_to).sum(axis=0)
    return found


def _expected(u: Unknowns, evidence: Evidence, readings: Readings) -> Scattered:
    ends = mixtures(u, evidence.settings, evidence.pivot, evidence.throttle)
    return scattered(readings, u, ends, evidence.settings, evidence.scales)


def _of_rows(around: Around, rows: NDArray[np.int64]) -> Around:
    wide = np.broadcast_arrays(*around)
    return Around(wide[0][:, rows], wide[1][:, rows])
