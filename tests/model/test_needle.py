import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from model import needle

# Segment areas over r² at heights h/r, from the closed form in terms of the central angle,
# (θ − sin θ)/2 with θ = 2 arccos(1 − h/r): values of the table "Segments of circles" in engineering
# handbooks, radius 1 (from memory of the table's layout; digits calculated with mpmath).
_TABLE = {0.1: 0.058725, 0.2: 0.163501, 0.5: 0.614185, 1.0: 1.570796, 1.5: 2.527408}


@pytest.mark.parametrize(("height", "area"), _TABLE.items())
def test_segment_table(height: float, area: float) -> None:
    """Segment areas match the handbook's closed form in the central angle."""
    assert needle.segment_area(1.0, height) == pytest.approx(area, abs=2e-6)


@given(st.floats(1e-3, 1.9), st.floats(5e-4, 3e-3))
def test_segment_is_the_integral_of_its_chord(share: float, radius: float) -> None:
    """Segment areas match a numerical integral of the chord over the height (scipy)."""
    unit, _ = quad(lambda h: 2.0 * np.sqrt(max(2.0 * h - h * h, 0.0)), 0.0, share)
    assert needle.segment_area(radius, share * radius) == pytest.approx(unit * radius**2, rel=1e-6)


@given(st.floats(1e-3, 1.9))
def test_depth_for_area_inverts(share: float) -> None:
    """The depth found for an area uncovers that area."""
    radius, orifice = 1.5e-3, 3.02e-3
    area = needle.segment_area(radius, share * radius) + needle.clearance_area(orifice, 2 * radius)
    found = needle.depth_for_area(np.array([area]), orifice, 2 * radius)
    assert found[0] == pytest.approx(share * radius, rel=1e-5)


def test_no_flat_for_less_than_the_clearance() -> None:
    """An area below the clearance needs no flat at all."""
    clearance = needle.clearance_area(3.02e-3, 3e-3)
    assert needle.depth_for_area(np.array([0.5 * clearance]), 3.02e-3, 3e-3)[0] == 0.0


def test_fuel_area_grows_along_the_taper() -> None:
    """Further out, and on a steeper needle, more fuel passes."""
    lengths = np.linspace(-2e-3, 0.035, 200)
    areas = needle.fuel_area(lengths, 0.03, 3.02e-3, 3e-3)
    assert np.all(np.diff(areas) > 0)
    assert np.all(needle.fuel_area(lengths[20:], 0.031, 3.02e-3, 3e-3) > areas[20:])
