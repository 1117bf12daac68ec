"""The log likelihood of every kind of reading, written once for the sampler and for prediction."""

from dataclasses import dataclass

from model import exhaust, idle, noise, static_speed
from model.backend import NUMPY, Array, Backend
from model.evidence import Readings
from model.mixture import Cuts, Ends, Unknowns, cuts

__all__ = ["Expected", "expected_readings", "level_log_density", "log_likelihood", "rise_log_density"]


@dataclass(frozen=True)
class Expected:
    """Noise-free readings at given mixtures: rise [K], rise of idle speed, static and idle speed [rpm]."""

    rise: Array
    idle_rise: Array
    static_rpm: Array
    idle_rpm: Array


def expected_readings(
    u: Unknowns, ends: Ends, ln_density: Array, idle_target: Array, static_target: Array, backend: Backend = NUMPY
) -> Expected:
    """What gauges would show without noise.

    Parameters
    ----------
    u : Unknowns
    ends : Ends
        Mixtures, (n,) or (draws, n).
    ln_density : array, (n,)
    idle_target, static_target : float
        Speeds the unknown speeds are relative to [rpm].
    """
    c = cuts(u)
    best_idle = idle_target * backend.exp(u.idle_rpm)
    at_idle = (ends.idle, c.best, u.idle_gain, best_idle, ends.opening, u.idle_air_power, backend)
    return Expected(
        rise=exhaust.rise(ends.full, u.exhaust_scale, u.exhaust_width, backend),
        idle_rise=idle.leaning_rise(*at_idle),
        static_rpm=static_speed.static_speed(
            ends.full, static_target * backend.exp(u.static_rpm), u.static_curvature, ln_density, backend
        ),
        idle_rpm=idle.idle_speed(*at_idle),
    )


def rise_log_density(r: Readings, centre: Array, scale: Array, backend: Backend = NUMPY) -> Array:
    """Log density of a rise: read, censored at zero (fell at once), or censored above (rough before a peak)."""
    own = backend.sqrt((r.rise_share * scale) ** 2 + r.rise_error**2)
    read = noise.log_density(r.rise, centre, own, backend)
    below = noise.log_below(0.0, centre, scale, backend)
    above = noise.log_above(r.rise, centre, scale, backend)
    return r.has_rise * read + r.fell * below + r.rough * above


def level_log_density(r: Readings, ln_mixture: Array, c: Cuts, blur: Array, backend: Backend = NUMPY) -> Array:
    """Log probability of an idle judgement."""
    w = backend.where
    lower = w(r.level < 2.5, c.stumbling, w(r.level < 3.5, c.smooth_lean, w(r.level < 4.5, c.smooth_rich, c.loading)))
    upper = w(r.level < 1.5, c.stumbling, w(r.level < 2.5, c.smooth_lean, w(r.level < 3.5, c.smooth_rich, c.loading)))
    # the outer levels have one cut only; any wider pair serves for the other
    lower = w(r.level < 1.5, c.stumbling - 1.0, lower)
    upper = w(r.level > 4.5, c.loading + 1.0, upper)
    return r.has_level * noise.log_level(r.level, ln_mixture, lower, upper, blur, backend)


def log_likelihood(
    r: Readings,
    u: Unknowns,
    ends: Ends,
    ln_density: Array,
    idle_target: Array,
    static_target: Array,
    backend: Backend = NUMPY,
) -> Array:
    """Log likelihood of each run [nats].

    Returns
    -------
    array
        Shape (n,) or (draws, n): the sum over the kinds of reading a run holds.
    """
    e = expected_readings(u, ends, ln_density, idle_target, static_target, backend)
    total = rise_log_density(r, e.rise, u.rise_noise, backend)
    total = total + level_log_density(r, ends.idle, cuts(u), u.idle_blur, backend)
    total = total + r.has_idle_rise * noise.log_density(r.idle_rise, e.idle_rise, u.idle_rise_noise, backend)
    total = total + r.no_idle_rise * noise.log_below(0.0, e.idle_rise, u.idle_rise_noise, backend)
    total = total + r.has_static * noise.log_density(r.static_rpm, e.static_rpm, u.static_rpm_noise, backend)
    return total + r.has_idle_rpm * noise.log_density(r.idle_rpm, e.idle_rpm, u.idle_rpm_noise, backend)
