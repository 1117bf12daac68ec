"""What an installation's readings are measured against: expected speeds and flow, and how many cylinders are seen."""

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
    all_seen : float
        1 where every cylinder has an exhaust probe, 0 where one has, and in between [-].
    """

    idle_rpm: Array
    static_rpm: Array
    static_spread: Array
    fuel_flow_m3_s: Array
    all_seen: Array


def scales_of(installation: Installation, probes: int = 1) -> Scales:
    """Scales of an installation.

    The static speed is the middle of its band, or 0.85 of the rated speed where none is known (judgement); a band is
    taken as two standard deviations either way, never finer than 1 %.

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
        idle_rpm=0.5 * (low + high),
        static_rpm=static,
        static_spread=spread if band is None else min(spread, max(0.01, 0.25 * (band[1] - band[0]) / static)),
        fuel_flow_m3_s=air / _AIR_TO_FUEL / _FUEL_DENSITY,
        all_seen=1.0 if engine.cylinders == 1 else (seen - 1) / (engine.cylinders - 1),
    )
