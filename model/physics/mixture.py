"""The one forward model: from a setting to the mixture at both ends and to what is seen there.

Full throttle and idle are two slide positions of the same needle, so one offset and one taper
slope explain both. Fuel follows the uncovered area, air follows the end's own flow; the ratio's
dependence on density is a power between −1/2 and −1. Everything that is not geometry sits in a
flow gain at each end; the unknowns carry the mixture at a *pivot* setting instead of the gains,
because that is what readings pin directly.
"""

from dataclasses import dataclass, fields
from typing import NamedTuple

from taperwise.model.physics.backend import NUMPY, Array, Backend
from taperwise.model.physics.needle import fuel_area
from taperwise.model.physics.priors import PRIORS

__all__ = [
    "LOADS",
    "Cuts",
    "Ends",
    "Gains",
    "NeedlePlace",
    "Settings",
    "Throttle",
    "Unknowns",
    "engine_mean",
    "flow_gains",
    "gain_prior",
    "idle_cutpoints",
    "leanest",
    "mixtures",
    "mixtures_with",
    "needle_place",
]


@dataclass(frozen=True)
class Throttle:
    """Geometry of one installation, scalars in metres; `middle_slope` is the middle needle's taper."""

    full_travel: Array
    idle_opening: Array
    mark_to_orifice: Array
    orifice_diameter: Array
    needle_diameter: Array
    middle_slope: Array


@dataclass(frozen=True)
class Settings:
    """Settings of n runs (or of one, broadcast): what is known about them.

    Parameters
    ----------
    needle_m : array, (n,)
        Movement of the needle out from the mark by the holder [m].
    idle_stop_m : array, (n,)
        Movement of the slide by the idle stop screw since the record began [m].
    ln_density : array, (n,)
        ln of the air density ratio.
    ln_fuel : array, (n,)
        Effect of the fuel on phi over avgas, known from stoichiometry [ln phi].
    ln_slope : array, (n,)
        ln of the nominal taper slope fitted.
    slope_load, mark_load, part_load : array, (n, changes)
        Which change's needle error, mark error and part effect apply.
    """

    needle_m: Array
    idle_stop_m: Array
    ln_density: Array
    ln_fuel: Array
    ln_slope: Array
    slope_load: Array
    mark_load: Array
    part_load: Array


LOADS = ("slope_load", "mark_load", "part_load")
"""Settings that hold a column a change."""


@dataclass(frozen=True)
class Unknowns:
    """The unknowns: scalars for the sampler, columns of shape (draws, 1) for prediction.

    `first` and `second` are standard normal, of shape (changes,) or (draws, changes): mark error
    and needle error where a needle was fitted, effects at full throttle and at idle where a part
    was changed. `ln_full` and `ln_idle` are ln(phi / phi at peak EGT) at the pivot.
    """

    offset: Array
    ln_full: Array
    ln_idle: Array
    first: Array
    second: Array
    density_exponent: Array
    exhaust_scale: Array
    exhaust_width: Array
    idle_first_cut: Array
    idle_gap_lean: Array
    idle_gap_smooth: Array
    idle_gap_rich: Array
    idle_blur: Array
    idle_best: Array
    idle_gain: Array
    idle_rpm: Array
    idle_air_power: Array
    cylinder_gap: Array
    lambda_at_peak: Array
    fuel_flow: Array
    static_rpm: Array
    static_curvature: Array
    rise_noise: Array
    idle_rise_noise: Array
    idle_rpm_noise: Array
    static_rpm_noise: Array

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Names of all unknowns, in order."""
        return tuple(f.name for f in fields(cls))


class Ends(NamedTuple):
    """ln(phi / phi at peak EGT) at full throttle and at idle, and ln of the idle opening over the recorded one.

    `full` is that of the leanest cylinder that has an exhaust probe.
    """

    full: Array
    idle: Array
    opening: Array


def engine_mean(ln_full: Array, u: Unknowns, all_seen: Array) -> Array:
    """Mean mixture of all cylinders at full throttle, from the leanest one seen, elementwise [ln(phi/phi_peak)].

    Parameters
    ----------
    all_seen : float
        1 where all cylinders are seen; with a single probe, 0, its cylinder is taken for an average one.
    """
    return ln_full + all_seen * u.cylinder_gap


def leanest(ln_full: Array, u: Unknowns, all_seen: Array) -> Array:
    """Mixture of the leanest of all cylinders at full throttle, seen or not, elementwise [ln(phi/phi_peak)]."""
    return ln_full - (1.0 - all_seen) * u.cylinder_gap


class Cuts(NamedTuple):
    """The four cuts between the five idle judgements, leanest first, and the mixture of best idle speed."""

    stumbling: Array
    smooth_lean: Array
    smooth_rich: Array
    loading: Array
    best: Array


def idle_cutpoints(u: Unknowns) -> Cuts:
    """Cuts from a first one and positive gaps, so that prior draws are ordered too."""
    second = u.idle_first_cut + u.idle_gap_lean
    third = second + u.idle_gap_smooth
    return Cuts(u.idle_first_cut, second, third, third + u.idle_gap_rich, second + u.idle_best)


class NeedlePlace(NamedTuple):
    """Length of taper past the orifice with the slide closed [m], taper slope [-] and idle opening [m]."""

    start: Array
    slope: Array
    opening: Array


def needle_place(u: Unknowns, s: Settings, t: Throttle, backend: Backend = NUMPY) -> NeedlePlace:
    """Where the needle stands, errors of mark and slope included; shapes as `mixtures`."""
    mark = PRIORS["mark_error"].spread * backend.dot(u.first, s.mark_load.T)
    slope = backend.exp(s.ln_slope + PRIORS["needle_error"].spread * backend.dot(u.second, s.slope_load.T))
    start = t.mark_to_orifice + u.offset + mark + s.needle_m
    return NeedlePlace(start, slope, backend.maximum(t.idle_opening + s.idle_stop_m, 0.1 * t.idle_opening))


def _without_gain(u: Unknowns, s: Settings, t: Throttle, backend: Backend) -> Ends:
    """What geometry, density, fuel and changes contribute at both ends, the flow gains left out."""
    start, slope, opening = needle_place(u, s, t, backend)
    area_full = fuel_area(start + t.full_travel, slope, t.orifice_diameter, t.needle_diameter, backend)
    area_idle = fuel_area(start + opening, slope, t.orifice_diameter, t.needle_diameter, backend)
    ln_opening = backend.log(opening / t.idle_opening)
    common = s.ln_fuel - u.density_exponent * s.ln_density
    part_full = PRIORS["change_full"].spread * backend.dot(u.first, s.part_load.T)
    part_idle = PRIORS["change_idle"].spread * backend.dot(u.second, s.part_load.T)
    return Ends(
        backend.log(area_full) + common + part_full,
        backend.log(area_idle) + common + part_idle - ln_opening,
        ln_opening,
    )


class Gains(NamedTuple):
    """ln of what flow adds at full throttle and at idle, geometry, density, fuel and changes left out."""

    full: Array
    idle: Array


def flow_gains(u: Unknowns, pivot: Settings, t: Throttle, backend: Backend = NUMPY) -> Gains:
    """The gains behind the mixtures at the pivot; parameters as `mixtures`."""
    there = _without_gain(u, pivot, t, backend)
    return Gains(u.ln_full - there.full, u.ln_idle - there.idle)


def mixtures_with(gains: Gains, u: Unknowns, s: Settings, t: Throttle, backend: Backend = NUMPY) -> Ends:
    """As `mixtures`, the gains known already: several calls with one pivot need them once."""
    here = _without_gain(u, s, t, backend)
    return Ends(gains.full + here.full, gains.idle + here.idle, here.opening)


def mixtures(u: Unknowns, s: Settings, pivot: Settings, t: Throttle, backend: Backend = NUMPY) -> Ends:
    """Mixture at both ends for every setting.

    Parameters
    ----------
    u : Unknowns
        Scalars, or columns of shape (draws, 1).
    s : Settings
        n settings.
    pivot : Settings
        The one setting at which `u.ln_full` and `u.ln_idle` are the mixtures.
    t : Throttle

    Returns
    -------
    Ends
        Arrays of shape (n,) or (draws, n).
    """
    return mixtures_with(flow_gains(u, pivot, t, backend), u, s, t, backend)


def gain_prior(u: Unknowns, pivot: Settings, t: Throttle, backend: Backend = NUMPY) -> tuple[Array, Array]:
    """Centres of the priors of `ln_full` and `ln_idle` at the pivot, given geometry and changes; shapes as `mixtures`.

    The flow gains are placed so that the middle needle with its mark at the slide's edge, in
    standard air on avgas, has the mixture the prior table says; a shift, so no Jacobian arises.
    """
    middle_full, middle_idle = (
        backend.log(
            fuel_area(t.mark_to_orifice + travel, t.middle_slope, t.orifice_diameter, t.needle_diameter, backend)
        )
        for travel in (t.full_travel, t.idle_opening)
    )
    there = _without_gain(u, pivot, t, backend)
    return (
        PRIORS["gain_full"].centre + there.full - middle_full,
        PRIORS["gain_idle"].centre + there.idle - middle_idle,
    )
