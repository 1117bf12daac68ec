"""Limits watched."""

import pytest

from taperwise.model.design.limit_check import exceeded
from taperwise.model.recommender import Recommender
from taperwise.shared.limits import Watch
from taperwise.shared.reasons import Exceeded, InspectCause, Inspection, ReasonCode, Watched
from taperwise.shared.recommendation import ActionKind
from taperwise.shared.records import Acknowledge, Installation
from taperwise.shared.runs import Air, ExhaustRise, Highest, RiseSeen, Run
from tests.conftest import NEEDLES

_AIR = Air(288.15, 101_325.0)
_WATCHED = Installation(NEEDLES, "taper 30.0", watch=Watch(505.0, 1100.0, 3000.0))
_RISE = ExhaustRise(RiseSeen.PEAK, 90.0)


@pytest.mark.parametrize(
    ("run", "found"),
    [
        (Run(_AIR, highest=Highest(cht_kelvin=510.0)), Exceeded(Watched.HEAD_TEMPERATURE, 510.0, 505.0)),
        (Run(_AIR, highest=Highest(egt_kelvin=1120.0)), Exceeded(Watched.EXHAUST_TEMPERATURE, 1120.0, 1100.0)),
        (Run(_AIR, highest=Highest(rpm=3100.0)), Exceeded(Watched.SPEED, 3100.0, 3000.0)),
        (Run(_AIR, static_rpm=3050.0), Exceeded(Watched.SPEED, 3050.0, 3000.0)),
    ],
)
def test_what_was_exceeded_is_named(run: Run, found: Exceeded) -> None:
    """Each limit with what was reached; without limits nothing is watched."""
    assert exceeded(run, _WATCHED) == (found,)
    assert exceeded(run, Installation(NEEDLES, "taper 30.0")) == ()


def test_a_limit_reached_exactly_is_none_exceeded() -> None:
    """A limit is what may be reached."""
    assert exceeded(Run(_AIR, highest=Highest(505.0, 1100.0, 3000.0)), _WATCHED) == ()


def test_the_step_is_withheld_until_acknowledged(recorded: Recommender) -> None:
    """The run still teaches; the step comes back once somebody says what it was, and goes again at the next time."""
    hot = Run(_AIR, rise=_RISE, highest=Highest(cht_kelvin=515.0))
    held = recorded.suggest(recorded.learn(_WATCHED, [hot]))
    assert held.action.kind is ActionKind.INSPECT
    assert held.action.inspection == Inspection(
        InspectCause.LIMIT_EXCEEDED, exceeded=(Exceeded(Watched.HEAD_TEMPERATURE, 515.0, 505.0),)
    )
    assert held.alternatives == ()
    assert held.why.code is ReasonCode.LIMIT_EXCEEDED
    known = [hot, Acknowledge("baffle torn, replaced")]
    free = recorded.suggest(recorded.learn(_WATCHED, known))
    assert free.action.kind is ActionKind.TURN_SCREW
    assert free.confidence.offset_turns == held.confidence.offset_turns
    assert recorded.suggest(recorded.learn(_WATCHED, [*known, hot])).action.kind is ActionKind.INSPECT
