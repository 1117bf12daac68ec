"""The next ground run as an experiment: what it may show, and how likely each reading is to whom."""

from collections.abc import Callable, Sequence
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from taperwise.model.design.information import Experiment
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics import exhaust, idle, noise, static_speed
from taperwise.model.physics.air import STANDARD, Conditions
from taperwise.model.physics.meters import scatter_of
from taperwise.model.physics.mixture import engine_mean, idle_cutpoints
from taperwise.model.physics.priors import EAR_BIAS, GAUGE_BIAS_KELVIN, POWER_RISE_SHARE, ROUGH_RISE_KELVIN
from taperwise.model.prediction.predictive import Outcomes, draw_outcomes
from taperwise.model.prediction.setting_draws import SettingDraws, Target
from taperwise.shared.meters import meters

__all__ = ["READABLE", "Latents", "ground_run", "log_density_of", "looked_at"]

_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]


class Latents(NamedTuple):
    """All that a run's readings depend on; (draws,) from the posterior, (m, n) or (1, n) in a density.

    Positive quantities are logarithms. `idle` and `best` are counted from the lean end of smooth, so
    that what the ear pins together stays together.
    """

    full: _Floats
    idle: _Floats
    exhaust_scale: _Floats
    exhaust_width: _Floats
    gap_lean: _Floats
    gap_smooth: _Floats
    gap_rich: _Floats
    best: _Floats
    idle_gain: _Floats
    best_idle: _Floats
    mean: _Floats
    best_static: _Floats
    static_curvature: _Floats
    blur: _Floats
    ear_bias: _Floats
    gauge_bias: _Floats
    mixture_scatter: _Floats
    rise_noise: _Floats
    idle_rise_noise: _Floats
    static_noise: _Floats


_LOOKED_AT = {
    "rise": ("full", "exhaust_scale", "exhaust_width", "gauge_bias", "mixture_scatter", "rise_noise"),
    "idle_quality": ("idle", "gap_lean", "gap_smooth", "gap_rich", "blur", "ear_bias", "mixture_scatter"),
    "idle_rpm_rise": ("idle", "best", "idle_gain", "best_idle", "mixture_scatter", "idle_rise_noise"),
    "static_rpm": ("mean", "best_static", "static_curvature", "mixture_scatter", "static_noise"),
    "power_rpm_rise": ("mean", "best_static", "static_curvature", "mixture_scatter", "static_noise"),
}
"""What each kind of reading depends on."""

READABLE = tuple(_LOOKED_AT)
"""Kinds of reading that a run is looked at for, meters left out; idle speed is not among them."""


def looked_at(channels: frozenset[str]) -> tuple[str, ...]:
    """Names of the latents on which readings of these kinds depend, in the order of `Latents`; meters left out."""
    wanted = {name for channel, names in _LOOKED_AT.items() if channel in channels for name in names}
    return tuple(name for name in Latents._fields if name in wanted)


def _latents(outlook: SettingDraws, posterior: Posterior) -> Latents:
    u, scales = posterior.unknowns, posterior.evidence.scales
    smooth_lean = idle_cutpoints(u).smooth_lean
    columns = Latents(
        full=outlook.full[:, None],
        idle=outlook.idle[:, None] - smooth_lean,
        exhaust_scale=np.log(u.exhaust_scale),
        exhaust_width=np.log(u.exhaust_width),
        gap_lean=np.log(u.idle_gap_lean),
        gap_smooth=np.log(u.idle_gap_smooth),
        gap_rich=np.log(u.idle_gap_rich),
        best=u.idle_best,
        idle_gain=np.log(u.idle_gain),
        best_idle=np.log(scales.idle_rpm) + u.idle_rpm + u.idle_air_power * outlook.opening,
        mean=engine_mean(outlook.full[:, None], u),
        best_static=np.log(scales.static_rpm) + u.static_rpm,
        static_curvature=np.log(u.static_curvature),
        blur=np.log(u.idle_blur),
        ear_bias=EAR_BIAS * u.ear_bias,
        gauge_bias=GAUGE_BIAS_KELVIN * u.gauge_bias,
        mixture_scatter=np.log(u.mixture_scatter),
        rise_noise=np.log(u.rise_noise),
        idle_rise_noise=np.log(u.idle_rise_noise),
        static_noise=np.log(u.static_rpm_noise),
    )
    return Latents(*(x[:, 0] for x in columns))


def ground_run(outlook: SettingDraws, posterior: Posterior, target: Target, channels: frozenset[str]) -> Experiment:
    """The experiment of one run at a setting.

    Parameters
    ----------
    outlook : SettingDraws
        Of the setting the run would be made at.
    target : Target
        The unknowns that matter, as seen from where the engine stands now.
    channels : frozenset of str
        Kinds of reading expected, names of `taperwise.shared.runs.OBSERVATIONS` and of meters; ``idle_rpm`` is not
        looked at.
    """
    # every candidate draws with the same stream, so that differences between candidates are not noise
    drawn = draw_outcomes(outlook, posterior, np.random.default_rng([posterior.seed, 3]))
    names, latents = looked_at(channels), _latents(outlook, posterior)
    metered = [
        column
        for i, name in _read(channels)
        for column in (
            outlook.ln_meters[i],
            np.log(_with_run(scatter_of(name), outlook.ln_meters[i], outlook.one_richer.ln_meters[i][:, 0])),
        )
    ]
    return Experiment(
        theta=np.stack([target.offset_turns, target.taper_misfit], axis=1),
        latents=np.stack([*(getattr(latents, name) for name in names), *metered], axis=1),
        log_density=log_density_of(drawn, channels, outlook.conditions, names),
    )


def _read(channels: frozenset[str]) -> list[tuple[int, str]]:
    """Number and name of every meter among the channels."""
    return [(i, meter.name) for i, meter in enumerate(meters()) if meter.name in channels]


def log_density_of(
    drawn: Outcomes,
    channels: frozenset[str],
    conditions: Conditions = STANDARD,
    names: Sequence[str] = Latents._fields,
) -> Callable[[_Ints, _Floats], _Floats]:
    """The density of an experiment with these readings, ``(truths, latents) -> (m, n)``; shapes as in `Experiment`.

    Latents are those of `names`, then ln of what each meter among the channels would show and ln of its scale. The
    scatter of the run's own mixture is counted in each reading, as if it were that reading's alone.

    Parameters
    ----------
    drawn : Outcomes
        Readings drawn for every truth.
    channels : frozenset of str
        As `ground_run`.
    conditions : Conditions
        Only speeds look at them.
    names : sequence of str
        Fields of `Latents`, at least those of `looked_at`.
    """
    densities: dict[str, Callable[[Outcomes, Latents], _Floats]] = {
        "rise": _rise,
        "idle_quality": _idle_quality,
        "idle_rpm_rise": _idle_rpm_rise,
        "static_rpm": partial(_static_rpm, conditions),
        "power_rpm_rise": partial(_power_rpm_rise, conditions),
    }
    metered = _read(channels)

    def log_density(truths: _Ints, latents: _Floats) -> _Floats:
        seen = Outcomes(*(x[truths].astype(latents.dtype) for x in drawn))
        # what is not looked at needs no values of its own
        x = Latents(**(dict.fromkeys(Latents._fields, latents[0]) | dict(zip(names, latents, strict=False))))
        shown = latents[len(names) :]
        total = np.zeros((len(truths), latents.shape[2]), latents.dtype)
        for channel, density in densities.items():
            if channel in channels:
                total += density(seen, x)
        for (i, _), centre, scale in zip(metered, shown[::2], shown[1::2], strict=True):
            total += noise.log_density(seen.ln_meters[:, [i]], centre, np.exp(scale))
        return total

    return log_density


def _rise(seen: Outcomes, x: Latents) -> _Floats:
    """Log density of each truth's rise, (m, n); censored at zero and where it is rough before a peak."""
    reading, curve = seen.rise, (np.exp(x.exhaust_scale), np.exp(x.exhaust_width))
    shown = exhaust.rise(x.full, *curve)
    scale = _with_run(np.exp(x.rise_noise), shown, exhaust.rise(x.full + np.exp(x.mixture_scatter), *curve))
    out, centre, scale = _rows(reading, shown + x.gauge_bias, scale)
    fell, rough = reading < 0.0, reading > ROUGH_RISE_KELVIN
    read = ~(fell | rough)
    out[fell] = noise.log_below(0.0, centre[fell], scale[fell])
    out[rough] = noise.log_above(ROUGH_RISE_KELVIN, centre[rough], scale[rough])
    out[read] = noise.log_density(reading[read][:, None], centre[read], scale[read])
    return out


def _idle_rpm_rise(seen: Outcomes, x: Latents) -> _Floats:
    """Log density of each truth's rise of idle speed, (m, n); censored at zero."""
    # the opening is within `best_idle` already
    curve = (x.best, np.exp(x.idle_gain), np.exp(x.best_idle), 0.0, 0.0)
    centre = idle.leaning_rise(x.idle, *curve)
    one_richer = idle.leaning_rise(x.idle + np.exp(x.mixture_scatter), *curve)
    return _read_or_none(seen.idle_rise, centre, _with_run(np.exp(x.idle_rise_noise), centre, one_richer))


def _read_or_none(reading: _Floats, centre: _Floats, scale: _Floats) -> _Floats:
    """Log density of each truth's rise of speed, (m, n); censored at zero."""
    out, centre, scale = _rows(reading, centre, scale)
    none = reading <= 0.0
    out[none] = noise.log_below(0.0, centre[none], scale[none])
    out[~none] = noise.log_density(reading[~none][:, None], centre[~none], scale[~none])
    return out


def _rows(reading: _Floats, centre: _Floats, scale: _Floats) -> tuple[_Floats, _Floats, _Floats]:
    """Room for the answer, and centre and scale with one row a reading."""
    shape = (len(reading), centre.shape[1])
    return np.empty(shape, centre.dtype), np.broadcast_to(centre, shape), np.broadcast_to(scale, shape)


def _with_run(scale: _Floats | float, shown: _Floats, one_richer: _Floats) -> _Floats:
    """Scale of a reading together with what its run's own mixture does to it."""
    both: _Floats = np.sqrt(scale**2 + (noise.LOGISTIC_SCALE * (one_richer - shown)) ** 2)
    return both


def _static(x: Latents, conditions: Conditions, richer: _Floats | float = 0.0) -> _Floats:
    """Static speed at a mixture that much richer."""
    speed: _Floats = static_speed.static_speed(
        x.mean + richer, np.exp(x.best_static), np.exp(x.static_curvature), conditions.ln_density, conditions.ln_dry
    )
    return speed


def _static_rpm(conditions: Conditions, seen: Outcomes, x: Latents) -> _Floats:
    """Log density of each truth's static speed, (m, n)."""
    centre = _static(x, conditions)
    scale = _with_run(np.exp(x.static_noise), centre, _static(x, conditions, np.exp(x.mixture_scatter)))
    density: _Floats = noise.log_density(seen.static_rpm[:, None], centre, scale)
    return density


def _power_rpm_rise(conditions: Conditions, seen: Outcomes, x: Latents) -> _Floats:
    """Log density of each truth's rise of static speed to best power, (m, n); censored at zero."""

    def risen(richer: _Floats | float = 0.0) -> _Floats:
        static, curvature = _static(x, conditions, richer), np.exp(x.static_curvature)
        rise: _Floats = static_speed.best_power_rise(x.mean + richer, static, curvature)
        return rise

    centre, one_richer = risen(), risen(np.exp(x.mixture_scatter))
    return _read_or_none(
        seen.power_rise, centre, _with_run(POWER_RISE_SHARE * np.exp(x.static_noise), centre, one_richer)
    )


def _idle_quality(seen: Outcomes, x: Latents) -> _Floats:
    """Log probability of each truth's judgement, (m, n)."""
    smooth_rich = np.exp(x.gap_smooth)
    cut_at = (-np.exp(x.gap_lean), np.zeros((1, 1)), smooth_rich, smooth_rich + np.exp(x.gap_rich))
    blur, heard = np.hypot(np.exp(x.blur), noise.LOGISTIC_SCALE * np.exp(x.mixture_scatter)), x.idle + x.ear_bias
    share = np.ones((len(seen.level), x.idle.shape[1]), x.idle.dtype)
    for level in range(1, 6):
        rows = np.flatnonzero(seen.level == level)
        upper = _below(cut_at[level - 1], heard, blur, rows) if level < 5 else 1.0
        share[rows] = upper - (_below(cut_at[level - 2], heard, blur, rows) if level > 1 else 0.0)
    return np.log((1.0 - noise.MISJUDGED_SHARE) * share + noise.MISJUDGED_SHARE / 5.0)


def _below(cut: _Floats, idle: _Floats, blur: _Floats, rows: _Ints) -> _Floats:
    """Probability that an idle is judged below a cut, for those rows."""
    cut, idle, blur = (x[rows] if len(x) > 1 else x for x in (cut, idle, blur))  # a single row is every truth's
    share: _Floats = expit((cut - idle) / blur)
    return share
