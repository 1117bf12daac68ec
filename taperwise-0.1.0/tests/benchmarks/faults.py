"""``faults``: faults injected into campaigns; how often, how soon and how rightly noticed."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
import typer

from tests.benchmarks.campaign import prepared
from tests.benchmarks.shared_out import Keep, shared_out

__all__ = ["faults"]


_TRIES = 20  # campaigns at most until one lasts long enough for the fault to be there
_APART = 100_000  # between the seeds of such tries


@dataclass(frozen=True)
class _Result:
    """One campaign: how it ended, when the fault was there, when the first alarm was, and what it named, likeliest
    first.
    """

    fault: str
    finished: str
    true_claim: bool | None
    onset: int | None
    alarm: int | None
    kinds: tuple[str, ...]


def _one(fault: str, seed: int) -> _Result:
    """The first of several campaigns that lasted until the fault was there, or was stopped by an alarm."""
    last = _Result(fault, "", None, None, None, ())
    for i in range(_TRIES):
        result = _campaign(fault, seed + i * _APART)
        if result is not None and (not fault or result.onset is not None or result.alarm is not None):
            return result
        last = result or last
    return last


def _campaign(fault: str, seed: int) -> _Result | None:
    """One campaign of an engine that some needle fits; None where none does."""
    from taperwise.api.files.installation import installation_from
    from taperwise.shared.runs import Air
    from tests.benchmarks.engines.campaign import run_campaign
    from tests.benchmarks.engines.faulty_engines import draw_faulty
    from tests.benchmarks.engines.policies import fitting_positions, make_policy

    air = Air(288.15, 101_325.0)
    engine = draw_faulty(fault, installation_from(None).record(), seed)
    if not fitting_positions(engine, air):
        return None
    policy = make_policy("ours", prepared(), np.random.default_rng(seed))
    rng = np.random.default_rng([seed, 2])
    done = run_campaign(engine, policy, lambda _: air, rng, fitting=True, stop_at_alarm=True)
    run, kinds = done.alarms[0] if done.alarms else (None, ())
    return _Result(fault, done.finished, done.true_claim, engine.onset, run, kinds)


def faults(
    engines: Annotated[int, typer.Option("--engines", min=1, help="Campaigns per fault, and healthy ones.")] = 100,
    fault: Annotated[list[str] | None, typer.Option("--fault", help="One of the faults; may be repeated.")] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, help="First engine's seed.")] = 1,
    jobs: Annotated[int, typer.Option("--jobs", min=1, help="Engines tuned at a time.")] = 2,
    keep: Keep = None,
) -> None:
    """Inject each fault into campaigns: detection rate, runs to detection, false alarms on healthy engines.

    Campaigns that end before the fault is there are followed by others, so that every fault has its chance.
    """
    from rich.console import Console
    from rich.progress import track

    from taperwise.shared.errors import InvalidValueError
    from tests.benchmarks.engines.faulty_engines import FAULTS

    for name in fault or ():
        if name not in FAULTS:
            raise InvalidValueError(
                "no such fault", field="--fault", value=name, cure=f"There are: {', '.join(FAULTS)}."
            )
    names = ["", *(fault or FAULTS)]
    # fault by fault in turn, so that a bench that is stopped has seen some of each
    work = [(name, seed + i) for i in range(engines) for name in names]
    tuning = shared_out(_one, work, jobs, keep)
    results = list(track(tuning, description="tuning", total=len(work), console=Console(stderr=True)))
    figures = {name: _figures([r for r in results if r.fault == name]) for name in names if name}
    typer.echo(
        json.dumps(
            {
                "engines": engines,
                "seed": seed,
                "false_alarms": _share(r.alarm is not None for r in results if not r.fault),
                "alarms_before_onset": _share(
                    r.alarm is not None and (r.onset is None or r.alarm < r.onset) for r in results if r.fault
                ),
                "faults": figures,
            }
        )
    )


def _share(truths: Iterable[bool]) -> float | None:
    """Share of what is true; None of nothing."""
    every = list(truths)
    return round(sum(every) / len(every), 4) if every else None


def _figures(results: list[_Result]) -> dict[str, Any]:
    """Over the campaigns that lasted until the fault was there."""
    there = [r for r in results if r.onset is not None and (r.alarm is None or r.alarm >= r.onset)]
    found = [r for r in there if r.alarm is not None]
    delays = [r.alarm - r.onset + 1 for r in found if r.alarm is not None and r.onset is not None]
    passed = [r for r in there if r.alarm is None]
    return {
        "campaigns": len(there),
        "detected": _share(r.alarm is not None for r in there),
        "named_first": _share(r.kinds[0] == r.fault for r in found),
        "named": _share(r.fault in r.kinds for r in found),
        "median_runs": float(np.median(delays)) if delays else None,
        "passed_by": {
            "inspected_otherwise": sum(r.finished not in ("tuned", "") for r in passed),
            "tuned_all_the_same": sum(r.true_claim is True for r in passed),
            "false_claims": sum(r.true_claim is False for r in passed),
        },
    }
