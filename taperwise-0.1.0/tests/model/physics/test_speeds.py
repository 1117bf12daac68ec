import numpy as np
import pytest
from fluids import ATMOSPHERE_1976
from hypothesis import given
from hypothesis import strategies as st

from taperwise.model.physics import idle, static_speed
from taperwise.model.physics.backend import NUMPY
from taperwise.model.physics.priors import PRIORS
from tests.outside.exhaust_cycle import speeds_lost

_CURVATURE = PRIORS["static_curvature"].centre


def test_static_speed_against_mixture() -> None:
    """Static speed falls as the power of the equilibrium cycle has it (Cantera): within 0.2 % of the speed, and where
    the curvature was read off, at 0.9 and 1.2, within 0.12 %.
    """
    phi = [0.9, 1.0, 1.1, 1.2]
    best = static_speed.static_speed(static_speed.BEST_LN_MIXTURE, 2700.0, _CURVATURE, 0.0)
    ours = 1 - static_speed.static_speed(np.log(phi), 2700.0, _CURVATURE, 0.0) / best
    theirs = speeds_lost(phi)
    assert ours == pytest.approx(theirs, abs=0.002)
    assert ours[[0, -1]] == pytest.approx(theirs[[0, -1]], abs=0.0012)


@given(st.floats(-1000.0, 3500.0))
def test_static_speed_against_density(metres: float) -> None:
    """Static speed at height: the cube root of power over density, the power by Gagg and Farrar's rule.

    The rule, (σ − 0.117)/0.883, is as handbooks and other programs repeat it (second-hand); σ is that of `fluids`.
    """
    sigma = ATMOSPHERE_1976(metres).rho / ATMOSPHERE_1976(0.0).rho
    here = static_speed.static_speed(static_speed.BEST_LN_MIXTURE, 2700.0, _CURVATURE, np.log(sigma))
    assert here / 2700.0 == pytest.approx(np.cbrt((sigma - 0.117) / 0.883 / sigma), abs=1e-4)


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
