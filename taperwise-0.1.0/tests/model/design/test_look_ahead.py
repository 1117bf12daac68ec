"""The price of a step in runs, against cases worked out by hand."""

import numpy as np
import pytest

from taperwise.model.design.look_ahead import CHANGE_COST_RUNS, FAILURE_COST_RUNS, RunsBetween, price_in_runs
from taperwise.model.design.reachable_settings import Destinations
from taperwise.model.inference.dataset import Position
from taperwise.shared.limits import StepLimits

_LIMITS = StepLimits()
_EVEN = np.full((1, 4), 0.25)


def _at(turns: float, needle: str = "a", stop: float = 0.0) -> Position:
    return Position(needle, turns, stop, "avgas", changes=("a",) if needle == "a" else ("a", "b"))  # type: ignore[arg-type]


def _ends(*columns: tuple[Position, list[int]]) -> Destinations:
    return Destinations(tuple(p for p, _ in columns), np.array([right for _, right in columns], bool).T)


def test_the_way_is_counted_in_largest_steps() -> None:
    """Each quarter turn of a screw is a run, staying is one too, another needle is one and its own cost."""
    there = (_at(0.0), _at(0.25), _at(-0.625), _at(0.25, stop=-0.375), _at(2.0, "b"), _at(2.0, "b", 0.125))
    p = _ends(*((at, [1] * 4) for at in there))
    changed = 1.0 + CHANGE_COST_RUNS
    assert list(RunsBetween.between(_at(0.0), p, _LIMITS).runs) == [1.0, 1.0, 3.0, 3.0, changed, changed + 1.0]


def test_a_setting_that_settles_costs_its_own_run_only() -> None:
    """Right in every draw: nothing is left after the run."""
    p = _ends((_at(0.0), [1, 1, 1, 1]))
    way = RunsBetween.between(_at(0.0), p, _LIMITS)
    assert price_in_runs(1.0, way, p, 0, _EVEN, 0.9) == 1.0


def test_what_a_run_may_settle_is_worth_its_run() -> None:
    """Half the draws say right; a run that tells them apart leaves nothing, or the way to where the others are right.

    By hand: 1 + ½ · 0 + ½ · 1 = 1.5. A run that tells nothing leaves a coin to be tossed: 1 + 1 + ½ · failure.
    """
    p = _ends((_at(0.0), [1, 1, 0, 0]), (_at(0.25), [0, 0, 1, 1]))
    way = RunsBetween.between(_at(0.0), p, _LIMITS)
    telling = np.array([[0.5, 0.5, 0.0, 0.0], [0.0, 0.0, 0.5, 0.5]])
    assert price_in_runs(1.0, way, p, 0, telling, 0.9) == pytest.approx(1.5)
    assert price_in_runs(1.0, way, p, 0, _EVEN, 0.9) == pytest.approx(2.0 + 0.5 * FAILURE_COST_RUNS)


def test_a_setting_that_is_not_among_the_destinations_settles_nothing() -> None:
    """Then the way to the best one is left."""
    p = _ends((_at(0.25), [1, 1, 1, 1]))
    way = RunsBetween.between(_at(0.0), p, _LIMITS)
    assert price_in_runs(1.0, way, p, None, _EVEN, 0.9) == 2.0
