import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from model.backend import NUMPY
from model.geometry import Tent, from_coordinate

_TENTS = st.builds(Tent, st.floats(0.3, 3.0), st.floats(0.01, 0.2))


def _reading(x: float, tent: Tent) -> float:
    return float(np.sign(x) * tent.scale * (np.sqrt(x * x + tent.width**2) - tent.width))


@given(st.floats(-1.0, 1.0), _TENTS, _TENTS)
def test_same_reading(v: float, reference: Tent, curve: Tent) -> None:
    """A coordinate shows the same reading on the reference and on the curve."""
    x, _ = from_coordinate(np.float64(v), reference, curve, NUMPY)
    assert _reading(float(x), curve) == pytest.approx(_reading(v, reference), abs=1e-9, rel=1e-6)


@given(st.floats(-1.0, 1.0), _TENTS, _TENTS)
def test_slope(v: float, reference: Tent, curve: Tent) -> None:
    """The map's slope matches a numerical derivative, through the peak as well."""
    h = 1e-5
    (low, _), (high, _) = (from_coordinate(np.float64(v + s * h), reference, curve, NUMPY) for s in (-1, 1))
    _, ln_slope = from_coordinate(np.float64(v), reference, curve, NUMPY)
    assert np.exp(ln_slope) == pytest.approx((high - low) / (2 * h), rel=2e-3)
