"""The metering needle: how much fuel area is uncovered at a position, and the way back.

A round needle with a flat ground along it at a slight slope. Where the flat is `depth` deep it
uncovers a circular segment; the round part leaves a small annular clearance besides.

All functions are elementwise: arrays of any shapes that broadcast.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from taperwise.model.physics.backend import NUMPY, Array, Backend

__all__ = ["SMOOTHING_M", "clearance_area", "depth_for_area", "fuel_area", "segment_area"]

SMOOTHING_M = 2e-4
"""The start of taper is rounded over about this length [m]: a ground edge is never sharp."""

_DEEPEST = 1.98  # the flat is taken to end just short of cutting the needle through, in radii


def segment_area(radius: Array, depth: Array, backend: Backend = NUMPY) -> Array:
    """Area of a circular segment [m²].

    Parameters
    ----------
    radius, depth : array
        Radius of the circle and height of the segment, any broadcastable shapes [m].

    Notes
    -----
    ``r² arccos(1 − h/r) − (r − h) √(2 r h − h²)``; Beyer, CRC Standard Mathematical Tables,
    "Segment of a circle".
    """
    h = backend.minimum(depth, _DEEPEST * radius)
    chord = backend.sqrt(2.0 * radius * h - h * h)
    return radius * radius * backend.arccos(1.0 - h / radius) - (radius - h) * chord


def clearance_area(orifice_diameter: Array, needle_diameter: Array) -> Array:
    """Area of the ring between orifice and round needle [m²]."""
    return 0.25 * np.pi * (orifice_diameter * orifice_diameter - needle_diameter * needle_diameter)


def fuel_area(
    length: Array, slope: Array, orifice_diameter: Array, needle_diameter: Array, backend: Backend = NUMPY
) -> Array:
    """Uncovered fuel area [m²] where the orifice stands `length` [m] past the start of taper."""
    past = 0.5 * (length + backend.sqrt(length * length + SMOOTHING_M**2))
    flat = segment_area(0.5 * needle_diameter, slope * past, backend)
    return flat + clearance_area(orifice_diameter, needle_diameter)


def depth_for_area(area: NDArray[Any], orifice_diameter: float, needle_diameter: float) -> NDArray[Any]:
    """Depth of flat [m] that uncovers `area` [m²]; 0 where the clearance alone passes more.

    Inverts `fuel_area` by table and two Newton steps; the derivative of a segment's area is its chord.
    """
    r = 0.5 * needle_diameter
    table = r * np.geomspace(1e-5, _DEEPEST, 600)
    wanted = np.clip(area - clearance_area(orifice_diameter, needle_diameter), 0.0, segment_area(r, table[-1]))
    depth: NDArray[Any] = np.interp(wanted, np.r_[0.0, segment_area(r, table)], np.r_[0.0, table])
    for _ in range(2):
        h = np.maximum(depth, table[0])
        depth = np.clip(h - (segment_area(r, h) - wanted) / (2.0 * np.sqrt(2.0 * r * h - h * h)), 0.0, table[-1])
    return np.where(wanted <= 0.0, 0.0, depth)
