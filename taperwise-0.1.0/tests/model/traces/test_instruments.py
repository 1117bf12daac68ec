"""The channels beside the exhaust temperature."""

import numpy as np
import pytest

from taperwise.model.traces.instruments import leaning_begins, read_instruments

_T = np.arange(0.0, 60.0, 0.5)


def test_readings_at_full_rich(rng: np.random.Generator) -> None:
    """Speed, lambda and flow are those before leaning; the rise of speed is what leaning gained."""
    leaning = np.clip((_T - 20.0) / 20.0, 0.0, 1.0)
    rpm = 2700.0 + 40.0 * np.sin(np.pi * leaning) + rng.normal(0, 2, len(_T))
    channels = {"rpm": rpm, "lambda": 0.85 + 0.2 * leaning, "fuel_flow": (1.0 - 0.2 * leaning) * 1e-5}
    found = read_instruments(_T, channels, {"EGT": 900 + 50 * leaning}, {"CHT": 450 + 20 * leaning}, 20.0, 60.0)
    assert found.static_rpm == pytest.approx(2700, abs=3)
    assert found.power_rpm_rise == pytest.approx(40, abs=4)
    assert found.lambda_full_rich == pytest.approx(0.85)
    assert found.fuel_flow_m3_s == pytest.approx(1e-5)
    assert found.highest == pytest.approx({"cht": 470, "egt": 950, "rpm": 2740}, abs=4)
    assert not found.throttle_moved


def test_a_throttle_that_moved_is_seen(rng: np.random.Generator) -> None:
    """Manifold pressure that drops during the sweep is no matter of scatter; its scatter alone is."""
    steady = 95_000 + rng.normal(0, 300, len(_T))
    moved = steady - np.where(_T > 30, 6_000, 0)
    assert not read_instruments(_T, {"manifold_pressure": steady}, {}, {}, 20.0, 60.0).throttle_moved
    assert read_instruments(_T, {"manifold_pressure": moved}, {}, {}, 20.0, 60.0).throttle_moved


def test_gaps_and_missing_channels() -> None:
    """No channel, or one full of gaps, is no reading; nothing is made up."""
    nothing = read_instruments(_T, {"rpm": np.full(len(_T), np.nan)}, {}, {}, 20.0, 60.0)
    assert (nothing.static_rpm, nothing.power_rpm_rise, nothing.lambda_full_rich, nothing.highest) == (
        None, None, None, {},
    )  # fmt: skip
    assert read_instruments(_T, {"lambda": np.full(len(_T), 0.9)}, {}, {}, np.nan, 60.0).lambda_full_rich is None


@pytest.mark.parametrize("rich", [0.0, 100.0])
def test_the_mixture_control_tells_when_leaning_began(rich: float) -> None:
    """The moment it leaves full rich, whichever way it counts, and again in a second sweep."""
    control = np.interp(_T, [0, 15, 25, 30, 45, 55], [rich, rich, 50, rich, rich, 50])
    begins = leaning_begins(_T, control)
    assert begins == pytest.approx((15.5, 45.5), abs=1.0)
    assert leaning_begins(_T, np.full(len(_T), rich)) == ()
