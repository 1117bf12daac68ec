"""``eighth-turn bench faults``: faults injected into campaigns; how often, how soon and how rightly noticed."""

import json
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from typing import Annotated, Any

import numpy as np
import typer

from api.bench.campaign import prepared, quietly

__all__ = ["faults"]


@dataclass(frozen=True)
class _Result:
    """One campaign: when the fault was there, when the first alarm was, and what it named."""

    fault: str
    onset: int | None
    alarm: int | None
    named: str


def _one(fault: str, seed: int) -> _Result:
    from api.cli.settings_file import installation_from
    from model.campaign import run_campaign
    from model.faulty_engines import draw_faulty
    from model.policies import make_policy
    from shared.runs import Air

    engine = draw_faulty(fault, installation_from(None).record(), seed)
    policy = make_policy("ours", prepared(), np.random.default_rng(seed))
    rng = np.random.default_rng([seed, 2])
    done = run_campaign(engine, policy, lambda _: Air(288.15, 101_325.0), rng, fitting=True, stop_at_alarm=True)
    first = done.alarms[0] if done.alarms else (None, "")
    return _Result(fault, engine.onset, *first)


def _all(names: list[str], engines: int, seed: int, jobs: int) -> Iterator[_Result]:
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=quietly) as pool:
        work = [pool.submit(_one, name, seed + i) for name in names for i in range(engines)]
        for future in as_completed(work):
            yield future.result()


def faults(
    engines: Annotated[int, typer.Option("--engines", min=1, help="Campaigns per fault, and healthy ones.")] = 100,
    fault: Annotated[list[str] | None, typer.Option("--fault", help="One of the faults; may be repeated.")] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, help="First engine's seed.")] = 1,
    jobs: Annotated[int, typer.Option("--jobs", min=1, help="Engines tuned at a time.")] = 2,
) -> None:
    """Inject each fault into campaigns: detection rate, runs to detection, false alarms on healthy engines."""
    from rich.console import Console
    from rich.progress import track

    from model.faulty_engines import FAULTS
    from shared.errors import InvalidValueError

    for name in fault or ():
        if name not in FAULTS:
            raise InvalidValueError(
                "no such fault", field="--fault", value=name, cure=f"There are: {', '.join(FAULTS)}."
            )
    names = ["", *(fault or FAULTS)]
    tuning = _all(names, engines, seed, jobs)
    total = engines * len(names)
    results = list(track(tuning, description="tuning", total=total, console=Console(stderr=True)))
    figures = {name: _figures([r for r in results if r.fault == name]) for name in names if name}
    healthy = [r.alarm is not None for r in results if not r.fault]
    before = [r.alarm is not None and (r.onset is None or r.alarm < r.onset) for r in results]
    typer.echo(
        json.dumps(
            {
                "engines": engines,
                "seed": seed,
                "false_alarms": round(float(np.mean(healthy)), 4),
                "alarms_before_onset": round(float(np.mean(before)), 4),
                "faults": figures,
            }
        )
    )


def _figures(results: list[_Result]) -> dict[str, Any]:
    """Over the campaigns that lasted until the fault was there."""
    there = [r for r in results if r.onset is not None and (r.alarm is None or r.alarm >= r.onset)]
    found = [r for r in there if r.alarm is not None]
    delays = [r.alarm - r.onset + 1 for r in found if r.alarm is not None and r.onset is not None]
    return {
        "campaigns": len(there),
        "detected": round(len(found) / len(there), 4) if there else None,
        "rightly_named": round(float(np.mean([r.named == r.fault for r in found])), 4) if found else None,
        "median_runs": float(np.median(delays)) if delays else None,
    }
