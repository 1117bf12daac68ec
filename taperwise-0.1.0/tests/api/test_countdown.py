"""How long it takes until the model is ready, with a clock of its own."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from taperwise.api.recommendations.countdown import Countdown
from taperwise.model.inference.compiled_logp import BUILDING, COMPILING, TAKING_UP


class _Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> _Clock:
    """Stands still until it is told to go on."""
    return _Clock()


def test_it_falls_with_time(clock: _Clock) -> None:
    """A second after the other, from what two idle cores take: 6 s of building and 52 s of compiling, as measured."""
    countdown = Countdown(clock)
    told = [countdown.seconds_left()]
    for second in range(1, 58):
        clock.now += 1.0
        if second == 6:
            countdown.hear(f"… {COMPILING}")
        told.append(countdown.seconds_left())
    assert told[:53] == list(range(58, 5, -1))
    assert set(told[53:]) == {6}


@pytest.mark.parametrize(("building", "left"), [(3.0, 26), (6.0, 52), (12.0, 104), (30.0, 260)])
def test_the_first_step_tells_the_pace(clock: _Clock, building: float, left: int) -> None:
    """A machine that takes twice as long to build the model is taken to compile it twice as long."""
    countdown = Countdown(clock)
    countdown.hear(BUILDING)
    clock.now += building
    countdown.hear(COMPILING)
    assert countdown.seconds_left() == left
    clock.now += 10.0
    assert countdown.seconds_left() == left - 10


def test_taking_up_what_was_compiled_is_short(clock: _Clock) -> None:
    """Two seconds at the most, whatever was said before; words of other things change nothing."""
    countdown = Countdown(clock)
    countdown.hear(f"… {TAKING_UP}")
    assert countdown.seconds_left() == 2
    countdown.hear("sampler ready")
    assert countdown.seconds_left() == 2


def test_of_a_step_that_takes_longer_a_tenth_is_left(clock: _Clock) -> None:
    """After 80 s of what should take 52: nobody waits for a number that rises again."""
    countdown = Countdown(clock)
    clock.now += 6.0
    countdown.hear(COMPILING)
    clock.now += 80.0
    assert countdown.seconds_left() == 6


@given(
    st.lists(st.tuples(st.floats(0.0, 1e5), st.sampled_from([BUILDING, COMPILING, TAKING_UP, "something else", ""])))
)
def test_there_is_always_something_left(heard: list[tuple[float, str]]) -> None:
    """Whatever is heard, and whenever: a whole second or more, so that nobody asks again at once."""
    clock = _Clock()
    countdown = Countdown(clock)
    for seconds, words in heard:
        clock.now += seconds
        assert countdown.seconds_left() >= 1
        countdown.hear(words)
        assert countdown.seconds_left() >= 1
        assert isinstance(countdown.seconds_left(), int)
