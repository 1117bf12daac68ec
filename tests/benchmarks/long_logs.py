"""``long-logs``: processor time of one fit, for logs up to a thousand runs: of engines, and such as no engine gives."""

import json
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Annotated

import numpy as np
import typer

from taperwise.api.recommendations.factory import make_recommender
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.records import Entry, Installation, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests.conftest import NEEDLES

__all__ = ["at_random", "long_logs", "never_risen", "of_an_engine"]

_AIR = Air(288.15, 101_325.0)
_TURNED_EVERY = 7  # runs


def _log(
    rng: np.random.Generator, runs: int, run: Callable[[], Run], turned: Callable[[TurnScrew], None]
) -> list[Entry]:
    """Runs, with an eighth of a turn now and then."""
    log: list[Entry] = []
    for number in range(runs):
        log.append(run())
        if number % _TURNED_EVERY == 3:
            turn = TurnScrew(float(rng.choice([-0.125, 0.125])))
            turned(turn)
            log.append(turn)
    return log


def at_random(rng: np.random.Generator, runs: int) -> list[Entry]:
    """Readings that have nothing to do with each other."""

    def run() -> Run:
        return Run(
            replace(_AIR, temperature_kelvin=float(rng.choice([235.0, 260.0, 290.0, 315.0]))),
            ExhaustRise(RiseSeen.PEAK, float(rng.choice([3.0, 30.0, 90.0, 170.0, 330.0, 500.0]))),
            IdleQuality(int(rng.integers(1, 6))), static_rpm=float(rng.choice([1800.0, 2500.0, 3600.0])),
            idle_rpm=float(rng.choice([450.0, 800.0, 1400.0])),
            meters=(("lambda_full_rich", float(rng.choice([0.6, 0.8, 1.1]))),),
        )  # fmt: skip

    return _log(rng, runs, run, lambda _: None)


def of_an_engine(installation: Installation, rng: np.random.Generator, seed: int, runs: int) -> list[Entry]:
    """One engine with all instruments, from winter at the sea to summer in the mountains."""
    engine = VirtualEngine.draw(installation, seed)

    def run() -> Run:
        air = Air(float(rng.uniform(255.0, 315.0)), float(rng.uniform(80_000.0, 103_000.0)))
        return engine.run(air, instruments=True)

    return _log(rng, runs, run, engine.adjust)


def never_risen(rng: np.random.Generator, runs: int) -> list[Entry]:
    """Exhaust temperature fell at once in every run: each says only that the mixture is lean of something."""
    return _log(rng, runs, lambda: Run(_AIR, ExhaustRise(RiseSeen.FELL_AT_ONCE)), lambda _: None)


def long_logs(
    runs: Annotated[
        list[int] | None, typer.Option("--runs", min=1, max=1000, help="Runs of a log; repeatable.")
    ] = None,
    seed: Annotated[int, typer.Option("--seed", help="Of engines and readings.")] = 3,
) -> None:
    """Fit logs of three kinds, and print the processor time of each [s], and whether it converged."""
    installation, recommender = Installation(NEEDLES, "taper 30.0"), make_recommender()
    recommender.prepare()
    found: dict[str, dict[str, float | bool]] = {}
    for length in runs or [300, 1000]:
        rng = np.random.default_rng(seed)
        for name, log in (
            ("at random", at_random(rng, length)),
            ("of an engine", of_an_engine(installation, rng, seed, length)),
            ("never risen", never_risen(rng, length)),
        ):
            begun = time.process_time()
            diagnostics = recommender.fit(installation, log).diagnostics
            spent = round(time.process_time() - begun, 1)
            found[f"{length} {name}"] = {"cpu_seconds": spent, "converged": diagnostics.converged}
            typer.echo(f"{length} {name}: {spent} s", err=True)
    typer.echo(json.dumps(found))
