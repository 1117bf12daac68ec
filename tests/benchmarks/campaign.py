"""``campaign``: virtual engines tuned from start to "tuned" by several policies."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from tests.benchmarks.shared_out import Keep, shared_out

__all__ = ["campaign", "prepared"]

_POSTERIOR = ("ours", "information", "greedy", "random")


@dataclass(frozen=True)
class _Forecast:
    """What was foretold after a run, from what, and how many runs came; nothing is foretold without a table."""

    stage: str
    signal: float
    expected: float | None
    low_80: int
    high_80: int
    came: int
    loss_nats: float


_GIVEN_UP = ("no_needle_fits", "not_to_be_settled", "too_far_to_go")


@dataclass(frozen=True)
class _Result:
    """One campaign, as it comes back from a worker."""

    policy: str
    seed: int
    fitting: bool
    runs: int
    finished: str
    true_claim: bool | None
    true_of_read: bool | None
    repeats: int
    false_alarms: int
    lean_runs: int
    violations: int
    pairs: list[tuple[float, bool]]
    forecasts: list[_Forecast]


_advisor: Any = None


def prepared() -> Any:
    """The worker's own adviser, compiled once; it draws on one core, the other worker has the other."""
    global _advisor
    if _advisor is None:
        from taperwise.api.recommendations.factory import make_recommender

        _advisor = make_recommender(cores=1)
        _advisor.prepare()
    return _advisor


def _one(family: str, policy: str, seed: int) -> _Result:
    from taperwise.api.files.installation import installation_from
    from tests.benchmarks.engines.campaign import run_campaign
    from tests.benchmarks.engines.families import draw_engine
    from tests.benchmarks.engines.policies import fitting_positions, make_policy
    from tests.benchmarks.engines.virtual_sweep import cycle_curves

    recommender = prepared() if policy in _POSTERIOR else None
    engine, place, rng = draw_engine(family, installation_from(None).record(), seed, cycle_curves())
    fitting = bool(fitting_positions(engine, place.air))
    chosen = make_policy(policy, recommender, np.random.default_rng([seed, 3]))
    done = run_campaign(engine, chosen, place.weather, rng, fitting)
    return _Result(
        policy, seed, fitting, done.runs, done.finished, done.true_claim, done.true_of_read, done.repeats,
        done.false_alarms, done.lean_runs, done.violations, done.pairs,
        [
            _Forecast(
                f.stage, f.signal, f.told.expected if f.told else None, f.told.low_80 if f.told else 0,
                f.told.high_80 if f.told else 0, done.runs - run, f.loss_nats,
            )
            for run, f in done.forecasts
        ],
    )  # fmt: skip


def campaign(
    engines: Annotated[int, typer.Option("--engines", min=1, help="Virtual engines per policy.")] = 40,
    family: Annotated[str, typer.Option("--family", help="Family of engines; any other word lists them.")] = "prior",
    policy: Annotated[
        list[str] | None, typer.Option("--policy", help="One of the policies; may be repeated. All if left out.")
    ] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, help="First engine's seed.")] = 1,
    jobs: Annotated[int, typer.Option("--jobs", min=1, help="Engines tuned at a time.")] = 2,
    keep: Keep = None,
    calibrate: Annotated[
        Path | None, typer.Option("--calibrate", help="Write the table that runs to finish are foretold from, of ours.")
    ] = None,
) -> None:
    """Tune virtual engines under the real limits: runs needed, truth of claims, calibration, by policy."""
    from rich.console import Console
    from rich.progress import track

    from taperwise.shared.errors import InvalidValueError
    from tests.benchmarks.engines.campaign import POLICIES
    from tests.benchmarks.engines.families import FAMILIES

    if family not in FAMILIES:
        told = "; ".join(f"{name} ({f.about})" for name, f in FAMILIES.items())
        raise InvalidValueError("no such family", field="--family", value=family, cure=f"There are: {told}.")
    policies = tuple(policy or POLICIES)
    for name in policies:
        if name not in POLICIES:
            raise InvalidValueError(
                "no such policy", field="--policy", value=name, cure=f"There are: {', '.join(POLICIES)}."
            )
    console = Console(stderr=True)
    work = [(family, name, seed + i) for name in policies for i in range(engines)]
    tuning = shared_out(_one, work, jobs, keep)
    results = list(track(tuning, description=f"tuning ({family})", total=len(work), console=console))
    by_policy = {name: [r for r in results if r.policy == name] for name in policies}
    figures = {name: _figures([r for r in found if r.fitting], found) for name, found in by_policy.items()}
    _table(family, figures)
    if calibrate is not None:
        from taperwise.model import MODEL_VERSION
        from taperwise.model.design.runs_to_finish import table_of

        table = table_of(_came([r for r in results if r.policy == "ours"]), MODEL_VERSION)
        calibrate.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")
    typer.echo(json.dumps({"family": family, "engines": engines, "seed": seed, "policies": figures}))


def _figures(fitting: list[_Result], every: list[_Result]) -> dict[str, Any]:
    """Figures of one policy: runs and lean runs over engines that some needle fits, claims over all engines.

    An engine that some needle fits and that is never called tuned counts with the most runs there are.
    `true_claims_read` judges full throttle by the cylinders with a probe, where a family tells them from the rest;
    `false_alarms` counts campaigns in which a fault was suspected though all had been done as it was recorded.
    `tuned_runs` is the mean of those called tuned alone. `gave_up_fitting` tells after how many runs each was given up,
    and in how many both mixtures were right then.
    """
    from tests.benchmarks.engines.campaign import MOST_RUNS

    gave_up = [r for r in fitting if r.finished in _GIVEN_UP]
    finished = [r.runs if r.finished == "tuned" else MOST_RUNS for r in fitting]
    claims = [r.true_claim for r in every if r.true_claim is not None]
    pairs = np.array([p for r in every for p in r.pairs], float).reshape(-1, 2)
    return {
        "median_runs": _or_none(np.median, finished),
        "mean_runs": _or_none(np.mean, finished),
        "tuned_runs": _or_none(np.mean, [r.runs for r in fitting if r.finished == "tuned"]),
        "p90_runs": _or_none(lambda x: np.quantile(x, 0.9), finished),
        "true_claims": _or_none(np.mean, claims),
        "true_claims_read": _or_none(np.mean, [r.true_of_read for r in every if r.true_of_read is not None]),
        "claims": len(claims),
        "brier": _or_none(lambda x: np.mean((x[:, 0] - x[:, 1]) ** 2), pairs),
        "lean_runs": _or_none(np.mean, [r.lean_runs for r in fitting]),
        "violations": sum(r.violations for r in every),
        "unfinished": _or_none(np.mean, [not r.finished for r in every]),
        "gave_up": _or_none(np.mean, [r.finished not in ("tuned", "") for r in fitting]),
        "fit": _or_none(np.mean, [r.fitting for r in every]),
        "false_alarms": _times([r.false_alarms > 0 for r in every]),
        "gave_up_fitting": {
            **_times([r in gave_up for r in fitting]),
            "runs": sorted(r.runs for r in gave_up),
            "both_right": sum(bool(r.pairs) and r.pairs[-1][1] for r in gave_up),
        },
        "repeats": round(sum(r.repeats for r in every) / max(sum(r.runs for r in every), 1), 4),
        "said": {
            what: {"times": len(of), "true": sum(not r.fitting for r in of)}
            for what in _GIVEN_UP
            if (of := [r for r in every if r.finished == what])
        },
        "reliability": _reliability(pairs),
        **_forecasts(every),
        "no_fit": _no_fit([r for r in every if not r.fitting]),
    }


def _came(results: list[_Result]) -> dict[str, list[tuple[float, int]]]:
    """By stage: what runs to finish are foretold from, and how many came; campaigns that never ended left out."""
    came: dict[str, list[tuple[float, int]]] = {}
    for r in results:
        for f in r.forecasts if r.finished else ():
            came.setdefault(f.stage, []).append((f.signal, f.came))
    return came


def _forecasts(results: list[_Result]) -> dict[str, Any]:
    """Runs told and come in five bins of what was told, how often they lay in their range; information lost."""
    told = [f for r in results for f in r.forecasts if r.finished and f.expected is not None]
    ordered = sorted(told, key=lambda f: f.expected or 0.0)
    bins = [ordered[len(ordered) * i // 5 : len(ordered) * (i + 1) // 5] for i in range(5)]
    return {
        "runs_left": [
            {
                "told": round(float(np.mean([f.expected for f in each])), 2),
                "came": round(float(np.mean([f.came for f in each])), 2),
                "n": len(each),
            }
            for each in bins
            if each
        ],
        "runs_left_held_80": _or_none(np.mean, [f.low_80 <= f.came <= f.high_80 for f in told]),
        "information_loss_p90": _or_none(
            lambda x: np.quantile(x, 0.9), [f.loss_nats for r in results for f in r.forecasts]
        ),
    }


def _or_none(figure: Any, values: Any) -> float | None:
    return round(float(figure(np.asarray(values, float))), 4) if len(values) else None


def _times(happened: list[bool]) -> dict[str, Any]:
    """In how many of so many campaigns, and what share of them."""
    return {"campaigns": sum(happened), "of": len(happened), "share": _or_none(np.mean, happened)}


def _reliability(pairs: Any) -> list[dict[str, float]]:
    """By decile of the stated chance: how many, mean stated, share true."""
    deciles = np.clip((pairs[:, 0] * 10).astype(int), 0, 9) if len(pairs) else np.zeros(0, int)
    return [
        {
            "count": int((deciles == d).sum()),
            "stated": round(float(pairs[deciles == d, 0].mean()), 3),
            "true": round(float(pairs[deciles == d, 1].mean()), 3),
        }
        for d in range(10)
        if (deciles == d).any()
    ]


def _no_fit(results: list[_Result]) -> dict[str, Any]:
    """Engines that no needle on hand fits: how many, how often that was said, and after how many runs."""
    said = [r for r in results if r.finished not in ("tuned", "")]
    return {
        "engines": len(results),
        "said": _or_none(np.mean, [r in said for r in results]),
        "median_runs": _or_none(np.median, [r.runs for r in said]),
        "false_tuned": sum(r.finished == "tuned" for r in results),
    }


def _table(family: str, figures: dict[str, Any]) -> None:
    from rich.console import Console
    from rich.table import Table

    table = Table(title=f"Family {family}")
    keys = ("median_runs", "p90_runs", "true_claims", "brier", "lean_runs", "violations", "unfinished", "gave_up")
    table.add_column("policy")
    for key in keys:
        table.add_column(key.replace("_", " "), justify="right")
    for name, found in figures.items():
        table.add_row(name, *("–" if found[key] is None else f"{found[key]:g}" for key in keys))
    Console().print(table)
