"""Limits watched, and the words for idling."""

import pytest

from taperwise.model.design.limit_check import exceeded
from taperwise.model.physics.idle_words import IDLE_LEVELS, rise_means
from taperwise.model.recommender import Recommender
from taperwise.shared.limits import Watch
from taperwise.shared.recommendation import ActionKind
from taperwise.shared.records import Acknowledge, Installation
from taperwise.shared.runs import Air, ExhaustRise, Highest, RiseSeen, Run
from tests.conftest import NEEDLES

_AIR = Air(288.15, 101_325.0)
_WATCHED = Installation(NEEDLES, "taper 30.0", watch=Watch(505.0, 1100.0, 3000.0))
_RISE = ExhaustRise(RiseSeen.PEAK, 90.0)


@pytest.mark.parametrize(
    ("run", "words"),
    [
        (Run(_AIR, highest=Highest(cht_kelvin=510.0)), "cylinder head temperature reached 458 °F (237 °C)"),
        (Run(_AIR, highest=Highest(egt_kelvin=1120.0)), "exhaust gas temperature"),
        (Run(_AIR, highest=Highest(rpm=3100.0)), "3100 rpm, above the limit of 3000 rpm"),
        (Run(_AIR, static_rpm=3050.0), "speed reached 3050 rpm"),
    ],
)
def test_what_was_exceeded_is_named(run: Run, words: str) -> None:
    """Each limit with what was reached, in both units of a temperature; without limits nothing is watched."""
    (said,) = exceeded(run, _WATCHED)
    assert words in said
    assert exceeded(run, Installation(NEEDLES, "taper 30.0")) == ()


def test_a_limit_reached_exactly_is_none_exceeded() -> None:
    """A limit is what may be reached."""
    assert exceeded(Run(_AIR, highest=Highest(505.0, 1100.0, 3000.0)), _WATCHED) == ()


def test_the_step_is_withheld_until_acknowledged(recorded: Recommender) -> None:
    """The run still teaches; the step comes back once somebody says what it was, and goes again at the next time."""
    hot = Run(_AIR, rise=_RISE, highest=Highest(cht_kelvin=515.0))
    held = recorded.suggest(recorded.learn(_WATCHED, [hot]))
    assert held.action.kind is ActionKind.INSPECT
    assert "acknowledged" in held.action.instruction
    assert held.alternatives == ()
    assert "limit of the engine was exceeded" in held.cautions[0]
    known = [hot, Acknowledge("baffle torn, replaced")]
    free = recorded.suggest(recorded.learn(_WATCHED, known))
    assert free.action.kind is ActionKind.TURN_SCREW
    assert free.confidence.offset_turns == held.confidence.offset_turns
    assert recorded.suggest(recorded.learn(_WATCHED, [*known, hot])).action.kind is ActionKind.INSPECT


@pytest.mark.parametrize(("rpm", "words"), [(0, "lean"), (15, "lean end"), (40, "satisfactory"), (80, "rich")])
def test_the_rise_of_idle_speed_in_words(rpm: float, words: str) -> None:
    """25 to 50 rpm is usually satisfactory (FAA-H-8083-32 vol. 1, second-hand); none is lean, more is rich (common
    practice, no published source).
    """
    assert words in rise_means(rpm)


def test_every_idle_level_is_described() -> None:
    """Looks, sounds and smells of all five."""
    assert [q.value for q in IDLE_LEVELS] == [1, 2, 3, 4, 5]
    assert all(w.looks and w.sounds and w.smells for w in IDLE_LEVELS.values())
