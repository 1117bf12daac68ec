"""Predictions in the reader's terms: what a run at a setting should show."""

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics import noise
from taperwise.model.physics.meters import scatter_of
from taperwise.model.physics.mixture import Unknowns, idle_cutpoints
from taperwise.model.physics.priors import EAR_BIAS, GAUGE_BIAS_KELVIN, POWER_RISE_SHARE, ROUGH_RISE_KELVIN
from taperwise.model.prediction.setting_draws import SettingDraws, chance, interval
from taperwise.shared.meters import meters
from taperwise.shared.recommendation import Prediction

__all__ = ["Outcomes", "draw_outcomes", "judging_blur", "level_chances", "predict"]


class Outcomes(NamedTuple):
    """Readings drawn for a setting, arrays of shape (draws,): latent rise [K] (below zero it falls at once,
    beyond `ROUGH_RISE_KELVIN` the engine is rough before a peak), idle level 1 to 5, rise of idle speed,
    static and idle speed, rise of static speed [rpm]; ln of every meter of `taperwise.shared.meters`, (draws, meters).
    """

    rise: NDArray[np.float64]
    level: NDArray[np.float64]
    idle_rise: NDArray[np.float64]
    static_rpm: NDArray[np.float64]
    idle_rpm: NDArray[np.float64]
    power_rise: NDArray[np.float64]
    ln_meters: NDArray[np.float64]


def draw_outcomes(outlook: SettingDraws, posterior: Posterior, rng: np.random.Generator) -> Outcomes:
    """One run's readings for every draw, noise included; each with the scatter of the run's mixture by itself."""
    u = posterior.unknowns
    c, one = idle_cutpoints(u), outlook.one_richer

    def drawn(shown: NDArray[np.float64], one_richer: NDArray[np.float64], scale: NDArray[np.float64]) -> Any:
        return noise.draw(shown, np.hypot(scale, noise.LOGISTIC_SCALE * (one_richer[:, 0] - shown)), rng)

    heard = outlook.idle + EAR_BIAS * u.ear_bias[:, 0]
    blurred = heard + judging_blur(u)[:, 0] * rng.logistic(size=len(heard))
    level = 1.0 + sum((blurred > cut[:, 0]).astype(float) for cut in c[:4])
    return Outcomes(
        rise=GAUGE_BIAS_KELVIN * u.gauge_bias[:, 0] + drawn(outlook.rise, one.rise, u.rise_noise[:, 0]),
        level=noise.draw_level(level, rng),
        idle_rise=drawn(outlook.idle_rise, one.idle_rise, u.idle_rise_noise[:, 0]),
        static_rpm=drawn(outlook.static_rpm, one.static_rpm, u.static_rpm_noise[:, 0]),
        idle_rpm=drawn(outlook.idle_rpm, one.idle_rpm, u.idle_rpm_noise[:, 0]),
        power_rise=drawn(outlook.power_rise, one.power_rise, POWER_RISE_SHARE * u.static_rpm_noise[:, 0]),
        ln_meters=np.stack(
            [
                drawn(shown, one_richer, np.array(scatter_of(meter.name)))
                for meter, shown, one_richer in zip(meters(), outlook.ln_meters, one.ln_meters, strict=True)
            ],
            axis=1,
        ),
    )


def judging_blur(u: Unknowns) -> NDArray[np.float64]:
    """Logistic scale of a judgement of idle and of its run's own mixture together [ln phi], (draws, 1)."""
    blur: NDArray[np.float64] = np.hypot(u.idle_blur, noise.LOGISTIC_SCALE * u.mixture_scatter)
    return blur


def level_chances(outlook: SettingDraws, posterior: Posterior) -> tuple[float, float, float, float, float]:
    """Probabilities of the five idle judgements, leanest first; they sum to 1."""
    u = posterior.unknowns
    heard, blur = outlook.idle + EAR_BIAS * u.ear_bias[:, 0], judging_blur(u)[:, 0]
    up_to = [float(np.mean(1.0 / (1.0 + np.exp(-(cut[:, 0] - heard) / blur)))) for cut in idle_cutpoints(u)[:4]]
    edges = (0.0, *up_to, 1.0)
    good, any_of_five = 1.0 - noise.MISJUDGED_SHARE, noise.MISJUDGED_SHARE / 5.0
    p1, p2, p3, p4, p5 = (good * (edges[i + 1] - edges[i]) + any_of_five for i in range(5))
    return p1, p2, p3, p4, p5


def predict(outlook: SettingDraws, posterior: Posterior) -> Prediction:
    """What a run at this setting should show, all that is uncertain integrated out."""
    drawn = draw_outcomes(outlook, posterior, np.random.default_rng([posterior.seed, 2]))
    return Prediction(
        needle=outlook.position.needle,
        position_turns=outlook.position.turns,
        density_ratio=math.exp(outlook.conditions.ln_density),
        rise_kelvin=interval(np.maximum(drawn.rise, 0.0)),
        fell_at_once_chance=chance(drawn.rise < 0.0),
        rough_before_peak_chance=chance(drawn.rise > ROUGH_RISE_KELVIN),
        mixture_full_throttle=interval(np.exp(outlook.full)),
        mixture_idle=interval(np.exp(outlook.idle)),
        idle_quality=level_chances(outlook, posterior),
        idle_rpm=interval(drawn.idle_rpm),
        chance_full_throttle=chance(outlook.full_right),
        chance_idle=chance(outlook.idle_right),
        chance_both=chance(outlook.full_right & outlook.idle_right),
        lean_chance=chance(outlook.lean),
    )
