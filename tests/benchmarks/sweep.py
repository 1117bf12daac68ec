"""``sweep``: the sweep reader against two naive ones."""

import json
import time
from collections.abc import Callable
from typing import Annotated, Any

import numpy as np
import typer
from numpy.typing import NDArray

__all__ = ["sweep"]

_F = NDArray[np.float64]


def _first(seconds: _F, kelvin: _F) -> float:
    """Highest sample less the first one."""
    return float(np.max(kelvin) - kelvin[0])


def _smoothed(seconds: _F, kelvin: _F) -> float:
    """Highest value of a three-second running mean, less its first value."""
    spacing = float(np.median(np.diff(seconds)))
    width = max(1, round(3.0 / spacing))
    smooth = np.convolve(kelvin, np.ones(width) / width, mode="valid")
    return float(smooth.max() - smooth[0])


_NAIVE: dict[str, Callable[[_F, _F], float]] = {"highest_less_first": _first, "highest_smoothed": _smoothed}


def sweep(
    traces: Annotated[int, typer.Option("--traces", min=10, help="How many virtual traces.")] = 500,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the traces.")] = 1,
) -> None:
    """Read virtual traces made from an equilibrium cycle; coverage, bias and time against two naive readers."""
    from rich.progress import track

    from taperwise.model.traces.sweep import read_sweep
    from tests.benchmarks.engines.virtual_sweep import cycle_curves, random_plan, run_sweep

    curves = cycle_curves()
    rng = np.random.default_rng(seed)
    errors, inside, seconds, unread = [], [], 0.0, 0
    naive: dict[str, list[float]] = {name: [] for name in _NAIVE}
    for _ in track(range(traces), description="reading traces"):
        curve = curves[rng.integers(len(curves))]
        trace = run_sweep(curve, random_plan(curve, rng), rng)
        begun = time.perf_counter()
        reading = read_sweep(trace.seconds, trace.kelvin)
        seconds += time.perf_counter() - begun
        for name, reader in _NAIVE.items():
            naive[name].append(reader(trace.seconds, trace.kelvin) - trace.rise_kelvin)
        if reading.seen != "peak":
            unread += 1
            continue
        errors.append(reading.rise_kelvin - trace.rise_kelvin)
        inside.append(abs(errors[-1]) <= 1.6449 * reading.error_kelvin)
    result = {
        "traces": traces,
        "coverage_90": round(float(np.mean(inside)), 4),
        **_figures(errors),
        "not_read": unread,
        "seconds_per_trace": round(seconds / traces, 4),
        "naive": {name: _figures(found) for name, found in naive.items()},
    }
    typer.echo(json.dumps(result))


def _figures(errors: list[float]) -> dict[str, Any]:
    e = np.array(errors)
    return {
        "bias_kelvin": round(float(np.mean(e)), 3),
        "median_error_kelvin": round(float(np.median(e)), 3),
        "median_absolute_error_kelvin": round(float(np.median(np.abs(e))), 3),
    }
