"""The slope that would fit, among those on hand."""

import dataclasses

import pytest

from taperwise.model.design.ideal_needle import ideal_needle
from taperwise.model.recommender import Recommender
from taperwise.shared.reasons import IdealSlope
from taperwise.shared.recommendation import Interval
from taperwise.shared.records import Installation
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run

_RISE = ExhaustRise(RiseSeen.PEAK, 100.0 / 1.8)
_RUN = Run(
    Air(288.15, 101_325.0), rise=_RISE, idle_quality=IdleQuality.SMOOTH, idle_rpm_rise=30.0, idle_rpm=800.0
)  # fmt: skip


@pytest.mark.parametrize(
    ("misfit", "shallower", "steeper"),
    [
        (0.3e-3, "taper 30.0", "taper 30.6"),
        (-0.9e-3, "taper 28.8", "taper 29.4"),
        (2.5e-3, "taper 31.8", None),
        (-2.5e-3, None, "taper 28.2"),
        (0.0, "taper 30.0", "taper 30.0"),
    ],
)
def test_the_ideal_slope_among_those_on_hand(
    recorded: Recommender, installation: Installation, misfit: float, shallower: str | None, steeper: str | None
) -> None:
    """The slope that would fit comes with the needles on either side of it."""
    at = Interval(misfit, misfit - 1e-4, misfit + 1e-4, misfit - 2e-4, misfit + 2e-4)
    confidence = recorded.learn(installation, [_RUN]).confidence
    slope = ideal_needle(dataclasses.replace(confidence, taper_misfit=at), installation)
    assert isinstance(slope, IdealSlope)
    assert (slope.shallower, slope.steeper) == (shallower, steeper)
    assert (slope.low_90, slope.median, slope.high_90) == tuple(
        pytest.approx(0.030 + x) for x in (misfit - 2e-4, misfit, misfit + 2e-4)
    )
