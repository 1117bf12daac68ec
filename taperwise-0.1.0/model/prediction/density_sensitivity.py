"""Will it hold? The present setting in other air: a hot high day, a cold low one, and the band in which it is right."""

import math

import numpy as np

from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.air import COLD_LOW, Conditions, conditions_at, conditions_of, density_altitude_m
from taperwise.model.physics.exhaust import rise
from taperwise.model.prediction.setting_draws import chance, coldest_of, interval, predict_settings
from taperwise.shared.outlook import ColdestAir
from taperwise.shared.recommendation import AirOutlook, Holding
from taperwise.shared.runs import Air

__all__ = ["HOT_HIGH", "density_sensitivity", "in_the_coldest_air", "on_a_cold_low_day"]

HOT_HIGH = Air(308.15, 81_200.0, 0.2)
"""35 °C at 6,000 ft: 812 hPa is the standard pressure there (US Standard Atmosphere 1976)."""

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
    air = posterior.evidence.installation.coldest_air or COLD_LOW
    return _in_air(posterior, conditions_of(air, posterior.evidence.conditions.ln_head))


def in_the_coldest_air(posterior: Posterior) -> ColdestAir | None:
    """What the coldest air to come asks of full throttle today; None where the owner did not say how cold."""
    evidence, u = posterior.evidence, posterior.unknowns
    air = evidence.installation.coldest_air
    coldest = coldest_of(u, evidence, evidence.conditions)
    if air is None or coldest is None:
        return None
    now = predict_settings(posterior, [evidence.position], evidence.conditions)[0]
    needed = rise(coldest.spare - coldest.shift, u.exhaust_scale, u.exhaust_width)[:, 0]
    then = rise(now.full[:, None] + coldest.shift, u.exhaust_scale, u.exhaust_width)[:, 0]
    return ColdestAir(
        temperature_kelvin=air.temperature_kelvin,
        rise_today_kelvin=float(np.median(np.maximum(now.rise, 0.0))),
        rise_then_kelvin=float(np.median(np.maximum(then, 0.0))),
        safe_rise_today_kelvin=float(np.quantile(needed, 1.0 - evidence.installation.limits.lean_chance)),
        lean_chance=chance(coldest.lean(now.full[:, None])),
        band_has_room=coldest.counts,
    )


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
