"""Figures in words: one sign for per cent, no signs beside words, one run and two runs."""

import pytest

from taperwise.api.presentation.formatting import (
    chance,
    from_mark,
    percent,
    quantity,
    runs,
    taper_range,
    to_finish,
    turns_range,
)
from taperwise.api.schemas.log import Shown
from taperwise.api.schemas.recommendation import IntervalOut, RunsToFinishOut


def _interval(unit: str, low: float, median: float, high: float) -> IntervalOut:
    return IntervalOut(unit=unit, median=median, interval_50=(low, high), interval_90=(low, high))


@pytest.mark.parametrize(
    ("low", "median", "high", "words"),
    [
        (-0.75, -0.5625, -0.3125, "9/16 turn leaner (5/16 to 3/4 leaner, 9 times in 10)"),
        (0.1, 0.26, 0.5, "1/4 turn richer (1/8 to 1/2 richer, 9 times in 10)"),
        (-0.125, 0.0, 0.25, "no turn (1/8 leaner to 1/4 richer, 9 times in 10)"),
        (-0.25, -0.125, -0.01, "1/8 turn leaner (0 to 1/4 leaner, 9 times in 10)"),
        (1.0, 1.25, 1.5, "1 1/4 turns richer (1 to 1 1/2 richer, 9 times in 10)"),
    ],
)
def test_turns_to_target(low: float, median: float, high: float, words: str) -> None:
    """By sixteenths, the way in words."""
    assert turns_range(_interval("turn", low, median, high)) == words


@pytest.mark.parametrize(
    ("unit", "low", "median", "high", "words"),
    [
        ("mm/m", -1.8, -0.8, -0.01, "0.8 mm/m shallower (0.0 to 1.8 shallower, 9 times in 10)"),
        ("mm/m", -0.2, 0.3, 0.9, "0.3 mm/m steeper (0.2 shallower to 0.9 steeper, 9 times in 10)"),
        ("mm/m", -0.2, 0.01, 0.2, "as steep as the installed one (0.2 shallower to 0.2 steeper, 9 times in 10)"),
        ("percent", 0.01, 0.03, 0.05, "0.03\u00a0% steeper (0.01 to 0.05 steeper, 9 times in 10)"),
    ],
)
def test_the_ideal_needle(unit: str, low: float, median: float, high: float, words: str) -> None:
    """Beside the installed one, to what a slope is known to."""
    assert taper_range(_interval(unit, low, median, high)) == words


def test_per_cent_has_one_sign_and_one_space() -> None:
    """That keeps the sign on its number's line."""
    assert percent(0.124) == "12\u00a0%"
    assert [chance(x) for x in (None, 0.001, 0.5, 0.999)] == [
        "not known", "under 1\u00a0%", "50\u00a0%", "over 99\u00a0%",
    ]  # fmt: skip
    assert quantity(Shown(value=2.82, unit="percent")) == "2.82\u00a0%"


def test_one_run_and_two_runs() -> None:
    """The number of runs decides the word."""
    assert [runs(n) for n in (0, 1, 2)] == ["0 runs", "1 run", "2 runs"]
    assert to_finish(RunsToFinishOut(expected=1.2, low_80=1, high_80=3)) == (
        "Expect about 1 run to finish (1 to 3, 8 times in 10)"
    )
    assert to_finish(RunsToFinishOut(expected=8.6, low_80=5, high_80=12)).startswith("Expect about 9 runs to finish (5")


def test_the_holder_position() -> None:
    """Beside the mark."""
    assert [from_mark(x) for x in (0.0, 0.25, -0.125)] == [
        "at the mark", "1/4 turn richer than the mark", "1/8 turn leaner than the mark",
    ]  # fmt: skip
