"""Libraries of adaptive design on a grid of two unknowns, timed in an environment of their own."""

import json
import subprocess
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from model.engine.needle import fuel_area
from model.engine.priors import PRIORS, ROUGH_RISE_KELVIN
from model.learning.evidence import throttle_of
from model.trial.tuned import tuned
from shared.errors import InvalidValueError
from shared.records import Installation
from shared.runs import Run

__all__ = ["grid_times"]

_POINTS = 61  # on each of the two axes
_BINS = 20
_STEP_TURNS = 0.125


def grid_times(python: str, installation: Installation, before: int, updates: int, seed: int) -> dict[str, Any]:
    """Median milliseconds of one update and the choice of the next design, by library.

    The two unknowns are the mixtures at either end, all nuisances known; the readings a binned rise and the idle
    judgement, the designs steps of the screw. That is less than an update of ours answers.

    Raises
    ------
    InvalidValueError
        If that interpreter does not have the libraries, or they fail.
    """
    asked = _question(installation, before, updates, seed)
    try:
        done = subprocess.run(  # noqa: S603 - an interpreter the caller names, and our own file
            [python, str(Path(__file__).with_name("grid_worker.py"))],
            input=json.dumps(asked), capture_output=True, text=True, check=True,
        )  # fmt: skip
        found = json.loads(done.stdout)
    except (OSError, subprocess.CalledProcessError) as error:
        said = getattr(error, "stderr", "") or str(error)
        raise InvalidValueError(
            f"the libraries could not be timed: {said.strip().splitlines()[-1]}", field="--grids-python", value=python,
            cure="Make an environment and install adopy and bayesdesign there: python3 -m venv grids, then "
            "grids/bin/pip install adopy bayesdesign; give grids/bin/python.",
        ) from None  # fmt: skip
    return {f"{name}_ms": round(1000.0 * median(seconds), 2) for name, seconds in found.items()} | {
        "points": _POINTS**2, "designs": len(asked["turns"]), "readings": 5 * len(asked["rises"])
    }  # fmt: skip


def _question(installation: Installation, before: int, updates: int, seed: int) -> dict[str, Any]:
    centre = {name: prior.centre for name, prior in PRIORS.items()}
    rises = np.linspace(0.0, ROUGH_RISE_KELVIN, _BINS)
    smooth_lean = centre["idle_first_cut"] + centre["idle_gap_lean"]
    smooth_rich = smooth_lean + centre["idle_gap_smooth"]
    log, more = tuned(installation, before, seed, more=updates)
    steps = [s * size for size in installation.limits.steps() for s in (1, -1)]
    seen = [run for run in [*log, *more] if isinstance(run, Run) and run.rise and run.idle_quality]
    nearest = [float(rises[np.argmin(np.abs(rises - run.rise.kelvin))]) for run in seen if run.rise]
    return {
        "turns": sorted([0.0, *steps]),
        "full": list(np.linspace(-0.3, 0.6, _POINTS)),
        "idle": list(np.linspace(-0.5, 0.7, _POINTS)),
        "rises": list(rises),
        "bin_kelvin": float(rises[1] - rises[0]),
        "exhaust_scale": centre["exhaust_scale"],
        "exhaust_width": centre["exhaust_width"],
        "rise_noise": centre["rise_noise"],
        "cuts": [centre["idle_first_cut"], smooth_lean, smooth_rich, smooth_rich + centre["idle_gap_rich"]],
        "blur": centre["idle_blur"],
        "full_per_turn": _per_turn(installation, idle=False),
        "idle_per_turn": _per_turn(installation, idle=True),
        "before": before,
        "readings": [
            [0.0, rise, float(run.idle_quality)] for rise, run in zip(nearest, seen, strict=True) if run.idle_quality
        ],
    }


def _per_turn(installation: Installation, *, idle: bool) -> float:
    """What a turn of the screw adds to ln(phi) at either end, with the middle needle at its mark [ln phi a turn]."""
    t, half = throttle_of(installation), 0.5 * _STEP_TURNS * installation.throttle_body.screw_pitch_m
    length = t.mark_to_orifice + (t.idle_opening if idle else t.full_travel)
    areas = [
        fuel_area(np.array(length + move), t.middle_slope, t.orifice_diameter, t.needle_diameter)
        for move in (half, -half)
    ]
    return float(np.log(areas[0] / areas[1]) / _STEP_TURNS)
