import numpy as np
import pytest

from model.engine import idle, static_speed
from model.engine.backend import NUMPY
from model.engine.priors import PRIORS

_CURVATURE = PRIORS["static_curvature"].centre


@pytest.mark.parametrize(("phi", "lost"), [(1.2, 0.008), (0.9, 0.026)])
def test_static_speed_against_mixture(phi: float, lost: float) -> None:
    """Static speed falls as in the equilibrium cycle (calculated with Cantera)."""
    best = static_speed.static_speed(static_speed.BEST_LN_MIXTURE, 2700.0, _CURVATURE, 0.0)
    assert 1 - static_speed.static_speed(np.log(phi), 2700.0, _CURVATURE, 0.0) / best == pytest.approx(lost, abs=0.001)


@pytest.mark.parametrize(("sigma", "ratio"), [(0.9428, 0.997), (0.8617, 0.993), (0.7861, 0.988)])
def test_static_speed_against_density(sigma: float, ratio: float) -> None:
    """Static speed at 2,000, 5,000 and 8,000 ft over sea level (Gagg-Farrar lapse from memory, calculated)."""
    here = static_speed.static_speed(0.08, 2700.0, _CURVATURE, np.log(sigma))
    # with a fixed-pitch propeller power over density gives the cube of speed: the lapse over sigma
    assert here / 2700.0 == pytest.approx(ratio, abs=0.0005)


def test_idle_rise_in_the_middle_of_smooth() -> None:
    """The middle of smooth shows the 25 to 50 rpm on slow leaning that FAA-H-8083-32 vol. 1 calls usually
    satisfactory (second-hand).
    """
    middle = 0.5 * PRIORS["idle_gap_smooth"].centre - PRIORS["idle_best"].centre
    rise = idle.leaning_rise(middle, 0.0, PRIORS["idle_gain"].centre, 800.0, 0.0, 0.5, NUMPY)
    assert 25 <= rise <= 50


def test_no_rise_when_lean() -> None:
    """Leaner than best, leaning raises nothing (common practice, no published source)."""
    assert idle.leaning_rise(-0.05, 0.0, 1.6, 800.0, 0.0, 0.5) < 0


def test_opening_the_slide_idles_faster() -> None:
    """More air, more speed."""
    slow, fast = (idle.idle_speed(0.0, 0.0, 1.6, 800.0, x, 0.5) for x in (0.0, 0.1))
    assert fast > slow
