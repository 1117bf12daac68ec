"""``sweep``: the sweep reader against two naive ones."""

import json
import time
from collections.abc import Callable
from typing import Annotated, Any

import numpy as np
import typer
from numpy.typing import NDArray

__all__ = ["Read", "sweep"]

_F = NDArray[np.float64]
_HALF = 1.6449  # standard errors to either side of a 90 % interval


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
    traces: Annotated[int, typer.Option("--traces", min=10, help="How many virtual traces of each kind.")] = 300,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the traces.")] = 1,
    kind: Annotated[list[str] | None, typer.Option("--kind", help="Kinds of leaning; all where none is given.")] = None,
) -> None:
    """Read virtual leanings of every kind; coverage, bias and time against two naive readers."""
    from rich.progress import track

    from tests.benchmarks.engines.leanings import KINDS

    kinds = kind or list(KINDS)
    read = {name: Read() for name in kinds}
    for name in kinds:
        rng = np.random.default_rng([seed, list(KINDS).index(name)])
        for _ in track(range(traces), description=name):
            read[name].one(name, rng)
    every = Read()
    for found in read.values():
        every.add(found)
    typer.echo(json.dumps({"traces": traces * len(kinds), **every.figures(), "kinds": {
        name: found.figures() for name, found in read.items()
    }}))  # fmt: skip


class Read:
    """Errors of a reader and of the naive ones over some traces."""

    def __init__(self) -> None:
        self.errors: list[float] = []
        self.inside: list[bool] = []
        self.wide: list[float] = []
        self.seconds = 0.0
        self.unread = self.below_shown = 0
        self.naive: dict[str, list[float]] = {name: [] for name in _NAIVE}

    def one(self, kind: str, rng: np.random.Generator) -> None:
        """Draws a trace, reads it."""
        from taperwise.model.traces.sweep import read_sweep
        from tests.benchmarks.engines.leanings import draw_leaning, log_leaning

        trace = log_leaning(*draw_leaning(kind, rng), rng)
        begun = time.perf_counter()
        reading = read_sweep(trace.seconds, trace.kelvin, drive=trace.flow, beside=trace.manifold)
        self.seconds += time.perf_counter() - begun
        for name, reader in _NAIVE.items():
            self.naive[name].append(reader(trace.seconds, trace.kelvin) - trace.rise_kelvin)
        if reading.seen != "peak":
            self.unread += 1
            return
        self.errors.append(reading.rise_kelvin - trace.rise_kelvin)
        self.inside.append(abs(self.errors[-1]) <= _HALF * reading.error_kelvin)
        self.wide.append(_HALF * reading.error_kelvin)
        self.below_shown += reading.rise_kelvin < reading.shown_kelvin

    def add(self, other: "Read") -> None:
        """Takes another's traces in."""
        self.errors += other.errors
        self.inside += other.inside
        self.wide += other.wide
        self.seconds += other.seconds
        self.unread += other.unread
        self.below_shown += other.below_shown
        for name, errors in other.naive.items():
            self.naive[name] += errors

    def figures(self) -> dict[str, Any]:
        """What goes into the last line."""
        n = len(self.errors) + self.unread
        return {
            "n": n,
            "coverage_90": round(float(np.mean(self.inside)), 4),
            **_figures(self.errors),
            "median_half_width_kelvin": round(float(np.median(self.wide)), 3),
            "not_read": self.unread,
            "below_shown": self.below_shown,
            "seconds_per_trace": round(self.seconds / n, 4),
            "naive": {name: _figures(found) for name, found in self.naive.items()},
        }


def _figures(errors: list[float]) -> dict[str, Any]:
    e = np.array(errors)
    return {
        "bias_kelvin": round(float(np.mean(e)), 3),
        "median_error_kelvin": round(float(np.median(e)), 3),
        "median_absolute_error_kelvin": round(float(np.median(np.abs(e))), 3),
    }
