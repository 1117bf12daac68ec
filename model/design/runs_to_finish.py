"""How many more runs a tuning takes: a prediction, calibrated on simulated tunings.

The choice prices a step in runs, failures included at a price of their own (`look_ahead`). A price
orders steps well, but foretells nothing: it once read 17 where 5 came. So many virtual engines were tuned, and what
came after each price is kept as a table, which `python -m tests.benchmarks campaign --policy ours --calibrate FILE`
makes. Few tunings that had taken many runs and still looked long came out as tuned: such a one is ended.
"""

import json
from functools import cache
from importlib.resources import files
from itertools import groupby
from typing import Any

import numpy as np

from taperwise.model.inference.dataset import Evidence
from taperwise.shared.outlook import RunsToFinish
from taperwise.shared.recommendation import Confidence

__all__ = ["TABLE", "runs_made", "runs_to_finish", "seldom_finishes", "table_of", "told"]

TABLE = "runs_to_finish.json"
"""Name of the table, beside this module."""

_BINS = 8  # of equal count a stage
_FEWEST = 30  # in a bin: a range of fewer is a matter of luck
_HELD = 0.8

# of 88 simulated tunings, 14 were priced at more than this after as many runs: none was tuned, in 10 more runs each; of
# three on fresh engines one was
_MANY_RUNS, _FAR = 12, 6.0
_TUNING = 3  # runs at one setting that count as tuning; more may be checks of a tuned engine


@cache
def _table() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(files("taperwise.model.design").joinpath(TABLE).read_text(encoding="utf-8"))
    return found


def runs_to_finish(confidence: Confidence, price: float) -> RunsToFinish | None:
    """How many more runs are expected, the next one included; None where nothing is known of the stage.

    Parameters
    ----------
    confidence : Confidence
    price : float
        Of the step that is suggested [runs].
    """
    return told(_table(), confidence.stage.value, price)


def runs_made(evidence: Evidence) -> int:
    """How many runs this tuning has taken: with the present fuel and parts, since a cause was last recorded.

    Runs that read fewer cylinders than the latest do not count, nor more than three at a time at one setting.

    Parameters
    ----------
    evidence : Evidence
    """
    here, trail = evidence.position, evidence.trail
    since = trail[len(trail) - len(evidence.since_acknowledged) :]
    read = [(p, run.rise.cylinders) for p, run in since if run.rise and (p.fuel, p.parts) == (here.fuel, here.parts)]
    settings = [position for position, cylinders in read if cylinders >= read[-1][1]]
    return sum(min(len(list(runs)), _TUNING) for _, runs in groupby(settings))


def seldom_finishes(runs: int, price: float) -> bool:
    """Whether few simulated tunings that had taken so many runs, and still cost so much, came out as tuned.

    Parameters
    ----------
    runs : int
        Of `runs_made`.
    price : float
        Of the step that would come next [runs].
    """
    return runs >= _MANY_RUNS and price > _FAR


def told(table: dict[str, Any], stage: str, signal: float) -> RunsToFinish | None:
    """What a table says of a stage and a signal, between the middles of its bins."""
    rows = table["stages"].get(stage)
    if not rows:
        return None
    at = [row["signal"] for row in rows]
    nearest = rows[int(np.argmin([abs(x - signal) for x in at]))]
    expected = float(np.interp(signal, at, [row["expected"] for row in rows]))
    return RunsToFinish(round(expected, 1), nearest["low_80"], nearest["high_80"])


def table_of(came: dict[str, list[tuple[float, int]]], version: str) -> dict[str, Any]:
    """A table from what came.

    Parameters
    ----------
    came : dict
        By stage: signal, and how many runs came after it.
    version : str
        Of the model that decided.
    """
    return {"model_version": version, "stages": {stage: _rows(pairs) for stage, pairs in came.items() if pairs}}


def _rows(pairs: list[tuple[float, int]]) -> list[dict[str, float]]:
    ordered = np.array(sorted(pairs))
    count = max(1, min(_BINS, len(ordered) // _FEWEST))
    bins = np.array_split(ordered, count)
    rows = []
    for each in bins:
        low, high = _range(each[:, 1].astype(int))
        signal, expected = (round(float(x), 3) for x in each.mean(axis=0))
        rows.append({"signal": signal, "expected": expected, "low_80": low, "high_80": high})
    return rows


def _range(runs: "np.ndarray[Any, np.dtype[np.int64]]") -> tuple[int, int]:
    """Whole numbers between which as near four fifths lie as can be, the rest evenly on either side where it can."""
    lowest, highest = int(runs.min()), int(runs.max())
    ranges = [(low, high) for low in range(lowest, highest + 1) for high in range(low, highest + 1)]

    def miss(each: tuple[int, int]) -> tuple[float, float, int]:
        below, above = float(np.mean(runs < each[0])), float(np.mean(runs > each[1]))
        return round(abs(1.0 - below - above - _HELD), 2), abs(below - above), each[1] - each[0]

    return min(ranges, key=miss)
