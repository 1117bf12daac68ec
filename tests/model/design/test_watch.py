"""What is watched beside the mixture."""

import pytest

from taperwise.model.design.limit_check import exceeded, stuck_rise_action
from taperwise.model.inference.dataset import gather
from taperwise.model.recommender import Recommender
from taperwise.shared.limits import Watch
from taperwise.shared.reasons import Exceeded, InspectCause, Inspection, ReasonCode, Watched
from taperwise.shared.recommendation import ActionKind
from taperwise.shared.records import Acknowledge, ChangeNeedle, Entry, Installation, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, Highest, IdleQuality, RiseSeen, Run
from tests.conftest import NEEDLES

_AIR = Air(288.15, 101_325.0)
_WATCHED = Installation(NEEDLES, "taper 30.0", watch=Watch(505.0, 1100.0, 3000.0))
_PLAIN = Installation(NEEDLES, "taper 30.0")
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


_QUARTER = TurnScrew(0.25)
"""Richer. An eighth of a turn is 10 to 30 °F of rise, so two quarters are 40 to 120 °F: common practice, no published
source."""


def _read(fahrenheit: float, seen: RiseSeen = RiseSeen.PEAK) -> Run:
    return Run(_AIR, rise=ExhaustRise(seen, fahrenheit / 1.8), idle_quality=IdleQuality.SMOOTH)


_STUCK: list[Entry] = [_read(20), _QUARTER, _read(20), _QUARTER, _read(22)]


@pytest.mark.parametrize(
    ("entries", "stuck"),
    [
        (_STUCK, True),
        ([_read(0, RiseSeen.FELL_AT_ONCE), *_STUCK[1:]], False),
        ([_read(0, RiseSeen.FELL_AT_ONCE), _QUARTER] * 3, False),  # far too lean asks for richer
        ([_read(20, RiseSeen.ROUGH_BEFORE_PEAK), _QUARTER] * 3, False),
        (_STUCK[:3], False),
        ([_read(20), _QUARTER, _read(40), _QUARTER, _read(60)], False),
        ([_read(20), _QUARTER, _read(75), _QUARTER, _read(22)], False),  # it was in its band once
        ([*_STUCK, Acknowledge("tank vent was blocked")], False),
        ([*_STUCK, Acknowledge("tank vent was blocked"), _read(20)], False),
        ([*_STUCK, ChangeNeedle("taper 31.2"), _read(20)], False),
        ([_read(20), TurnScrew(-0.25), _read(20), TurnScrew(-0.25), _read(20)], False),
    ],
)
def test_a_rise_that_richer_turns_do_not_move_is_stuck(entries: list[Entry], stuck: bool) -> None:
    """Over half a turn, below its band, with one needle, until somebody says what it was."""
    action = stuck_rise_action(gather(_PLAIN, entries))
    assert (action is not None) is stuck
    if action is not None:
        told = action.inspection
        assert told == Inspection(InspectCause.RISE_STUCK, richer_turns=0.5, rises_kelvin=(20 / 1.8, 22 / 1.8))


def test_the_fuel_supply_comes_before_another_needle(recorded: Recommender) -> None:
    """The answer asks to look, and suggests nothing to turn."""
    held = recorded.suggest(recorded.learn(_PLAIN, _STUCK))
    assert held.action.kind is ActionKind.INSPECT
    assert held.action.cause is InspectCause.RISE_STUCK
    assert held.why.code is ReasonCode.RISE_STUCK
    assert held.alternatives == ()
