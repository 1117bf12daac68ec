"""Looking ahead of the next run: what is left to do after each step, priced in runs.

For every candidate the next run's readings are simulated from the posterior's own draws, the draws
are weighed anew by each of them, and what would be best *then* is priced in runs: nothing more if
the setting could be called right; otherwise the way to the best setting, and what failing there
costs. So a step is worth what it brings at once, what its run teaches, and what both save later;
a repeat is worth its run only where it may settle something.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taperwise.model.design.reachable_settings import Destinations
from taperwise.model.inference.dataset import Position
from taperwise.shared.limits import StepLimits

__all__ = ["CHANGE_COST_RUNS", "FAILURE_COST_RUNS", "RunsBetween", "price_in_runs", "runs_that_come"]

CHANGE_COST_RUNS = 1.5
"""What a change of needle costs beyond its run, in runs: far longer work than a turn, and back to the start;
judgement."""

FAILURE_COST_RUNS = 15.0
"""Runs that a setting which turns out wrong is expected to cost after it was reached; judgement."""


@dataclass(frozen=True)
class RunsBetween:
    """Runs it takes from one setting to each of n others, the run made there included, (n,)."""

    runs: NDArray[np.float64]

    @classmethod
    def between(cls, start: Position, destinations: Destinations, limits: StepLimits) -> "RunsBetween":
        """From a setting to all others, a screw a run in largest steps; another needle takes a run and its own cost."""
        runs = []
        for p in destinations.positions:
            stop = _steps(p.idle_stop_turns - start.idle_stop_turns, limits)
            if p.needle == start.needle:
                runs.append(max(1.0, _steps(p.turns - start.turns, limits) + stop))
            else:
                runs.append(1.0 + CHANGE_COST_RUNS + stop)
        return cls(np.array(runs))


def _steps(turns: float, limits: StepLimits) -> float:
    return float(np.ceil(abs(turns) / limits.largest_turns - 1e-9))


def price_in_runs(
    first_cost: float,
    way: RunsBetween,
    destinations: Destinations,
    here: int | None,
    weights: NDArray[np.float64],
    confirm_chance: float,
) -> float:
    """Expected cost in runs of a step and all that is left after it.

    Parameters
    ----------
    first_cost : float
        Of the step and its run [runs].
    way : Way
        From the setting the step leaves to all others.
    destinations : Destinations
    here : int or None
        Number of the setting the step leaves among them; None: it can settle nothing.
    weights : array, (m, q)
        Weights of the destinations' draws after each of m simulated runs; rows sum to 1.
    confirm_chance : float
        Chance from which a setting is called right.
    """
    chances = weights @ destinations.right.astype(float)
    later = (way.runs + FAILURE_COST_RUNS * (1.0 - chances)).min(axis=1)
    if here is not None:
        later = np.where(chances[:, here] >= confirm_chance, 0.0, later)
    return first_cost + float(later.mean())


def runs_that_come(
    way: RunsBetween,
    destinations: Destinations,
    really: NDArray[np.bool_],
    here: int | None,
    weights: NDArray[np.float64],
    confirm_chance: float,
) -> float:
    """What is left after a run as it really comes, when what the run says is acted upon [runs].

    Every truth is held against what its own readings make of the other draws, so that readings which single out a draw
    by chance come out as the failures they are; the price, which takes those draws at their word, does not.

    Parameters
    ----------
    really : array of bool, (m, n)
        Whether the destinations are right for each truth.
    way, destinations, here, weights, confirm_chance
        As for `price_in_runs`.
    """
    chances = weights @ destinations.right.astype(float)
    best = (way.runs + FAILURE_COST_RUNS * (1.0 - chances)).argmin(axis=1)
    runs = way.runs[best]
    if here is not None:
        settled = chances[:, here] >= confirm_chance
        best, runs = np.where(settled, here, best), np.where(settled, 0.0, runs)
    failed = ~np.take_along_axis(really, best[:, None], axis=1)[:, 0]
    return float(np.mean(runs + FAILURE_COST_RUNS * failed))
