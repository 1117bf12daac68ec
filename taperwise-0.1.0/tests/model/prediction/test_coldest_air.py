"""The coldest air to come: what it does to full throttle, and what is asked of it today."""

from dataclasses import replace

import numpy as np
import pytest
from CoolProp.CoolProp import HAPropsSI

from taperwise.model.physics.exhaust import rise
from taperwise.model.prediction.density_sensitivity import in_the_coldest_air
from taperwise.model.prediction.setting_draws import chance, coldest_of, predict_current
from taperwise.model.prediction.stages import confidence_of
from taperwise.shared.records import Installation, Targets
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests.model.without_sampler import engines

_WARM, _COLD = Air(303.15, 100_000.0, 0.4), Air(263.15, 102_000.0, 0.5)
_RUN = Run(_WARM, rise=ExhaustRise(RiseSeen.PEAK, 100 / 1.8), idle_quality=IdleQuality.SMOOTH)
_ALWAYS = Targets(rise_kelvin=(5.0, 400.0))


def _dry_and_whole(air: Air) -> tuple[float, float]:
    """Share of dry air, and density of the moist air [kg/m³], by CoolProp."""
    state = ("T", air.temperature_kelvin, "P", air.pressure_pascal, "R", air.relative_humidity)
    vapour = HAPropsSI("W", *state)
    return 1.0 / (1.0 + vapour), (1.0 + vapour) / HAPropsSI("Vha", *state) / (1.0 + vapour)


def test_denser_air_leans_by_its_density_and_its_oxygen(installation: Installation) -> None:
    """Fuel drawn by suction goes with √density, air with density, oxygen with the dry share (densities: CoolProp)."""
    cold = replace(installation, coldest_air=_COLD)
    posterior = engines(cold, [_RUN] * 2, 0.2)
    found = coldest_of(posterior.unknowns, posterior.evidence, posterior.evidence.conditions)
    assert found is not None
    (dry_now, now), (dry_then, then) = _dry_and_whole(_WARM), _dry_and_whole(_COLD)
    wanted = -posterior.unknowns.density_exponent * np.log(then / now) - np.log(dry_then / dry_now)
    assert found.shift == pytest.approx(wanted, abs=3e-3)
    assert np.all(found.shift < -0.05)


@pytest.mark.parametrize(("ln_full", "right"), [(0.05, False), (0.35, True)])
def test_what_would_run_lean_then_is_not_right_now(installation: Installation, ln_full: float, right: bool) -> None:
    """Where the band has room, full throttle near the peak on a warm day is not right, though it is in the band."""
    wide = replace(installation, targets=_ALWAYS)
    without = engines(wide, [_RUN] * 2, ln_full)
    told = engines(replace(wide, coldest_air=_COLD), [_RUN] * 2, ln_full)
    assert chance(predict_current(without).full_right) > 0.95
    now = predict_current(told)
    assert (chance(now.full_right) > 0.9) is right
    assert now.lean_when_coldest is not None
    assert (chance(now.lean_when_coldest) > 0.05) is not right
    assert confidence_of(told, now).full_throttle.confirmed is right
    assert confidence_of(without, predict_current(without)).full_throttle.confirmed


def test_a_band_without_room_is_told_and_kept(installation: Installation) -> None:
    """A band whose rich end would run lean on the coldest day stays the owner's band; the rise needed is beyond it."""
    narrow = Targets(rise_kelvin=(10.0, 30.0))
    cold = replace(installation, targets=narrow, coldest_air=_COLD)
    posterior, without = (engines(each, [_RUN] * 2, 0.05) for each in (cold, replace(cold, coldest_air=None)))
    assert list(predict_current(posterior).full_right) == list(predict_current(without).full_right)
    told = in_the_coldest_air(posterior)
    assert told is not None
    assert not told.band_has_room
    assert told.safe_rise_today_kelvin > narrow.rise_kelvin[1]
    assert told.rise_then_kelvin < told.rise_today_kelvin
    assert in_the_coldest_air(without) is None


def test_the_safe_rise_is_safe(installation: Installation) -> None:
    """At the rise that is called safe, the chance of running lean then is at the limit, counted over the draws."""
    cold = replace(installation, targets=_ALWAYS, coldest_air=_COLD)
    posterior = engines(cold, [_RUN] * 2, 0.2)
    told = in_the_coldest_air(posterior)
    assert told is not None
    u, evidence = posterior.unknowns, posterior.evidence
    found = coldest_of(u, evidence, evidence.conditions)
    assert found is not None
    # a draw's own curve, halved until the rise is met
    low, high = np.zeros_like(found.shift), np.full_like(found.shift, 2.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        above = rise(middle, u.exhaust_scale, u.exhaust_width) > told.safe_rise_today_kelvin
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    lean = found.lean(0.5 * (low + high))
    assert chance(lean) == pytest.approx(cold.limits.lean_chance, abs=0.01)
