"""``eighth-turn bench pool`` and ``eighth-turn bench start``: the pool's cost by size, and what it saves."""

import json
import os
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from numpy.typing import NDArray

from api.bench.campaign import prepared
from api.bench.shared_out import Keep, quietly, shared_out
from model.pool.kind import Kind

__all__ = ["Tuned", "figures_of", "pool", "start"]

_SAVED = ("fewer", "fewer_of_these", "fewer_of_these_error", "fewer_made")
_FIRST_NEW = 10_000  # number of the first engine that is not in the pool


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
    from shared.errors import InvalidValueError

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
    from model.pool.served_prior import POPULATION_PRIORS
    from model.trial.virtual_population import draw_fleet, ordinary_population

    rng = np.random.default_rng(seed)
    fleet = draw_fleet(size, ordinary_population(rng), rng)
    begun = time.perf_counter()
    sampler.fit(fleet, POPULATION_PRIORS, seed, method)
    return time.perf_counter() - begun, max(_resident() - before, 0.0)


@cache
def _warm(method: str, seed: int) -> tuple[Any, float]:
    """The sampler, compiled by a small fit of that method, and the memory held by then."""
    _compile_cache()
    from model.pool.population_fit import PopulationSampler
    from model.pool.served_prior import POPULATION_PRIORS
    from model.trial.virtual_population import draw_fleet, ordinary_population

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


def _compile_cache() -> None:
    from api import compile_cache
    from api.settings import Settings

    compile_cache.use(Settings().cache_folder)


def start(
    pooled: Annotated[int, typer.Option("--pooled", min=5, help="Engines tuned into the pool first.")] = 30,
    engines: Annotated[int, typer.Option("--engines", min=1, help="New engines, each tuned from either prior.")] = 20,
    repeats: Annotated[
        int, typer.Option("--repeats", min=1, help="How often each is tuned, with other readings in other air.")
    ] = 1,
    odd: Annotated[
        float, typer.Option("--odd", min=0.0, help="How many times farther than the pool's engines new ones scatter.")
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

    from model.trial.campaign import MOST_RUNS

    console = Console(stderr=True)
    filling = shared_out(_contribution, [(seed, i) for i in range(pooled)], jobs, keep)
    left = list(track(filling, "filling the pool", pooled, console=console))
    with ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=quietly) as worker:
        served = worker.submit(_served, sorted(left, key=lambda each: each.number), seed).result()
    priors: dict[str, Any] = {"expert": None, "pool": (served.prior.centre, served.prior.root, served.prior.odd)}
    if exact:
        priors["exact"] = _exact(seed)
    if held:
        priors["held"] = (served.prior.centre, served.prior.root)
    each = [(_FIRST_NEW + i, j) for i in range(engines) for j in range(repeats)]
    work = [(seed, number, name, prior, odd, j) for number, j in each for name, prior in priors.items()]
    found = list(track(shared_out(_tuned, work, jobs, keep), "tuning new engines", len(work), console=console))
    rests = served.rests
    told = {
        "pooled": pooled,
        "engines": engines,
        "repeats": repeats,
        "odd": odd,
        "seed": seed,
        "rests": {
            "engines": rests.engines,
            "similar": round(rests.similar, 2),
            "narrower_full": round(rests.narrower_full, 3),
            "narrower_idle": round(rests.narrower_idle, 3),
        },
    }
    told |= figures_of([each for each in found if each.prior in ("expert", "pool")], MOST_RUNS)
    for name in [name for name in priors if name not in ("expert", "pool")]:
        in_its_place = [replace(each, prior="pool") for each in found if each.prior == name]
        beside = figures_of([*in_its_place, *(each for each in found if each.prior == "expert")], MOST_RUNS)
        kept = {figure: beside[figure] for figure in ("not_tuned", "tuned_from_both", *_SAVED, "surely_more")}
        told[name] = kept | {"fewer_from_it": beside["fewer_from_pool"], "more_from_it": beside["more_from_pool"]}
    typer.echo(json.dumps(told))


def figures_of(found: Sequence["Tuned"], most: int) -> dict[str, Any]:
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


@dataclass(frozen=True)
class _Left:
    """What an engine left: precision, shift and weight of each component, and its kind."""

    number: int
    components: list[tuple[list[list[float]], list[float], float]]
    nats: float
    kind: Kind


@dataclass(frozen=True)
class Tuned:
    """One new engine's campaign, from the expert's prior or the pool's."""

    number: int
    prior: str
    fitting: bool
    finished: str
    runs: int
    true_claim: bool | None
    lean_runs: int


def _population(seed: int) -> Any:
    """The population of the bench: one kind of engine, off the expert's centre by about one of its spreads."""
    from model.learning.engine_prior import POOLED
    from model.trial.virtual_population import Generating

    rng = np.random.default_rng([seed, 11])
    beta = np.zeros((7, len(POOLED)))
    beta[0] = rng.choice([-1.0, 1.0], len(POOLED)) * rng.uniform(0.4, 1.0, len(POOLED))
    return Generating(beta, np.full(len(POOLED), 0.3))


def _exact(seed: int) -> tuple[Any, Any]:
    """Centre and root of the population's own prior."""
    from api.files.installation import installation_from
    from model.pool.kind import kind_of

    known = _population(seed).engine(kind_of(installation_from(None).record()))
    return known.centre, known.root


def _campaign(seed: int, number: int, prior: Any, odd: float = 1.0, again: int = 0) -> Any:
    """One engine tuned by us from where its prior says; the engine is the same whatever the prior."""
    from api.files.installation import installation_from
    from model.learning.engine_prior import EXPERT
    from model.step.start import start_of
    from model.trial.campaign import run_campaign
    from model.trial.families import STANDARD
    from model.trial.policies import fitting_positions, make_policy
    from shared.runs import Air

    base = installation_from(None).record()
    advisor = prepared()
    advisor.prior = prior or EXPERT
    installation, first = base, None
    reach = start_of(base, advisor.prior, seed)[0]
    if reach.chance_both > 0.0:
        installation, first = _set_up(base, reach)
    engine = _engine(installation, seed, number, odd, again)
    fitting = bool(fitting_positions(_engine(base, seed, number, odd), Air(288.15, 101_325.0)))
    before: tuple[Any, ...] = ()
    policy = make_policy("ours", advisor, np.random.default_rng([seed, number, 3, again]))
    if first is not None:
        engine.adjust(first)
        before = (first,)
    done = run_campaign(
        engine, lambda e, entries, air: policy(e, [*before, *entries], air), STANDARD.weather,
        np.random.default_rng([seed, number, 2, again]), fitting,
    )  # fmt: skip
    return installation, before, done


def _set_up(base: Any, reach: Any) -> tuple[Any, Any]:
    from shared.limits import PLAUSIBLE_TURNS
    from shared.records import TurnScrew

    turns = float(np.clip(reach.turns, -PLAUSIBLE_TURNS, PLAUSIBLE_TURNS))
    return replace(base, fitted_needle=reach.needle), TurnScrew(turns) if turns else None


def _engine(installation: Any, seed: int, number: int, odd: float = 1.0, again: int = 0) -> Any:
    """A virtual engine: `odd` times as far from its population's centre, `again` only changes its readings."""
    from model.learning.prior_draws import draw_unknowns
    from model.pool.kind import kind_of
    from model.trial.virtual_engine import VirtualEngine

    population = _population(seed)
    prior = replace(population, tau=odd * population.tau).engine(kind_of(installation))
    truth = draw_unknowns(installation, np.random.default_rng([seed, number, 1]), prior)
    return VirtualEngine(installation, truth, np.random.default_rng([seed, number, 4, again]))


def _contribution(seed: int, number: int) -> _Left:
    """An engine tuned from the expert prior, and what it leaves to the pool."""
    from model.pool.kind import kind_of

    installation, before, done = _campaign(seed, number, None)
    summary = prepared().summarise(prepared().learn(installation, [*before, *done.entries]))
    parts = [(c.precision.tolist(), c.shift.tolist(), float(c.ln_weight)) for c in summary.components]
    return _Left(number, parts, float(summary.nats), kind_of(installation))


def _served(left: list[_Left], seed: int) -> Any:
    _compile_cache()
    from api.files.installation import installation_from
    from model.pool.kind import kind_of
    from model.pool.population_fit import PopulationSampler
    from model.pool.served_prior import POPULATION_PRIORS, serve
    from model.pool.summary import Component, Summary, measured_of

    def summary_of(each: _Left) -> Summary:
        parts = (Component(np.array(p), np.array(s), w) for p, s, w in each.components)
        return Summary(tuple(parts), each.nats)

    k, p = POPULATION_PRIORS.beta.shape
    measured = measured_of([(summary_of(each), each.kind) for each in left])
    population = PopulationSampler(p, k, cores=os.cpu_count() or 1).fit(measured, POPULATION_PRIORS, seed)
    return serve(population, kind_of(installation_from(None).record()))


def _tuned(seed: int, number: int, name: str, prior: Any, odd: float, again: int) -> Tuned:
    """A new engine tuned from a prior, given as `EnginePrior` takes it, or the expert's; `name` says whose it is."""
    from model.learning.engine_prior import EnginePrior

    given = None if prior is None else EnginePrior(*prior)
    _, _, done = _campaign(seed, number, given, odd, again)
    return Tuned(number, name, done.fitting, done.finished, done.runs, done.true_claim, done.lean_runs)
