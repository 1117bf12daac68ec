"""Readings of runs as arrays, each with a mask that says where there is one."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taperwise.model.physics.noise import LOGISTIC_SCALE
from taperwise.model.physics.priors import SURENESS_WIDENS, TRACED_SHARE
from taperwise.shared.meters import meters
from taperwise.shared.runs import IdleQuality, RiseSeen, Run

__all__ = ["PLAIN_READINGS", "Readings", "readings_of", "row_of"]


@dataclass(frozen=True)
class Readings:
    """Readings of n runs, each with a mask that is 1 where there is one; all of shape (n,).

    `rise_share` is the share of the common scatter that applies to a rise, `rise_error` its own error as a logistic
    scale [K]; `widening` is how many times wider what was read off gauges and judged scatters. `spread` is the mean
    rise over the cylinders less the leanest one's [K]; every meter of `taperwise.shared.meters`, in order, as a
    logarithm.
    """

    rise: NDArray[np.float64]
    rise_share: NDArray[np.float64]
    rise_error: NDArray[np.float64]
    has_rise: NDArray[np.float64]
    fell: NDArray[np.float64]
    rough: NDArray[np.float64]
    spread: NDArray[np.float64]
    has_spread: NDArray[np.float64]
    widening: NDArray[np.float64]
    level: NDArray[np.float64]
    has_level: NDArray[np.float64]
    idle_rise: NDArray[np.float64]
    has_idle_rise: NDArray[np.float64]
    no_idle_rise: NDArray[np.float64]
    static_rpm: NDArray[np.float64]
    has_static: NDArray[np.float64]
    idle_rpm: NDArray[np.float64]
    has_idle_rpm: NDArray[np.float64]
    power_rise: NDArray[np.float64]
    has_power_rise: NDArray[np.float64]
    no_power_rise: NDArray[np.float64]
    ln_meters: tuple[NDArray[np.float64], ...]
    has_meters: tuple[NDArray[np.float64], ...]

    def rows(self) -> list[NDArray[np.float64]]:
        """All of them one after the other, (n,) each."""
        return [*(getattr(self, name) for name in PLAIN_READINGS), *self.ln_meters, *self.has_meters]

    @classmethod
    def of_rows(cls, rows: Sequence[Any]) -> "Readings":
        """From what `rows` gave, or what stands for it."""
        plain, count = len(PLAIN_READINGS), len(meters())
        found = dict(zip(PLAIN_READINGS, rows, strict=False))
        return cls(
            **found,
            ln_meters=tuple(rows[plain + i] for i in range(count)),
            has_meters=tuple(rows[plain + count + i] for i in range(count)),
        )


PLAIN_READINGS = tuple(f.name for f in fields(Readings) if f.name not in ("ln_meters", "has_meters"))
"""Columns of `Readings` but for the meters'."""


def readings_of(runs: Sequence[Run | None]) -> Readings:
    """Readings of runs; None for a row without any."""
    n = len(runs)
    columns: dict[str, NDArray[np.float64]] = {name: np.zeros(n) for name in PLAIN_READINGS}
    for i, run in enumerate(runs):
        for name, value in row_of(run).items():
            columns[name][i] = value
    for name in ("rise_share", "widening"):
        columns[name] = np.where(columns[name] > 0, columns[name], 1.0)
    columns["level"] = np.where(columns["has_level"] > 0, columns["level"], float(IdleQuality.SMOOTH))
    shown = [[None if run is None else run.metered(meter.name) for run in runs] for meter in meters()]
    return Readings(
        **columns,
        ln_meters=tuple(np.array([0.0 if x is None else math.log(x) for x in each]) for each in shown),
        has_meters=tuple(np.array([float(x is not None) for x in each]) for each in shown),
    )


def row_of(run: Run | None) -> dict[str, float]:
    """Readings of one run by column of `Readings`; what is nought is left out, meters too."""
    row: dict[str, Any] = {}
    if run is None:
        return row
    row["widening"] = SURENESS_WIDENS[run.sureness]
    if run.rise is not None:
        flag = {RiseSeen.PEAK: "has_rise", RiseSeen.FELL_AT_ONCE: "fell", RiseSeen.ROUGH_BEFORE_PEAK: "rough"}
        row |= {"rise": run.rise.kelvin, "rise_share": row["widening"], flag[run.rise.seen]: 1.0}
        if run.rise.spread_kelvin is not None:
            row |= {"spread": run.rise.spread_kelvin, "has_spread": 1.0}
        if run.rise.error_kelvin is not None:
            row |= {"rise_share": TRACED_SHARE, "rise_error": run.rise.error_kelvin * LOGISTIC_SCALE}
    if run.idle_quality is not None:
        row |= {"level": float(run.idle_quality), "has_level": 1.0}
    if run.idle_rpm_rise is not None:
        row |= {"idle_rise": run.idle_rpm_rise, "has_idle_rise" if run.idle_rpm_rise > 0 else "no_idle_rise": 1.0}
    if run.static_rpm is not None:
        row |= {"static_rpm": run.static_rpm, "has_static": 1.0}
    if run.idle_rpm is not None:
        row |= {"idle_rpm": run.idle_rpm, "has_idle_rpm": 1.0}
    if run.power_rpm_rise is not None:
        seen = "has_power_rise" if run.power_rpm_rise > 0 else "no_power_rise"
        row |= {"power_rise": run.power_rpm_rise, seen: 1.0}
    return row
