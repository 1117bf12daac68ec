"""``pool``: the pool's cost by size."""

import json
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from tests.benchmarks.shared_out import compiled_before, quietly

__all__ = ["pool"]


def pool(
    engines: Annotated[
        str, typer.Option("--engines", help="Sizes of fleets, separated by commas.")
    ] = "100,1000,10000,100000,1000000",
    method: Annotated[
        str, typer.Option("--method", help="approximation, nuts, or auto: NUTS up to the crossover.")
    ] = "approximation",
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the fleets.")] = 1,
) -> None:
    """Fit fleets of summaries of growing size: time and memory of each, and the exponent of growth.

    Sizes are fitted in one process, the smallest first, that has compiled and run once before the clock starts.
    """
    from taperwise.shared.errors import InvalidValueError

    try:
        sizes = sorted(int(word) for word in engines.split(","))
    except ValueError:
        sizes = [0]
    if min(sizes) < 1:
        raise InvalidValueError(
            "sizes are whole numbers from 1, separated by commas", field="--engines", value=engines,
            cure="For instance 100,1000.",
        )  # fmt: skip
    if method not in ("approximation", "nuts", "auto"):
        raise InvalidValueError("no such method", field="--method", value=method, cure="Try approximation.")
    found = []
    with ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=quietly) as worker:
        for size in sizes:
            found.append(worker.submit(_fitted, size, method if method != "auto" else "", seed).result())
            typer.echo(f"{size:>9} engines: {found[-1][0]:8.2f} s, {found[-1][1]:7.1f} MiB", err=True)
    seconds, mebibytes = [round(s, 3) for s, _ in found], [round(m, 1) for _, m in found]
    exponent = None
    if len(set(sizes)) > 1:
        exponent = round(float(np.polyfit(np.log(sizes), np.log([s for s, _ in found]), 1)[0]), 3)
    typer.echo(
        json.dumps({"sizes": sizes, "seconds": seconds, "mebibytes": mebibytes, "exponent": exponent, "method": method})
    )


def _fitted(size: int, method: str, seed: int) -> tuple[float, float]:
    """Seconds of a fit, and mebibytes the process has grown by, the summaries themselves included."""
    sampler, before = _warm(method, seed)
    from taperwise.model.population.predictive_prior import POPULATION_PRIORS
    from tests.benchmarks.engines.virtual_population import draw_fleet, ordinary_population

    rng = np.random.default_rng(seed)
    fleet = draw_fleet(size, ordinary_population(rng), rng)
    begun = time.perf_counter()
    sampler.fit(fleet, POPULATION_PRIORS, seed, method)
    return time.perf_counter() - begun, max(_resident() - before, 0.0)


@cache
def _warm(method: str, seed: int) -> tuple[Any, float]:
    """The sampler, compiled by a small fit of that method, and the memory held by then."""
    compiled_before()
    from taperwise.model.population.fitting import PopulationSampler
    from taperwise.model.population.predictive_prior import POPULATION_PRIORS
    from tests.benchmarks.engines.virtual_population import draw_fleet, ordinary_population

    k, p = POPULATION_PRIORS.beta.shape
    sampler, rng = PopulationSampler(p, k), np.random.default_rng(seed)
    fleet = draw_fleet(20, ordinary_population(rng), rng)
    for each in (method,) if method else ("nuts", "approximation"):
        sampler.fit(fleet, POPULATION_PRIORS, seed, each)
    return sampler, _resident()


def _resident() -> float:
    """Most memory this process has held so far [MiB]."""
    import resource

    status = Path("/proc/self/status")
    if (
        status.exists()
    ):  # what getrusage tells on Linux begins with the most the parent held (getrusage(2), from memory)
        line = next(line for line in status.read_text(encoding="ascii").splitlines() if line.startswith("VmHWM:"))
        return float(line.split()[1]) / 1024.0
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / (1024.0**2 if sys.platform == "darwin" else 1024.0)
