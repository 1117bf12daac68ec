"""The one forward model: from a setting to the mixture at both ends and to what is seen there.

Full throttle and idle are two slide positions of the same needle, so one offset and one taper
slope explain both. Fuel follows the uncovered area, at full throttle with a power of at most one:
what a passage in series holds back, no needle gives. Air follows the end's own flow: at idle the
segment of the bore that the slide leaves open, with a power of at most one: where flow is not
choked, more area lets the pressure behind the slide rise. Fuel is drawn by suction and by its own head, so
``phi ∝ √(suction·σ + head) / σ``: a power of density between −1/2 (suction alone) and −1 (head
alone), and of head between 0 and +1/2 (Bernoulli). Phi counts dry air (oxygen; Brooks & Garlock,
NACA, abstract read). At idle air goes with ``p/√T`` (flow close to choked; compressible orifice
flow), so temperature acts with a half there, whatever draws the fuel. Everything that is not
geometry sits in a flow gain at each end; the unknowns carry the mixture at a *pivot* setting
instead of the gains, because that is what readings pin directly.
"""

from dataclasses import dataclass, fields, replace
from typing import NamedTuple

from taperwise.model.physics.air import Conditions
from taperwise.model.physics.backend import NUMPY, Array, Backend
from taperwise.model.physics.needle import fuel_area, segment_area
from taperwise.model.physics.nominal_values import Scales
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
    "by_air",
    "engine_mean",
    "flow_gains",
    "gain_prior",
    "gains_from_units",
    "gains_in_units",
    "gap_of",
    "idle_cutpoints",
    "leanest",
    "mixtures",
    "mixtures_with",
    "needle_place",
]


@dataclass(frozen=True)
class Throttle:
    """Geometry of one installation, scalars in metres; `middle_slope` is the middle needle's taper.

    `step_spread` is how far the step between needles known by order may be off, as `NeedleSet` has it.
    """

    bore: Array
    full_travel: Array
    idle_opening: Array
    mark_to_orifice: Array
    orifice_diameter: Array
    needle_diameter: Array
    middle_slope: Array
    step_spread: Array


@dataclass(frozen=True)
class Settings:
    """Settings of n runs (or of one, broadcast): what is known about them.

    Parameters
    ----------
    needle_m : array, (n,)
        Movement of the needle out from the mark by the holder [m].
    idle_stop_m : array, (n,)
        Movement of the slide by the idle stop screw since the record began [m].
    ln_density, ln_dry, ln_temperature, ln_head : array, (n,)
        As in `taperwise.model.physics.air.Conditions`.
    ln_fuel : array, (n,)
        Effect of the fuel on phi over avgas, known from stoichiometry [ln phi].
    ln_slope : array, (n,)
        ln of the nominal taper slope fitted.
    ln_steps : array, (n,)
        The part of it that the true step between needles stretches; nought where slopes were measured.
    slope_load, mark_load, part_load : array, (n, changes)
        Which change's needle error, mark error and part effect apply.
    """

    needle_m: Array
    idle_stop_m: Array
    ln_density: Array
    ln_dry: Array
    ln_temperature: Array
    ln_head: Array
    ln_fuel: Array
    ln_slope: Array
    ln_steps: Array
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
    was changed. `ln_full` and `ln_idle` are ln(phi / phi at peak EGT) at the pivot. `cylinder_gap`
    is the engine's mean over the leanest cylinder seen [ln phi]. `hidden_gap`, `gauge_bias`,
    `ear_bias` and `needle_step` are standard normal too: see `leanest`, `needle_place` and the
    prior table.
    """

    offset: Array
    ln_full: Array
    ln_idle: Array
    first: Array
    second: Array
    density_exponent: Array
    needle_share: Array
    opening_share: Array
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
    cylinder_spread: Array
    cylinder_gap: Array
    hidden_gap: Array
    lambda_at_peak: Array
    fuel_flow: Array
    static_rpm: Array
    static_curvature: Array
    mixture_scatter: Array
    gauge_bias: Array
    ear_bias: Array
    rise_noise: Array
    idle_rise_noise: Array
    idle_rpm_noise: Array
    static_rpm_noise: Array
    needle_step: Array

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Names of all unknowns, in order."""
        return tuple(f.name for f in fields(cls))


class Ends(NamedTuple):
    """ln(phi / phi at peak EGT) at full throttle and at idle, and ln of the area open at idle over the recorded one.

    `full` is that of the leanest cylinder that has an exhaust probe.
    """

    full: Array
    idle: Array
    opening: Array


def gap_of(spread: Array, z: Array, scales: Scales) -> Array:
    """Mean mixture of all cylinders above the leanest one that is seen, elementwise [ln phi].

    The least of k standard normals, k the cylinders seen, taken for a normal with its mean and standard deviation;
    a single one may be any of them, lean or rich.

    Parameters
    ----------
    spread : array
        Standard deviation between cylinders [ln phi].
    z : array
        Standard normal.
    """
    return spread * (scales.seen_mean + scales.seen_deviation * z)


def engine_mean(ln_full: Array, u: Unknowns) -> Array:
    """Mean mixture of all cylinders at full throttle, from the leanest one seen, elementwise [ln(phi/phi_peak)]."""
    return ln_full + u.cylinder_gap


def leanest(ln_full: Array, u: Unknowns, scales: Scales, backend: Backend = NUMPY) -> Array:
    """Mixture of the leanest of all cylinders at full throttle, seen or not, elementwise [ln(phi/phi_peak)]."""
    hidden = u.cylinder_spread * (scales.hidden_mean + scales.hidden_deviation * u.hidden_gap)
    return ln_full - backend.maximum(hidden - u.cylinder_gap, 0.0)


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
    """Where the needle stands, errors of mark, slope and step included; shapes as `mixtures`."""
    mark = PRIORS["mark_error"].spread * backend.dot(u.first, s.mark_load.T)
    stretch = backend.exp(t.step_spread * u.needle_step)  # true step over the nominal one; 1 where slopes were measured
    error = PRIORS["needle_error"].spread * backend.dot(u.second, s.slope_load.T)
    slope = backend.exp(s.ln_slope + s.ln_steps * (stretch - 1.0) + stretch * error)
    start = t.mark_to_orifice + u.offset + mark + s.needle_m
    return NeedlePlace(start, slope, backend.maximum(t.idle_opening + s.idle_stop_m, 0.1 * t.idle_opening))


def by_air(u: Unknowns, air: Settings | Conditions) -> Array:
    """What the density of the air and the vapour in it add to the mixture at both ends, elementwise [ln phi]."""
    return -u.density_exponent * air.ln_density - air.ln_dry


def _without_gain(u: Unknowns, s: Settings, t: Throttle, backend: Backend) -> Ends:
    """What geometry, density, fuel and changes contribute at both ends, the flow gains left out."""
    start, slope, opening = needle_place(u, s, t, backend)
    area_full = fuel_area(start + t.full_travel, slope, t.orifice_diameter, t.needle_diameter, backend)
    area_idle = fuel_area(start + opening, slope, t.orifice_diameter, t.needle_diameter, backend)
    radius = 0.5 * t.bore
    ln_opening = backend.log(segment_area(radius, opening, backend) / segment_area(radius, t.idle_opening, backend))
    by_head = u.density_exponent - 0.5  # of the fuel, the half of the share that its own head draws
    common = s.ln_fuel + by_air(u, s) + by_head * s.ln_head
    part_full = PRIORS["change_full"].spread * backend.dot(u.first, s.part_load.T)
    part_idle = PRIORS["change_idle"].spread * backend.dot(u.second, s.part_load.T)
    return Ends(
        u.needle_share * backend.log(area_full) + common + part_full,
        backend.log(area_idle) + common + part_idle - u.opening_share * ln_opening - by_head * s.ln_temperature,
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
    standard air on avgas with the head of fuel there is, has the mixture the prior table says; a shift,
    so no Jacobian arises.
    """
    ln_full, ln_idle = (
        backend.log(
            fuel_area(t.mark_to_orifice + travel, t.middle_slope, t.orifice_diameter, t.needle_diameter, backend)
        )
        for travel in (t.full_travel, t.idle_opening)
    )
    there = _without_gain(u, replace(pivot, ln_head=0.0 * pivot.ln_head), t, backend)
    return (
        PRIORS["gain_full"].centre + there.full - u.needle_share * ln_full,
        PRIORS["gain_idle"].centre + there.idle - ln_idle,
    )


def gains_in_units(ln_full: Array, ln_idle: Array, centres: tuple[Array, Array]) -> tuple[Array, Array]:
    """Both mixtures at the pivot as standard normals of their prior, elementwise; `centres` as `gain_prior` gives them.

    Both ends share fuel, head and orifice: idle is expected as far off its centre as full throttle is off its own.
    """
    full = ln_full - centres[0]
    return full / PRIORS["gain_full"].spread, (ln_idle - centres[1] - full) / PRIORS["gain_idle"].spread


def gains_from_units(full: Array, idle: Array, centres: tuple[Array, Array]) -> tuple[Array, Array]:
    """Inverse of `gains_in_units`, elementwise: ln(phi / phi at peak EGT) at full throttle and at idle."""
    away = PRIORS["gain_full"].spread * full
    return centres[0] + away, centres[1] + away + PRIORS["gain_idle"].spread * idle
