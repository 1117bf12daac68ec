import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from taperwise.shared.errors import OutOfRangeError, StepLimitError
from taperwise.shared.limits import CEILING_TURNS, IdleStopStep, ScrewStep, StepLimits


@given(st.floats(-4, 4) | st.floats())
@example(1e308)  # finite, but not as a number of quanta
def test_no_step_beyond_the_ceiling(turns: float) -> None:
    """Whatever is asked for, a step that exists is a multiple of the quantum within a quarter turn."""
    for kind in (ScrewStep, IdleStopStep):
        try:
            step = kind(turns, StepLimits())
        except StepLimitError as error:
            assert "turns" in str(error)
        else:
            assert 0 < abs(step.turns) <= CEILING_TURNS
            assert step.turns / 0.125 == pytest.approx(round(step.turns / 0.125))
            assert round(step.turns / 0.125) != 0


@pytest.mark.parametrize("turns", [0.375, -0.375, 0.5, -0.5, 1.0, -2.0])
def test_more_than_a_quarter_is_refused(turns: float) -> None:
    """A quarter is the most: common practice, no published source; a tighter limit of the owner goes before it."""
    for kind in (ScrewStep, IdleStopStep):
        with pytest.raises(StepLimitError, match=r"at most 0\.25 turn"):
            kind(turns, StepLimits())
        with pytest.raises(StepLimitError, match=r"at most 0\.125 turn"):
            kind(0.25, StepLimits(largest_turns=0.125))


@pytest.mark.parametrize(
    "wider", [{"largest_turns": 0.5}, {"lean_chance": 0.2}, {"confirm_chance": 0.5}, {"quantum_turns": 0.5}]
)
def test_limits_are_never_loosened(wider: dict[str, float]) -> None:
    """An owner may tighten a limit, never loosen it."""
    with pytest.raises(OutOfRangeError, match="tighter, but not looser"):
        StepLimits(**wider)


def test_quantum_within_the_largest_step() -> None:
    """A quantum larger than the largest step leaves no step at all, and is refused."""
    with pytest.raises(OutOfRangeError, match="smallest step"):
        StepLimits(quantum_turns=0.25, largest_turns=0.125)


def test_steps() -> None:
    """Steps are counted in quanta."""
    assert StepLimits().steps() == (0.125, 0.25)
    assert StepLimits(quantum_turns=0.0625, largest_turns=0.125).steps() == (0.0625, 0.125)
