"""Will it hold: the present setting in other air."""

import pytest

from model.advisor import Advisor
from model.engine.air import density_altitude_m, density_ratio, density_ratio_at
from model.setting.holding import HOT_HIGH
from shared.records import Installation
from shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run

# US Standard Atmosphere 1976 (`fluids` and `ambiance` agree)
_SIGMA = [(0.0, 1.0), (2000.0, 0.9428), (5000.0, 0.8617), (8000.0, 0.7861)]


@pytest.mark.parametrize(("feet", "sigma"), _SIGMA)
def test_density_altitude_and_back(feet: float, sigma: float) -> None:
    """The table's densities at the table's altitudes, both ways."""
    assert density_ratio_at(feet * 0.3048) == pytest.approx(sigma, abs=1e-4)
    assert density_altitude_m(sigma) / 0.3048 == pytest.approx(feet, abs=5.0)


def test_the_hot_day_is_at_its_elevation() -> None:
    """812 hPa is the standard pressure at 6,000 ft (US Standard Atmosphere 1976, 81,200 Pa)."""
    assert pytest.approx(0.745, abs=0.01) == density_ratio(HOT_HIGH)


def test_a_right_setting_holds_near_its_own_air(recorded: Advisor, installation: Installation) -> None:
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


def test_a_wrong_setting_holds_nowhere(recorded: Advisor, installation: Installation) -> None:
    """Far too rich and stumbling at idle: no air makes both ends right."""
    run = Run(Air(288.15, 101_325.0), rise=ExhaustRise(RiseSeen.PEAK, 170.0), idle_quality=IdleQuality.LEAN_STUMBLING)
    assert recorded.will_it_hold(recorded.fit(installation, [run] * 2)).band is None
