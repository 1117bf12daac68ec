import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import optimize, stats

from taperwise.model.inference.coordinate_scales import BEND, UNIT
from taperwise.model.inference.reparameterization import (
    RoundedTent,
    TailTransform,
    apply_tail_transform,
    from_coordinate,
)
from taperwise.model.physics.backend import NUMPY
from taperwise.model.physics.noise import MISREAD_SHARE, MISREAD_WIDTH

_TENTS = st.builds(RoundedTent, st.floats(0.3, 3.0), st.floats(0.01, 0.2))
_ONE, _OTHER = RoundedTent(0.5, 0.02), RoundedTent(2.0, 0.15)


def _reading(x: float, tent: RoundedTent) -> float:
    # the difference of root and width, without cancellation near the peak
    return float(np.sign(x) * tent.scale * x * x / (np.sqrt(x * x + tent.width**2) + tent.width))


@given(st.floats(-1.0, 1.0), _TENTS, _TENTS)
@example(0.0, _ONE, _OTHER)
@example(1e-9, _OTHER, _ONE)
def test_same_reading(v: float, reference: RoundedTent, curve: RoundedTent) -> None:
    """A coordinate shows the same reading on the reference and on the curve."""
    x, _ = from_coordinate(np.float64(v), reference, curve, NUMPY)
    assert _reading(float(x), curve) == pytest.approx(_reading(v, reference), rel=1e-9, abs=1e-300)


@given(st.floats(-1.0, 1.0), _TENTS, _TENTS)
@example(0.0, _ONE, _OTHER)
@example(1e-9, _OTHER, _ONE)
def test_slope(v: float, reference: RoundedTent, curve: RoundedTent) -> None:
    """The map's slope matches a numerical derivative, through the peak as well."""
    h = 1e-5
    (low, _), (high, _) = (from_coordinate(np.float64(v + s * h), reference, curve, NUMPY) for s in (-1, 1))
    _, ln_slope = from_coordinate(np.float64(v), reference, curve, NUMPY)
    assert ln_slope == pytest.approx(np.log((high - low) / (2 * h)), abs=2e-6)


@given(st.floats(-1.0, 1.0), _TENTS)
def test_a_curve_maps_to_itself(v: float, curve: RoundedTent) -> None:
    """With the reference as the curve, the coordinate is the distance and the slope is one."""
    x, ln_slope = from_coordinate(np.float64(v), curve, curve, NUMPY)
    assert (float(x), float(ln_slope)) == (pytest.approx(v, rel=1e-9, abs=1e-300), pytest.approx(0.0, abs=1e-9))


@given(st.floats(-6.0, 6.0), st.floats(0.0, 1.0), st.floats(0.01, 2.0), st.floats(0.0, 1.0))
@example(0.0, 0.83, 1.0, 0.25)
@example(6.0, 0.83, 1.0, 0.25)
def test_slope_of_what_is_bent(z: float, bend: float, unit: float, share: float) -> None:
    """The slope matches a numerical derivative; without a bend it is a shift and a unit."""
    h, bent = 1e-5, TailTransform(0.3, unit, bend, share * bend)
    low, high = (float(apply_tail_transform(np.float64(z + s * h), bent, NUMPY)[0]) for s in (-1, 1))
    at, ln_slope = apply_tail_transform(np.float64(z), bent, NUMPY)
    assert ln_slope == pytest.approx(np.log((high - low) / (2 * h)), abs=2e-6)
    assert ln_slope >= np.log(unit)
    if bend == 0.0:
        assert float(at) == pytest.approx(0.3 + unit * z)


@pytest.mark.parametrize("z", [0.25, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0])
def test_bent_as_a_reading_scatters(z: float) -> None:
    """A standard normal, bent, has the quantiles of a reading that may be a misreading, from the middle to four
    standard deviations; those are scipy's logistic, mixed, to a fifth. Unbent they would be off by a factor of six.
    """

    def share_below(x: float) -> float:
        good, bad = stats.logistic.cdf(x), stats.logistic.cdf(x / MISREAD_WIDTH)
        return float((1.0 - MISREAD_SHARE) * good + MISREAD_SHARE * bad)

    quantile = optimize.brentq(lambda x: share_below(x) - stats.norm.cdf(z), 0.0, 100.0)
    bent, _ = apply_tail_transform(np.float64(z), TailTransform(0.0, UNIT, BEND, 0.0), NUMPY)
    assert float(bent) == pytest.approx(quantile, rel=0.2)


def test_it_runs_evenly_where_the_bend_ends() -> None:
    """Far out a unit of the coordinate stands for as much everywhere: the bend over where it ends, in units."""
    bent = TailTransform(0.0, 2.0, 0.8, 0.2)
    far, ln_slope = apply_tail_transform(np.array([-400.0, 200.0, 400.0]), bent, NUMPY)
    assert far == pytest.approx(8.0 * np.array([-400.0, 200.0, 400.0]), rel=1e-3)
    assert ln_slope == pytest.approx(np.log(8.0), abs=1e-3)
