"""The next ground run as an experiment: what it may show, and how likely each reading is to whom."""

import numpy as np
from numpy.typing import NDArray

from model import exhaust, idle, noise, static_speed
from model.information import Experiment
from model.mixture import cuts
from model.outlook import Outlook, Target
from model.prediction import draw_outcomes
from model.priors import ROUGH_RISE_KELVIN
from model.sampler import Posterior
from model.speed_targets import idle_target_rpm, static_target_rpm

__all__ = ["ground_run"]

_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]


def ground_run(outlook: Outlook, posterior: Posterior, target: Target, channels: frozenset[str]) -> Experiment:
    """The experiment of one run at a setting.

    Parameters
    ----------
    outlook : Outlook
        Of the setting the run would be made at.
    target : Target
        The unknowns that matter, as seen from where the engine stands now.
    channels : frozenset of str
        Kinds of reading expected: ``rise``, ``idle_quality``, ``idle_rpm_rise``, ``static_rpm``.
    """
    # every candidate draws with the same stream, so that differences between candidates are not noise
    drawn = draw_outcomes(outlook, posterior, np.random.default_rng([posterior.seed, 3]))
    u = posterior.unknowns
    c = cuts(u)
    best_idle = idle_target_rpm(posterior.evidence.installation) * np.exp(u.idle_rpm[:, 0])
    best_static = static_target_rpm(posterior.evidence.installation) * np.exp(u.static_rpm[:, 0])

    def log_density(truths: _Ints, others: _Ints, latents: _Floats) -> _Floats:
        full, low = latents[..., 0], latents[..., 1]
        total = np.zeros((len(truths), len(others)))
        if "rise" in channels:
            centre = exhaust.rise(full, u.exhaust_scale[others, 0], u.exhaust_width[others, 0])
            total += _rise(drawn.rise[truths], np.broadcast_to(centre, total.shape), u.rise_noise[others, 0])
        if "idle_quality" in channels:
            levels = np.stack([cut[others, 0] for cut in c[:4]])
            total += _level(drawn.level[truths], low, levels, u.idle_blur[others, 0])
        if "idle_rpm_rise" in channels:
            at = (best_idle[others], outlook.opening, u.idle_air_power[others, 0])
            centre = idle.leaning_rise(low, c.best[others, 0], u.idle_gain[others, 0], *at)
            total += _censored(drawn.idle_rise[truths], centre, u.idle_rise_noise[others, 0])
        if "static_rpm" in channels:
            centre = static_speed.static_speed(
                full, best_static[others], u.static_curvature[others, 0], outlook.ln_density
            )
            total += noise.log_density(drawn.static_rpm[truths][:, None], centre, u.static_rpm_noise[others, 0])
        return total

    return Experiment(
        theta=np.stack([target.offset_turns, target.taper_misfit], axis=1),
        latents=np.stack([outlook.full, outlook.idle], axis=1),
        log_density=log_density,
    )


def _rise(reading: _Floats, centre: _Floats, scale: _Floats) -> _Floats:
    out = np.empty(centre.shape)
    fell, rough = reading < 0.0, reading > ROUGH_RISE_KELVIN
    read = ~(fell | rough)
    out[fell] = noise.log_below(0.0, centre[fell], scale)
    out[rough] = noise.log_above(ROUGH_RISE_KELVIN, centre[rough], scale)
    out[read] = noise.log_density(reading[read][:, None], centre[read], scale)
    return out


def _censored(reading: _Floats, centre: _Floats, scale: _Floats) -> _Floats:
    centre = np.broadcast_to(centre, (len(reading), centre.shape[-1]))
    out = np.empty(centre.shape)
    none = reading <= 0.0
    out[none] = noise.log_below(0.0, centre[none], scale)
    out[~none] = noise.log_density(reading[~none][:, None], centre[~none], scale)
    return out


def _level(level: _Floats, ln_mixture: _Floats, levels: _Floats, blur: _Floats) -> _Floats:
    """Log probability of each truth's level, (m, n), from the cumulative probabilities at the four cuts."""
    z = (levels[:, None, :] - ln_mixture[None]) / blur  # (4, m or 1, n)
    up_to = np.concatenate([np.zeros_like(z[:1]), 1.0 / (1.0 + np.exp(-z)), np.ones_like(z[:1])])
    share = np.maximum(np.diff(up_to, axis=0), 1e-300)
    index = level.astype(int) - 1
    rows = np.arange(len(level)) if share.shape[1] > 1 else np.zeros(len(level), int)
    chosen: _Floats = np.log(share[index, rows])
    return chosen
