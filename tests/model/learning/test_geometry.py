import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from model.engine.backend import NUMPY
from model.learning.geometry import Tent, from_coordinate

_TENTS = st.builds(Tent, st.floats(0.3, 3.0), st.floats(0.01, 0.2))
_ONE, _OTHER = Tent(0.5, 0.02), Tent(2.0, 0.15)


def _reading(x: float, tent: Tent) -> float:
    # the difference of root and width, without cancellation near the peak
    return float(np.sign(x) * tent.scale * x * x / (np.sqrt(x * x + tent.width**2) + tent.width))


@given(st.floats(-1.0, 1.0), _TENTS, _TENTS)
@example(0.0, _ONE, _OTHER)
@example(1e-9, _OTHER, _ONE)
def test_same_reading(v: float, reference: Tent, curve: Tent) -> None:
    """A coordinate shows the same reading on the reference and on the curve."""
    x, _ = from_coordinate(np.float64(v), reference, curve, NUMPY)
    assert _reading(float(x), curve) == pytest.approx(_reading(v, reference), rel=1e-9, abs=1e-300)


@given(st.floats(-1.0, 1.0), _TENTS, _TENTS)
@example(0.0, _ONE, _OTHER)
@example(1e-9, _OTHER, _ONE)
def test_slope(v: float, reference: Tent, curve: Tent) -> None:
    """The map's slope matches a numerical derivative, through the peak as well."""
    h = 1e-5
    (low, _), (high, _) = (from_coordinate(np.float64(v + s * h), reference, curve, NUMPY) for s in (-1, 1))
    _, ln_slope = from_coordinate(np.float64(v), reference, curve, NUMPY)
    assert ln_slope == pytest.approx(np.log((high - low) / (2 * h)), abs=2e-6)


@given(st.floats(-1.0, 1.0), _TENTS)
def test_a_curve_maps_to_itself(v: float, curve: Tent) -> None:
    """With the reference as the curve, the coordinate is the distance and the slope is one."""
    x, ln_slope = from_coordinate(np.float64(v), curve, curve, NUMPY)
    assert (float(x), float(ln_slope)) == (pytest.approx(v, rel=1e-9, abs=1e-300), pytest.approx(0.0, abs=1e-9))
