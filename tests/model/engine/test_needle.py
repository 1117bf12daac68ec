import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from model.engine import needle

# Areas of circular segments of radius 1 by height, as engineering handbooks tabulate them under "segments of
# circles"; the table's layout from memory, the digits calculated here from the central angle, (θ − sin θ)/2 with
# θ = 2 arccos(1 − h).
_TABLE = {0.1: 0.058726, 0.2: 0.163501, 0.5: 0.614185, 1.0: 1.570796, 1.5: 2.527408}

_ORIFICE, _NEEDLE = 3.02e-3, 3e-3


@pytest.mark.parametrize(("height", "area"), _TABLE.items())
def test_segment_table(height: float, area: float) -> None:
    """Segment areas match the table to its last digit."""
    assert needle.segment_area(1.0, height) == pytest.approx(area, abs=6e-7)


@given(st.floats(1e-3, 1.9), st.floats(5e-4, 3e-3))
def test_segment_is_the_integral_of_its_chord(share: float, radius: float) -> None:
    """Segment areas match a numerical integral of the chord over the height (scipy)."""
    unit, _ = quad(lambda h: 2.0 * np.sqrt(max(2.0 * h - h * h, 0.0)), 0.0, share)
    assert needle.segment_area(radius, share * radius) == pytest.approx(unit * radius**2, rel=1e-6)


@given(st.floats(1e-3, 1.9))
def test_depth_for_area_inverts(share: float) -> None:
    """The depth found for an area uncovers that area."""
    radius = 0.5 * _NEEDLE
    area = needle.segment_area(radius, share * radius) + needle.clearance_area(_ORIFICE, _NEEDLE)
    found = needle.depth_for_area(np.array([area]), _ORIFICE, _NEEDLE)
    assert found[0] == pytest.approx(share * radius, rel=1e-5)


def test_no_flat_for_less_than_the_clearance() -> None:
    """An area below the clearance needs no flat at all."""
    clearance = needle.clearance_area(_ORIFICE, _NEEDLE)
    assert needle.depth_for_area(np.array([0.5 * clearance]), _ORIFICE, _NEEDLE)[0] == 0.0


@given(st.floats(2e-3, 35e-3), st.floats(0.025, 0.035))
def test_fuel_area_along_a_sharp_taper(length: float, slope: float) -> None:
    """A few tenths past the start of taper the rounded start no longer matters: segment plus ring, calculated anew."""
    angle = 2 * np.arccos(1 - 2 * slope * length / _NEEDLE)
    sharp = (_NEEDLE / 2) ** 2 / 2 * (angle - np.sin(angle)) + np.pi / 4 * (_ORIFICE**2 - _NEEDLE**2)
    assert needle.fuel_area(length, slope, _ORIFICE, _NEEDLE) == pytest.approx(sharp, rel=4e-3)


def test_fuel_area_grows_along_the_taper() -> None:
    """Further out, and on a steeper needle, more fuel passes."""
    lengths = np.linspace(-2e-3, 0.035, 200)
    areas = needle.fuel_area(lengths, 0.03, _ORIFICE, _NEEDLE)
    assert np.all(np.diff(areas) > 0)
    assert np.all(needle.fuel_area(lengths[20:], 0.031, _ORIFICE, _NEEDLE) > areas[20:])
