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

__all__ = ["CHANGE_COST_RUNS", "FAILURE_COST_RUNS", "RunsBetween", "price_in_runs"]

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
