"""Will it hold: the present setting in other air."""

import pytest
from CoolProp.CoolProp import HAPropsSI
from fluids import ATMOSPHERE_1976

from taperwise.model.physics.air import density_ratio
from taperwise.model.prediction.density_sensitivity import HOT_HIGH
from taperwise.model.recommender import Recommender
from taperwise.shared.records import Installation
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run


def test_the_hot_day_is_at_its_elevation() -> None:
    """Its pressure is the standard one at 6,000 ft (`fluids`), its density that of such air (CoolProp)."""
    pressure = HOT_HIGH.pressure_pascal
    assert pressure == pytest.approx(ATMOSPHERE_1976(6_000 * 0.3048).P, rel=1e-3)
    state = ("T", 273.15 + 35.0, "P", pressure, "R", HOT_HIGH.relative_humidity)
    theirs = (1.0 + HAPropsSI("W", *state)) / HAPropsSI("V", *state) / ATMOSPHERE_1976(0.0).rho
    assert density_ratio(HOT_HIGH) == pytest.approx(theirs, rel=1e-3)


def test_a_right_setting_holds_near_its_own_air(recorded: Recommender, installation: Installation) -> None:
    """The band holds the air the runs were made in; thin air is richer, thick air leaner."""
    run = Run(Air(288.15, 101_325.0), rise=ExhaustRise(RiseSeen.PEAK, 55.0), idle_quality=IdleQuality.SMOOTH,
              idle_rpm_rise=35.0)  # fmt: skip
    found = recorded.will_it_hold(recorded.fit(installation, [run] * 3))
    assert found.band is not None
    low, high = found.band
    assert low < 1.0 < high
    assert found.hot_high.rise_kelvin.median > 55.0 > found.cold_low.rise_kelvin.median
    chances = [a.chance_both for a in found.fan]
    assert max(chances) > 0.8
    assert found.fan[0].density_ratio < found.fan[-1].density_ratio


def test_a_wrong_setting_holds_nowhere(recorded: Recommender, installation: Installation) -> None:
    """Far too rich and stumbling at idle: no air makes both ends right."""
    run = Run(Air(288.15, 101_325.0), rise=ExhaustRise(RiseSeen.PEAK, 170.0), idle_quality=IdleQuality.LEAN_STUMBLING)
    assert recorded.will_it_hold(recorded.fit(installation, [run] * 2)).band is None
