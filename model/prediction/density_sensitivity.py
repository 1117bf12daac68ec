"""Will it hold? The present setting in other air: a hot high day, a cold low one, and the band in which it is right."""

import math

import numpy as np

from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.air import Conditions, conditions_at, conditions_of, density_altitude_m
from taperwise.model.prediction.setting_draws import chance, interval, predict_settings
from taperwise.shared.recommendation import AirOutlook, Holding
from taperwise.shared.runs import Air

__all__ = ["COLD_LOW", "HOT_HIGH", "density_sensitivity", "on_a_cold_low_day"]

HOT_HIGH = Air(308.15, 81_200.0, 0.2)
"""35 °C at 6,000 ft: 812 hPa is the standard pressure there (US Standard Atmosphere 1976)."""

COLD_LOW = Air(258.15, 103_500.0, 0.5)
"""−15 °C at sea level under a winter high."""

_FAN = np.exp(np.linspace(math.log(0.70), math.log(1.20), 21))
_LIKELY = 0.5


def _in_air(posterior: Posterior, conditions: Conditions) -> AirOutlook:
    outlook = predict_settings(posterior, [posterior.evidence.position], conditions)[0]
    ratio = math.exp(conditions.ln_density)
    return AirOutlook(
        density_ratio=ratio,
        density_altitude_m=density_altitude_m(ratio),
        rise_kelvin=interval(np.maximum(outlook.rise, 0.0)),
        chance_full_throttle=chance(outlook.full_right),
        chance_idle=chance(outlook.idle_right),
        chance_both=chance(outlook.full_right & outlook.idle_right),
        lean_chance=chance(outlook.lean),
    )


def on_a_cold_low_day(posterior: Posterior) -> AirOutlook:
    """The present setting in the densest air it is likely to meet, where it is leanest."""
    return _in_air(posterior, conditions_of(COLD_LOW, posterior.evidence.conditions.ln_head))


def density_sensitivity(posterior: Posterior) -> Holding:
    """The present setting over the densities met on the ground.

    Returns
    -------
    Holding
        Its band runs over the grid of densities at which both ends are more likely right than not, around the best
        one; None where there is none.
    """
    head = posterior.evidence.conditions.ln_head
    fan = tuple(_in_air(posterior, conditions_at(float(x), head)) for x in _FAN)
    best = max(range(len(fan)), key=lambda i: fan[i].chance_both)
    band = None
    if fan[best].chance_both >= _LIKELY:
        low = high = best
        while low > 0 and fan[low - 1].chance_both >= _LIKELY:
            low -= 1
        while high < len(fan) - 1 and fan[high + 1].chance_both >= _LIKELY:
            high += 1
        band = (fan[low].density_ratio, fan[high].density_ratio)
    hot = _in_air(posterior, conditions_of(HOT_HIGH, head))
    return Holding(hot_high=hot, cold_low=on_a_cold_low_day(posterior), band=band, fan=fan)
