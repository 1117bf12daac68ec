"""What makes engines similar, coarsened so that it describes a kind and not an engine."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taperwise.model.physics.needle_set import needle_set
from taperwise.shared.records import Cooling, Fuel, Installation

__all__ = ["COVARIATES", "CYLINDERS", "Kind", "columns", "counted_in", "kind_of"]

_REFERENCE_SPEED = 60.0  # gas speed through the bore of an ordinary engine [m/s]; judgement
_SPEED_STEP = 0.25  # steps of ln of that speed
_TAPER_STEP = 1e-3  # steps of taper slope [-]
_ORDINARY_TAPER = 0.030
_COLUMN_UNITS = (0.5, 2.0, 3e-3)  # one of each column that is no yes or no: ln of speed, groups, taper

COVARIATES = ("ordinary", "gas_speed", "cylinders", "liquid", "mogas", "mogas_e10", "taper")
"""Columns of the regression."""

CYLINDERS = ("1-2", "3-4", "5-6", "7 or more")
"""Groups of cylinder numbers."""


@dataclass(frozen=True)
class Kind:
    """A kind of engine with its throttle body.

    Parameters
    ----------
    gas_speed : int
        Steps of a quarter in ln of the mean gas speed through the bore at rated speed, from 60 m/s.
    cylinders : str
        One of `CYLINDERS`.
    cooling : Cooling
    fuel : Fuel
    taper : int
        Taper slope of the middle needle on hand, to the nearest 1 mm/m: the family of needles.
    """

    gas_speed: int
    cylinders: str
    cooling: Cooling
    fuel: Fuel
    taper: int


def kind_of(installation: Installation) -> Kind:
    """The kind an installation belongs to.

    Four strokes: half the displacement is drawn in a revolution.

    Raises
    ------
    ValueError
        If its needles are known by their order alone: then no family of needles is known.
    """
    if installation.by_order:
        raise ValueError("no taper slope was measured")
    engine, bore = installation.engine, installation.throttle_body.bore_m
    speed = 0.5 * engine.displacement_m3 * engine.rated_rpm / 60.0 / (math.pi / 4.0 * bore**2)
    middle = needle_set(installation).middle_slope
    return Kind(
        gas_speed=round(math.log(speed / _REFERENCE_SPEED) / _SPEED_STEP),
        cylinders=CYLINDERS[min((engine.cylinders - 1) // 2, len(CYLINDERS) - 1)],
        cooling=engine.cooling,
        fuel=installation.fuel,
        taper=round(middle / _TAPER_STEP),
    )


def counted_in() -> tuple[str, ...]:
    """What the steps of a kind are counted in, in words: part of what a pool's figures mean."""
    steps = (_REFERENCE_SPEED, _SPEED_STEP, _TAPER_STEP, _ORDINARY_TAPER)
    return tuple(f"{x!r}" for x in (*steps, CYLINDERS, _COLUMN_UNITS))


def columns(kind: Kind) -> NDArray[np.float64]:
    """One row of the regression, (k,), every column of the order of one; ordinary engines have noughts but for the
    first.
    """
    return np.array(
        [
            1.0,
            kind.gas_speed * _SPEED_STEP / _COLUMN_UNITS[0],
            (CYLINDERS.index(kind.cylinders) - 1) / _COLUMN_UNITS[1],
            float(kind.cooling is Cooling.LIQUID),
            float(kind.fuel is Fuel.MOGAS),
            float(kind.fuel is Fuel.MOGAS_E10),
            (kind.taper * _TAPER_STEP - _ORDINARY_TAPER) / _COLUMN_UNITS[2],
        ]
    )
