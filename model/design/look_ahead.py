"""Looking ahead of the next run: what is left to do after each step, priced in runs.

For every candidate the next run's readings are simulated from the posterior's own draws, the draws
are weighed anew by each of them, and what would be done *then* is priced in runs as other draws
judge it: nothing more if the setting is called right and is; otherwise the way to what looks best,
and what failing there costs. So a step is worth what it brings at once, what its run teaches, and what both save later;
a repeat is worth its run only where it may settle something.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taperwise.model.design.reachable_settings import Destinations
from taperwise.model.inference.dataset import Position
from taperwise.shared.limits import StepLimits

__all__ = ["CHANGE_COST_RUNS", "FAILURE_COST_RUNS", "RunsBetween", "runs_after", "runs_that_come"]

CHANGE_COST_RUNS = 1.5
"""What a change of needle costs beyond its run, in runs: far longer work than a turn, and back to the start;
judgement."""

FAILURE_COST_RUNS = 15.0
"""Runs that a setting which turns out wholly wrong is expected to cost after it was reached; judgement."""

_PARTS = 4  # of the draws, each of which judges what the others choose
_LEAST = 1e-12  # added to each weight, for readings that leave the draws that choose none


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


def runs_after(
    way: RunsBetween,
    destinations: Destinations,
    here: int | None,
    weights: NDArray[np.float64],
    confirm_chance: float,
) -> float:
    """What is left after a run, when what the run says is acted upon [runs].

    What to do is chosen with some of the draws, and what comes of it is judged with the others, each part in its turn:
    readings that single out a draw by chance are not taken at their word, else any run looks worth its while.

    Parameters
    ----------
    way : RunsBetween
        From the setting the run is made at to all others.
    destinations : Destinations
    here : int or None
        Number of the setting of the run among them; None: it can settle nothing.
    weights : array, (m, q)
        Weights of the destinations' draws after each of m simulated runs; rows sum to 1.
    confirm_chance : float
        Chance from which a setting is called right.
    """
    part, right, worth = np.arange(weights.shape[1]) % _PARTS, destinations.right, destinations.worth
    total = 0.0
    for i in range(_PARTS):
        judges, others = weights[:, part == i], weights[:, part != i] + _LEAST
        others /= others.sum(axis=1, keepdims=True)
        sure = None if here is None else others @ right[part != i, here] >= confirm_chance
        best, runs = _best(way, others @ worth[part != i], here, sure)
        share = judges.sum(axis=1)
        holds = np.take_along_axis(judges @ worth[part == i], best[:, None], axis=1)[:, 0]
        total += float(np.mean(share * runs + FAILURE_COST_RUNS * (share - holds)))
    return total


def runs_that_come(
    way: RunsBetween,
    destinations: Destinations,
    really: NDArray[np.float64],
    here: int | None,
    weights: NDArray[np.float64],
    confirm_chance: float,
) -> float:
    """What is left after a run as it really comes, when what the run says is acted upon [runs].

    Every truth is held against what its own readings make of the other draws. Of one step that is the straightest
    account; between steps it differs more by chance than `runs_after`.

    Parameters
    ----------
    really : array, (m, n)
        What the destinations are worth for each truth.
    way, destinations, here, weights, confirm_chance
        As for `runs_after`.
    """
    sure = None if here is None else weights @ destinations.right[:, here] >= confirm_chance
    best, runs = _best(way, weights @ destinations.worth, here, sure)
    failed = 1.0 - np.take_along_axis(really, best[:, None], axis=1)[:, 0]
    return float(np.mean(runs + FAILURE_COST_RUNS * failed))


def _best(
    way: RunsBetween, worth: NDArray[np.float64], here: int | None, sure: NDArray[np.bool_] | None
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Where to go after each run, by what the destinations are worth, (m, n), and the runs there, (m,).

    Nothing is left to do where the setting of the run is called right, (m,).
    """
    best = (way.runs + FAILURE_COST_RUNS * (1.0 - worth)).argmin(axis=1)
    runs = way.runs[best]
    if here is None or sure is None:
        return best, runs
    return np.where(sure, here, best), np.where(sure, 0.0, runs)
