"""The slope that would fit, and the warning that no needle on hand may."""

import dataclasses

import pytest

from taperwise.model.design import actions
from taperwise.model.design.candidates import CandidateSet
from taperwise.model.design.ideal_needle import ideal_needle
from taperwise.model.design.notices import needles_notice
from taperwise.model.recommender import Recommender
from taperwise.shared.reasons import IdealSlope, InspectCause, Inspection, NoticeCode
from taperwise.shared.recommendation import Confidence, Interval
from taperwise.shared.records import Installation, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run


def _run(degf: float, idle: IdleQuality, rise: float) -> Run:
    air, seen = Air(288.15, 101_325.0), ExhaustRise(RiseSeen.PEAK, degf / 1.8)
    return Run(air, rise=seen, idle_quality=idle, idle_rpm_rise=rise, idle_rpm=800.0)


@pytest.fixture
def confidence(recorded: Recommender, installation: Installation) -> Confidence:
    """Of any run."""
    return recorded.learn(installation, [_run(100, IdleQuality.SMOOTH, 30)]).confidence


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
    confidence: Confidence, installation: Installation, misfit: float, shallower: str | None, steeper: str | None
) -> None:
    """The slope that would fit comes with the needles on either side of it."""
    at = Interval(misfit, misfit - 1e-4, misfit + 1e-4, misfit - 2e-4, misfit + 2e-4)
    slope = ideal_needle(dataclasses.replace(confidence, taper_misfit=at), installation)
    assert isinstance(slope, IdealSlope)
    assert (slope.shallower, slope.steeper) == (shallower, steeper)
    assert (slope.low_90, slope.median, slope.high_90) == tuple(
        pytest.approx(0.030 + x) for x in (misfit - 2e-4, misfit, misfit + 2e-4)
    )


@pytest.mark.parametrize(
    ("any_chance", "runs", "rise_read", "told"),
    [(0.32, 2, True, True), (0.34, 2, True, False), (0.1, 1, True, False), (0.1, 2, False, False)],
)
def test_needles_that_may_not_fit(
    confidence: Confidence, installation: Installation, any_chance: float, runs: int, rise_read: bool, told: bool
) -> None:
    """Below one chance in three the builder hears of it, from the second run on and with the better slope; a step that
    looks for a cause tells it itself.
    """
    weighing = CandidateSet([], {}, any_chance, rise_read=rise_read)
    seen = dataclasses.replace(confidence, runs=runs)
    found = needles_notice(weighing, seen, actions.repeat_run(), installation)
    assert [n.code for n in found] == [NoticeCode.NEEDLES_MAY_NOT_FIT] * told
    if told:
        assert (found[0].chance, found[0].ideal_slope) == (any_chance, ideal_needle(seen, installation))
    looks = actions.inspect(Inspection(InspectCause.NOT_TO_BE_SETTLED))
    assert needles_notice(weighing, seen, looks, installation) == ()


def test_it_comes_with_the_step(recorded: Recommender, installation: Installation) -> None:
    """Far too rich at full throttle and stumbling at idle, seen twice: turned leaner, with a word on needles."""
    log = [_run(270, IdleQuality.LEAN_STUMBLING, 0), TurnScrew(-0.25), _run(250, IdleQuality.LEAN_STUMBLING, 0)]
    s = recorded.suggest(recorded.learn(installation, log))
    assert s.action.cause is None
    assert [n.code for n in s.warnings] == [NoticeCode.NEEDLES_MAY_NOT_FIT]
    assert isinstance(s.warnings[0].ideal_slope, IdealSlope)
    assert s.warnings[0].ideal_slope.median < installation.needle("taper 28.2").taper_slope
