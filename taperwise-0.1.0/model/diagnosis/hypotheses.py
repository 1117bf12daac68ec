"""What may be wrong other than the setting: stories, each with its prior, and what it changes.

A story begins with one run and lasts; turned the wrong way, for instance, the screw stays where it went.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.dataset import Position
from taperwise.shared.reasons import FaultKind

__all__ = ["DRIFT_SHARE", "HYPOTHESES", "FaultEffect", "FaultHypothesis", "drifted"]

_F = NDArray[np.float64]
_Positions = tuple[Position, ...]


@dataclass(frozen=True)
class FaultEffect:
    """What a story may change of n draws at m runs; shapes broadcast to (n, m).

    Parameters
    ----------
    screw : array, (m,)
        What the screw stands away from the record [turns].
    shift_m : array
        What the needle stands away from the record beyond that [m].
    full, idle : array
        What the mixtures at either end are off by [ln phi].
    drop : array or None, (n, 1)
        How far below the mixture that the story's first run was recorded at full throttle is held [ln phi].
    ln_density : array
        What the air's density is off by.
    ln_scale : array, (n, 1)
        Share of the rise that is read.
    ln_static : array
        What the static speed is off by.
    """

    screw: _F
    shift_m: _F
    full: _F
    idle: _F
    ln_density: _F
    ln_scale: _F
    ln_static: _F
    drop: _F | None = None

    @classmethod
    def as_recorded(cls, draws: int, runs: int) -> "FaultEffect":
        """Nothing is wrong."""
        zero = np.zeros((draws, 1))
        return cls(np.zeros(runs), zero, zero, zero, zero, zero, zero)


@dataclass(frozen=True)
class FaultHypothesis:
    """A story.

    Parameters
    ----------
    kind : FaultKind
    prior : float
        Probability that it begins with a given run; judgement.
    applies : callable
        ``(before, first) -> bool``: whether it can have begun between two positions.
    change : callable
        ``(case, before, first, trail, rng) -> case``: how it changes a case of the runs at the positions of a trail;
        from the position before the story began, and that of its first run.
    """

    kind: FaultKind
    prior: float
    applies: Callable[[Position, Position], bool]
    change: Callable[[FaultEffect, Position, Position, _Positions, np.random.Generator], FaultEffect]


def _always(before: Position, first: Position) -> bool:
    return True


def _turned(before: Position, first: Position) -> bool:
    return before.changes == first.changes and before.turns != first.turns


def _refitted(before: Position, first: Position) -> bool:
    return before.mark_change != first.mark_change


def _half(case: FaultEffect, spread: float, rng: np.random.Generator) -> _F:
    return np.abs(rng.normal(0.0, spread, case.ln_scale.shape))


def _while_fitted(first: Position, trail: _Positions) -> _F:
    """1 for the runs before the needle was next taken out, else 0."""
    return np.array([float(p.mark_change == first.mark_change) for p in trail])


def _wrong_way(
    case: FaultEffect, before: Position, first: Position, trail: _Positions, rng: np.random.Generator
) -> FaultEffect:
    return replace(case, screw=2.0 * (before.turns - first.turns) * _while_fitted(first, trail))


def _not_made(
    case: FaultEffect, before: Position, first: Position, trail: _Positions, rng: np.random.Generator
) -> FaultEffect:
    return replace(case, screw=(before.turns - first.turns) * _while_fitted(first, trail))


def _mark(
    case: FaultEffect, before: Position, first: Position, trail: _Positions, rng: np.random.Generator
) -> FaultEffect:
    return replace(case, shift_m=rng.normal(0.0, 1.0e-3, case.ln_scale.shape) * _while_fitted(first, trail))


def _part(
    case: FaultEffect, before: Position, first: Position, trail: _Positions, rng: np.random.Generator
) -> FaultEffect:
    shape = case.ln_scale.shape
    both = rng.normal(0.0, 0.12, shape)
    return replace(case, full=both + rng.normal(0.0, 0.03, shape), idle=both + rng.normal(0.0, 0.05, shape))


def _leak(
    case: FaultEffect, before: Position, first: Position, trail: _Positions, rng: np.random.Generator
) -> FaultEffect:
    return replace(case, full=-_half(case, 0.03, rng), idle=-0.03 - _half(case, 0.25, rng))


def _fuel_limit(
    case: FaultEffect, before: Position, first: Position, trail: _Positions, rng: np.random.Generator
) -> FaultEffect:
    # the idle asks for little fuel: what is short at full throttle is hardly short there
    # held where it is, as often as well below
    held = rng.random(case.ln_scale.shape) < 0.5
    drop = np.where(held, _half(case, 0.04, rng), _half(case, 0.15, rng))
    return replace(case, drop=drop, idle=-_half(case, 0.04, rng))


def _mixture_control(
    case: FaultEffect, before: Position, first: Position, trail: _Positions, rng: np.random.Generator
) -> FaultEffect:
    leaner = -_half(case, 0.12, rng)
    return replace(case, full=leaner, idle=leaner + rng.normal(0.0, 0.03, leaner.shape))


def _slide_short(
    case: FaultEffect, before: Position, first: Position, trail: _Positions, rng: np.random.Generator
) -> FaultEffect:
    # a tenth of the travel lost is 15 % of a segment's fuel; the air of an open bore hardly changes, the speed a little
    leaner = -_half(case, 0.1, rng)
    return replace(case, full=leaner, ln_static=0.3 * leaner)


def _filter_plugged(
    case: FaultEffect, before: Position, first: Position, trail: _Positions, rng: np.random.Generator
) -> FaultEffect:
    # 30 mmHg at the filter: mixture 10 % richer (Mathur & Sharma, example 11.9), air 4 % thinner, power a cube root
    richer = _half(case, 0.1, rng)
    return replace(case, full=richer, idle=0.1 * richer, ln_static=-0.13 * richer)


def _none_of_these(
    case: FaultEffect, before: Position, first: Position, trail: _Positions, rng: np.random.Generator
) -> FaultEffect:
    shape = case.ln_scale.shape
    return replace(case, full=rng.normal(0.0, 0.15, shape), idle=rng.normal(0.0, 0.15, shape))


def _probe(
    case: FaultEffect, before: Position, first: Position, trail: _Positions, rng: np.random.Generator
) -> FaultEffect:
    return replace(case, ln_scale=np.log(rng.uniform(0.2, 0.8, case.ln_scale.shape)))


def _weather(
    case: FaultEffect, before: Position, first: Position, trail: _Positions, rng: np.random.Generator
) -> FaultEffect:
    return replace(case, ln_density=rng.normal(0.0, 0.12, case.ln_scale.shape))


DRIFT_SHARE = 0.3
"""Chance that mixture, gauge and ear have drifted since the runs before, though nothing is wrong [-]; judgement."""


def drifted(case: FaultEffect, rng: np.random.Generator) -> FaultEffect:
    """Nothing is wrong, but these runs share what differs from day to day: the tank's head, the gauge, the ear.

    A head 15 % off its usual moves both mixtures by 2.5 % where it draws a third of the fuel (Bernoulli). The ear, and
    the engine's heat, move the idle besides; judgement.
    """
    shape = case.ln_scale.shape
    tank = rng.normal(0.0, 0.025, shape)
    return replace(case, full=tank, idle=tank + rng.normal(0.0, 0.02, shape))


HYPOTHESES = (
    FaultHypothesis(FaultKind.TURN_WRONG_WAY, 0.007, _turned, _wrong_way),
    FaultHypothesis(FaultKind.TURN_NOT_MADE, 0.007, _turned, _not_made),
    FaultHypothesis(FaultKind.MIXTURE_CONTROL, 0.002, _always, _mixture_control),
    FaultHypothesis(FaultKind.WEATHER, 0.003, _always, _weather),
    FaultHypothesis(FaultKind.PROBE, 0.003, _always, _probe),
    FaultHypothesis(FaultKind.SLIDE_SHORT, 0.001, _always, _slide_short),
    FaultHypothesis(FaultKind.FILTER_PLUGGED, 0.001, _always, _filter_plugged),
    FaultHypothesis(FaultKind.MARK_SET_WRONG, 0.01, _refitted, _mark),
    FaultHypothesis(FaultKind.PART_CHANGED, 0.003, _always, _part),
    FaultHypothesis(FaultKind.INDUCTION_LEAK, 0.003, _always, _leak),
    FaultHypothesis(FaultKind.FUEL_FLOW_LIMIT, 0.003, _always, _fuel_limit),
    FaultHypothesis(FaultKind.NONE_OF_THESE, 0.001, _always, _none_of_these),
)
"""All stories but "as recorded", the cheapest to look at first; and that it is none of them.

Together they begin with one run in thirty, so that one tuning of eight runs in four meets one; judgement.
"""
