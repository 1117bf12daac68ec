"""Actions turn the hex key the way the needle is to go."""

from dataclasses import replace

import pytest

from taperwise.model.design import actions
from taperwise.shared.limits import IdleStopStep, ScrewStep
from taperwise.shared.records import Installation, TurnSense

# A right-hand thread goes in when turned clockwise (ISO 5408, definition of a right-hand thread; from memory). Needle
# in is leaner, out is richer; slide further open is faster: common practice, no published source.
_IN, _OUT = TurnSense.CLOCKWISE, TurnSense.COUNTER_CLOCKWISE


@pytest.mark.parametrize(
    ("turns", "sense", "effect"),
    [(-0.125, _IN, "leaner"), (-0.25, _IN, "leaner"), (0.125, _OUT, "richer"), (0.25, _OUT, "richer")],
)
def test_in_is_leaner(installation: Installation, turns: float, sense: TurnSense, effect: str) -> None:
    """A negative turn moves the needle in, clockwise on a right-hand thread, and is called leaner."""
    action = actions.turn_screw(ScrewStep(turns, installation.limits), installation)
    assert (action.turns, action.hex_direction, action.effect) == (turns, sense, effect)


@pytest.mark.parametrize(("turns", "sense"), [(-0.5, _IN), (0.5, _OUT)])
def test_a_new_needle_is_turned_the_same_way(installation: Installation, turns: float, sense: TurnSense) -> None:
    """From the mark out is counter-clockwise, as for any other turn."""
    assert actions.change_needle("taper 30.6", 1, turns, installation).hex_direction is sense


def test_a_left_hand_thread_is_turned_the_other_way(installation: Installation) -> None:
    """Where the installation says so, leaner is counter-clockwise."""
    other = replace(installation, throttle_body=replace(installation.throttle_body, lean_direction=_OUT))
    assert actions.turn_screw(ScrewStep(-0.125, other.limits), other).hex_direction is _OUT


@pytest.mark.parametrize(("turns", "sense", "effect"), [(0.125, _IN, "faster"), (-0.125, _OUT, "slower")])
def test_the_idle_stop_in_is_faster(installation: Installation, turns: float, sense: TurnSense, effect: str) -> None:
    """Turned in, the stop holds the slide further open."""
    action = actions.turn_idle_stop(IdleStopStep(turns, installation.limits), installation)
    assert (action.hex_direction, action.effect) == (sense, effect)
