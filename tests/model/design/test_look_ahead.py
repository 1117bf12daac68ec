"""The price of a step in runs, against cases worked out by hand."""

import dataclasses

import numpy as np
import pytest
from numpy.typing import NDArray

from taperwise.model.design.look_ahead import CHANGE_COST_RUNS, FAILURE_COST_RUNS, RunsBetween, runs_after
from taperwise.model.design.reachable_settings import Destinations
from taperwise.model.inference.dataset import Position
from taperwise.model.prediction.setting_draws import worth_of
from taperwise.shared.limits import StepLimits

_LIMITS = StepLimits()
_EVEN = np.full((1, 4), 0.25)


def _at(turns: float, needle: str = "a", stop: float = 0.0) -> Position:
    return Position(needle, turns, stop, "avgas", changes=("a",) if needle == "a" else ("a", "b"))  # type: ignore[arg-type]


def _ends(*columns: tuple[Position, list[int]]) -> Destinations:
    right = np.array([right for _, right in columns], bool).T
    return Destinations(tuple(p for p, _ in columns), right, right.astype(float), right.any(axis=1))


def test_the_way_is_counted_in_largest_steps() -> None:
    """Each quarter turn of a screw is a run, staying is one too, another needle is one and its own cost."""
    there = (_at(0.0), _at(0.25), _at(-0.625), _at(0.25, stop=-0.375), _at(2.0, "b"), _at(2.0, "b", 0.125))
    p = _ends(*((at, [1] * 4) for at in there))
    changed = 1.0 + CHANGE_COST_RUNS
    assert list(RunsBetween.between(_at(0.0), p, _LIMITS).runs) == [1.0, 1.0, 3.0, 3.0, changed, changed + 1.0]


def _after(p: Destinations, here: int | None, weights: NDArray[np.float64]) -> float:
    way = RunsBetween.between(_at(0.0), p, _LIMITS)
    return runs_after(way, p, here, weights, 0.9)


def test_a_setting_that_settles_leaves_nothing() -> None:
    """Right in every draw."""
    assert _after(_ends((_at(0.0), [1, 1, 1, 1])), 0, _EVEN) == 0.0


def test_what_a_run_may_settle_is_worth_its_run() -> None:
    """Half the draws say right; a run that tells them apart leaves nothing, or the way to where the others are right.

    By hand: ½ · 0 + ½ · 1 = 0.5. A run that tells nothing leaves a coin to be tossed: 1 + ½ · failure. Of many draws,
    those that choose are as even as those that judge.
    """
    p = _ends((_at(0.0), [1, 1, 0, 0]), (_at(0.25), [0, 0, 1, 1]))
    telling = np.array([[0.5, 0.5, 0.0, 0.0], [0.0, 0.0, 0.5, 0.5]])
    assert _after(p, 0, telling) == pytest.approx(0.5)
    first = np.random.default_rng(1).permutation(40_000) % 2
    many = _ends((_at(0.0), list(first)), (_at(0.25), list(1 - first)))
    even = np.full((1, len(first)), 1.0 / len(first))
    assert _after(many, 0, even) == pytest.approx(1.0 + 0.5 * FAILURE_COST_RUNS, rel=0.02)


def test_a_run_that_singles_out_a_draw_is_not_taken_at_its_word() -> None:
    """One draw has nearly all the weight: what it alone says settles nothing, for no other draw bears it out."""
    p = _ends((_at(0.0), [1, 0, 0, 0]), (_at(0.25), [0, 1, 1, 1]))
    single = np.array([[0.97, 0.01, 0.01, 0.01]])
    assert _after(p, 0, single) > FAILURE_COST_RUNS * 0.9


def test_a_setting_that_is_not_among_the_destinations_settles_nothing() -> None:
    """Then the way to the best one is left."""
    assert _after(_ends((_at(0.25), [1, 1, 1, 1])), None, _EVEN) == pytest.approx(1.0)


def test_the_next_best_is_worth_going_to_where_nothing_is_right() -> None:
    """No setting makes all right: it is cheaper to be where both mixtures are than where neither is."""
    nothing = _ends((_at(0.0), [0, 0, 0, 0]), (_at(0.25), [0, 0, 0, 0]))
    half = dataclasses.replace(nothing, worth=np.array([[0.0, 0.5]] * 4))
    assert _after(nothing, 0, _EVEN) == pytest.approx(1.0 + FAILURE_COST_RUNS)
    assert _after(half, 0, _EVEN) == pytest.approx(1.0 + 0.5 * FAILURE_COST_RUNS)


def test_what_is_right_in_part_is_worth_part() -> None:
    """All right counts 1; a right mixture at both ends more than at full throttle alone, and that more than nothing."""
    full, both, speed = np.array([[1, 1, 1, 0], [1, 1, 0, 0], [1, 0, 1, 1]], bool)
    all_right, no_speed, full_alone, none = worth_of(full, both, speed)
    assert (all_right, none) == (1.0, 0.0)
    assert 1.0 > no_speed > full_alone > 0.0
