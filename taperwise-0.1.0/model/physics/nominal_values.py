"""What an installation's readings are measured against: expected speeds and flow, and which cylinders are seen."""

from typing import NamedTuple

from taperwise.model.physics.backend import Array
from taperwise.model.physics.priors import PRIORS
from taperwise.shared.records import Installation

__all__ = ["Scales", "scales_of"]

_VOLUMETRIC_EFFICIENCY = 0.85  # judgement; the unknown `fuel_flow` absorbs its error
_AIR_TO_FUEL = 14.9  # stoichiometric, CH2.1 (atom balance)
_FUEL_DENSITY = 720.0  # kg/m³, from memory, within the US DOE AFDC range for gasoline
_AIR_DENSITY = 1.225  # kg/m³, ISO 2533


class Scales(NamedTuple):
    """Scalars of one installation.

    Parameters
    ----------
    idle_rpm, static_rpm : float
        Speeds the unknown speeds are relative to [rpm].
    static_spread : float
        How far the static speed may be off, as a standard deviation of its logarithm [-].
    fuel_flow_m3_s : float
        Flow at full throttle the unknown flow is relative to: peak EGT, standard air, that static speed [m³/s].
    seen_mean, seen_deviation : float
        Mean and standard deviation, over the cylinders with an exhaust probe, of how far the leanest of them is below
        the mean of all, in standard deviations between cylinders [-].
    hidden_mean, hidden_deviation : float
        The same of the cylinders without; where there is none, so low that it never counts.
    """

    idle_rpm: Array
    static_rpm: Array
    static_spread: Array
    fuel_flow_m3_s: Array
    seen_mean: Array
    seen_deviation: Array
    hidden_mean: Array
    hidden_deviation: Array


def scales_of(installation: Installation, probes: int = 1) -> Scales:
    """Scales of an installation.

    The static speed is the middle of its band, or 0.85 of the rated speed where none is known (judgement); a band is
    taken as two standard deviations either way, never finer than 3 %: propellers fall outside what is said of them.

    Parameters
    ----------
    probes : int
        Cylinders seen in traces; the installation's own number goes first.
    """
    engine, band = installation.engine, installation.targets.static_rpm
    low, high = installation.targets.idle_rpm
    static = 0.85 * engine.rated_rpm if band is None else 0.5 * (band[0] + band[1])
    spread = PRIORS["static_rpm"].spread
    air = _VOLUMETRIC_EFFICIENCY * 0.5 * engine.displacement_m3 * static / 60.0 * _AIR_DENSITY
    seen = min(engine.egt_probes or probes, engine.cylinders)
    return Scales(
        0.5 * (low + high),
        static,
        spread if band is None else min(spread, max(0.03, 0.25 * (band[1] - band[0]) / static)),
        air / _AIR_TO_FUEL / _FUEL_DENSITY,
        *(_below_mean(seen) if engine.cylinders > 1 else _ALONE),
        *_below_mean(engine.cylinders - seen),
    )


_LEAST_OF = (
    (0.0, 1.0), (0.564190, 0.825645), (0.846284, 0.747975), (1.029375, 0.701224), (1.162964, 0.668980),
    (1.267206, 0.644924), (1.352178, 0.626033), (1.423600, 0.610653), (1.485013, 0.597790), (1.538753, 0.586808),
    (1.586436, 0.577276), (1.629228, 0.568890),
)  # fmt: skip
"""Mean (sign turned) and standard deviation of the least of 1, 2, … 12 standard normals, by quadrature of its density
(Tippett 1925 for the means); of more cylinders, those of twelve."""

_NONE, _ALONE = (-1e3, 0.0), (0.0, 1e-6)  # of no cylinder, and of the only one: neither is off the mean


def _below_mean(cylinders: int) -> tuple[float, float]:
    """How far the leanest of so many cylinders is below the mean: `_LEAST_OF`, or what never counts for none."""
    return _LEAST_OF[min(cylinders, len(_LEAST_OF)) - 1] if cylinders else _NONE
