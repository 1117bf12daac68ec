"""``start``: what a pool saves the next engine."""

import json
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from typing import Annotated, Any

import numpy as np
import typer
from numpy.typing import NDArray

from tests.benchmarks.new_engines import SCATTER, Drawn, Tuned, contribution, known_exactly, served, tuned
from tests.benchmarks.shared_out import Keep, finite, quietly, shared_out

__all__ = ["figures_of", "start"]

_SAVED = ("fewer", "fewer_of_these", "fewer_of_these_error", "fewer_made")
_FIRST_NEW = 10_000  # number of the first engine that is not in the pool


def start(
    pooled: Annotated[int, typer.Option("--pooled", min=5, help="Engines tuned into the pool first.")] = 30,
    engines: Annotated[int, typer.Option("--engines", min=1, help="New engines, each tuned from either prior.")] = 20,
    repeats: Annotated[
        int, typer.Option("--repeats", min=1, help="How often each is tuned, with other readings in other air.")
    ] = 1,
    scatter: Annotated[
        float,
        typer.Option(
            "--scatter",
            min=0.01,
            max=10.0,
            callback=finite,
            help="How far engines of a kind scatter, in the expert's spreads.",
        ),
    ] = SCATTER,
    odd: Annotated[
        float,
        typer.Option(
            "--odd",
            min=0.0,
            max=100.0,
            callback=finite,
            help="How many times farther than the pool's engines new ones scatter.",
        ),
    ] = 1.0,
    exact: Annotated[
        bool, typer.Option("--exact", help="Tune them from the population's own prior, too: no pool can know more.")
    ] = False,
    held: Annotated[
        bool, typer.Option("--held", help="Tune them from the pool's prior without its odd share, too.")
    ] = False,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the population.")] = 1,
    jobs: Annotated[int, typer.Option("--jobs", min=1, help="Engines tuned at a time.")] = 2,
    keep: Keep = None,
) -> None:
    """Tune engines of one population into a pool, then new ones from the pool's prior and from the expert's.

    Both start where their own prior says before the first run. Runs are counted over new engines that some needle fits;
    one that was not tuned counts as the most runs a campaign has, whatever was said to its builder instead. Which
    prior needs more runs for one engine is partly luck with its readings: only repeats tell.
    """
    from rich.console import Console
    from rich.progress import track

    from tests.benchmarks.engines.campaign import MOST_RUNS

    console = Console(stderr=True)
    filling = shared_out(contribution, [(Drawn(seed, i, scatter),) for i in range(pooled)], jobs, keep)
    left = list(track(filling, "filling the pool", pooled, console=console))
    with ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=quietly) as worker:
        pool = worker.submit(served, sorted(left, key=lambda each: each.number), seed).result()
    priors = _priors(pool.prior, known_exactly(seed, scatter) if exact else None, held=held)
    new = [Drawn(seed, _FIRST_NEW + i, scatter, odd, j) for i in range(engines) for j in range(repeats)]
    work = [(drawn, name, prior) for drawn in new for name, prior in priors.items()]
    found = list(track(shared_out(tuned, work, jobs, keep), "tuning new engines", len(work), console=console))
    told: dict[str, Any] = {"pooled": pooled, "engines": engines, "repeats": repeats, "seed": seed}
    told |= {"scatter": scatter, "odd": odd, "rests": _told_of(pool.rests)}
    told |= figures_of([each for each in found if each.prior in ("expert", "pool")], MOST_RUNS)
    told |= {name: _beside(found, name, MOST_RUNS) for name in priors if name not in ("expert", "pool")}
    typer.echo(json.dumps(told))


def _priors(pool: Any, exact: Any, *, held: bool) -> dict[str, Any]:
    """What new engines are tuned from, as `EnginePrior` takes it; None is the expert's."""
    priors: dict[str, Any] = {"expert": None, "pool": (pool.centre, pool.root, pool.odd)}
    if exact is not None:
        priors["exact"] = exact
    if held:
        priors["held"] = (pool.centre, pool.root)
    return priors


def _told_of(rests: Any) -> dict[str, float]:
    return {
        "engines": rests.engines,
        "similar": round(rests.similar, 2),
        "narrower_full": round(rests.narrower_full, 3),
        "narrower_idle": round(rests.narrower_idle, 3),
    }


def _beside(found: Sequence[Tuned], name: str, most: int) -> dict[str, Any]:
    """Figures of another prior in the pool's place."""
    in_its_place = [replace(each, prior="pool") for each in found if each.prior == name]
    beside = figures_of([*in_its_place, *(each for each in found if each.prior == "expert")], most)
    kept = {figure: beside[figure] for figure in ("not_tuned", "tuned_from_both", *_SAVED, "surely_more")}
    return kept | {"fewer_from_it": beside["fewer_from_pool"], "more_from_it": beside["more_from_pool"]}


def figures_of(found: Sequence[Tuned], most: int) -> dict[str, Any]:
    """Runs of new engines that some needle fits, from either prior.

    Parameters
    ----------
    found : sequence of Tuned
        Each engine from both priors, as often from the one as from the other.
    most : int
        Runs that one counts as which was not tuned; `runs_made` counts what was run, whatever was said in the end.
    """
    every: dict[str, dict[int, list[float]]] = {"expert": {}, "pool": {}}
    for each in found:
        if each.fitting:
            counted = float(each.runs if each.finished == "tuned" else most)
            every[each.prior].setdefault(each.number, []).append(counted)
    runs = {name: {number: float(np.mean(n)) for number, n in of.items()} for name, of in every.items()}
    never = {name: {number for number, n in of.items() if max(n) < most} for name, of in every.items()}
    made = {name: [each.runs for each in found if each.prior == name and each.fitting] for name in runs}
    both = sorted(set(runs["expert"]) & set(runs["pool"]))
    all_of = {name: np.array([n[i] for i in both]) for name, n in runs.items()}
    tuned = np.array([i in never["expert"] and i in never["pool"] for i in both], bool)
    claims = {name: [e.true_claim for e in found if e.prior == name and e.true_claim is not None] for name in runs}
    return {
        "fitting": len(both),
        "median_runs": {name: float(np.median(n)) if both else None for name, n in all_of.items()},
        "mean_runs": {name: _mean(n) for name, n in all_of.items()},
        "fewer": _fewer(all_of["expert"], all_of["pool"]),
        "not_tuned": {name: sum(n.count(most) for n in of.values()) for name, of in every.items()},
        "tuned_from_both": int(tuned.sum()),
        "mean_runs_of_these": {name: _mean(n[tuned]) for name, n in all_of.items()},
        "fewer_of_these": _fewer(all_of["expert"][tuned], all_of["pool"][tuned]),
        "fewer_of_these_error": _fewer_error(all_of["expert"][tuned], all_of["pool"][tuned]),
        "runs_made": {name: sum(made[name]) for name in runs},
        "fewer_made": _fewer(*(np.array(made[name], float) for name in ("expert", "pool"))),
        "fewer_from_pool": int(np.sum(all_of["pool"] < all_of["expert"])),
        "more_from_pool": int(np.sum(all_of["pool"] > all_of["expert"])),
        "surely_fewer": sum(_more(every["expert"][i], every["pool"][i]) for i in both),
        "surely_more": sum(_more(every["pool"][i], every["expert"][i]) for i in both),
        "true_claims": {name: [sum(c), len(c)] for name, c in claims.items()},
        "lean_runs": {name: sum(e.lean_runs for e in found if e.fitting and e.prior == name) for name in runs},
    }


def _more(one: Sequence[float], other: Sequence[float]) -> bool:
    """Whether one needs more runs beyond luck: a chance of 2.5 % where both need the same (Welch's t-test)."""
    if min(len(one), len(other)) < 2:
        return False
    if np.ptp(one) == np.ptp(other) == 0.0:
        return one[0] > other[0]
    from scipy.stats import ttest_ind_from_stats

    moments = [m for x in (one, other) for m in (float(np.mean(x)), float(np.std(x, ddof=1)), len(x))]
    return bool(ttest_ind_from_stats(*moments, equal_var=False, alternative="greater").pvalue < 0.025)


def _mean(x: NDArray[np.float64]) -> float | None:
    return round(float(np.mean(x)), 2) if x.size else None


def _fewer(expert: NDArray[np.float64], pool: NDArray[np.float64]) -> float | None:
    return round(1.0 - float(np.mean(pool) / np.mean(expert)), 3) if expert.size and pool.size else None


def _fewer_error(expert: NDArray[np.float64], pool: NDArray[np.float64]) -> float | None:
    """Standard error of `_fewer` over engines, each tuned from both priors (a ratio of means, delta method)."""
    if expert.size < 2:
        return None
    away = pool - float(np.mean(pool) / np.mean(expert)) * expert
    return round(float(np.std(away, ddof=1) / np.mean(expert) / np.sqrt(expert.size)), 3)
