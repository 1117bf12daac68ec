import numpy as np
import pytest
from fluids.geometry import A_hollow_cylinder, A_partial_circle
from hypothesis import given
from hypothesis import strategies as st

from taperwise.model.physics import needle

_ORIFICE, _NEEDLE = 3.02e-3, 3e-3


@given(st.floats(1e-3, 1.97), st.floats(5e-4, 3e-3))
def test_segment(share: float, radius: float) -> None:
    """Segment areas are those of a circle filled to that height (`fluids`)."""
    theirs = A_partial_circle(2.0 * radius, share * radius)
    assert needle.segment_area(radius, share * radius) == pytest.approx(theirs, rel=1e-9)


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
    """A few tenths past the start of taper the rounded start no longer matters: segment plus ring (`fluids`)."""
    sharp = A_partial_circle(_NEEDLE, slope * length) + A_hollow_cylinder(_NEEDLE, _ORIFICE, 0.0) / 2.0
    assert needle.fuel_area(length, slope, _ORIFICE, _NEEDLE) == pytest.approx(sharp, rel=4e-3)


def test_fuel_area_grows_along_the_taper() -> None:
    """Further out, and on a steeper needle, more fuel passes."""
    lengths = np.linspace(-2e-3, 0.035, 200)
    areas = needle.fuel_area(lengths, 0.03, _ORIFICE, _NEEDLE)
    assert np.all(np.diff(areas) > 0)
    assert np.all(needle.fuel_area(lengths[20:], 0.031, _ORIFICE, _NEEDLE) > areas[20:])
