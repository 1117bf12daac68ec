"""Predictions in the reader's terms: what a run at a setting should show."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics import noise
from taperwise.model.physics.meters import scatter_of
from taperwise.model.physics.mixture import idle_cutpoints
from taperwise.model.physics.priors import POWER_RISE_SHARE, ROUGH_RISE_KELVIN
from taperwise.model.prediction.setting_draws import SettingDraws, chance, interval
from taperwise.shared.meters import meters
from taperwise.shared.recommendation import Prediction

__all__ = ["Outcomes", "draw_outcomes", "level_chances", "predict"]


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
    """One run's readings for every draw, noise included."""
    u = posterior.unknowns
    c = idle_cutpoints(u)
    blurred = outlook.idle + u.idle_blur[:, 0] * rng.logistic(size=len(outlook.idle))
    level = 1.0 + sum((blurred > cut[:, 0]).astype(float) for cut in c[:4])
    return Outcomes(
        rise=noise.draw(outlook.rise, u.rise_noise[:, 0], rng),
        level=noise.draw_level(level, rng),
        idle_rise=noise.draw(outlook.idle_rise, u.idle_rise_noise[:, 0], rng),
        static_rpm=noise.draw(outlook.static_rpm, u.static_rpm_noise[:, 0], rng),
        idle_rpm=noise.draw(outlook.idle_rpm, u.idle_rpm_noise[:, 0], rng),
        power_rise=noise.draw(outlook.power_rise, POWER_RISE_SHARE * u.static_rpm_noise[:, 0], rng),
        ln_meters=np.stack(
            [
                noise.draw(shown, np.array(scatter_of(meter.name)), rng)
                for meter, shown in zip(meters(), outlook.ln_meters, strict=True)
            ],
            axis=1,
        ),
    )


def level_chances(outlook: SettingDraws, posterior: Posterior) -> tuple[float, float, float, float, float]:
    """Probabilities of the five idle judgements, leanest first; they sum to 1."""
    u = posterior.unknowns
    up_to = [
        float(np.mean(1.0 / (1.0 + np.exp(-(cut[:, 0] - outlook.idle) / u.idle_blur[:, 0]))))
        for cut in idle_cutpoints(u)[:4]
    ]
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
        density_ratio=math.exp(outlook.ln_density),
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
