"""``gain``: the expected information gain against a converged reference and a plain estimator."""

import json
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from tests.benchmarks.gain_cases import Case

__all__ = ["gain"]

_CANDIDATES = 8  # that a step weighs on one choice of truths and mixtures: the repeat, four turns, three needles

_SHOWN = ("case", "nats", "rms_error", "bias", "stated", "covered", "ms", "nested_ms")


def gain(
    repeats: Annotated[int, typer.Option("--repeats", min=2, help="Seeds ours is tried with, in each case.")] = 200,
    draws: Annotated[int, typer.Option("--draws", min=200, help="Posterior draws, as many as the service has.")] = 2800,
    outer_power: Annotated[
        int, typer.Option("--outer-power", min=3, max=14, help="Reference: 2 to this power values of θ.")
    ] = 8,
    inner_power: Annotated[
        int, typer.Option("--inner-power", min=3, max=14, help="Reference: 2 to this power draws given each.")
    ] = 9,
    scrambles: Annotated[int, typer.Option("--scrambles", min=2, help="Reference: independent repeats.")] = 8,
    peer_seeds: Annotated[int, typer.Option("--peer-seeds", min=2, help="Seeds of the plain estimator.")] = 20,
    peer_most: Annotated[int, typer.Option("--peer-most", min=64, help="Largest outer size tried for it.")] = 16_384,
    most_cases: Annotated[int, typer.Option("--cases", min=1, help="Only the first so many of the cases.")] = 27,
) -> None:
    """Error, honesty and speed of the information estimate, on experiments with normal unknowns and real readings.

    `max_error_nats` is the largest error of one estimate a case (the first seed's, as the service makes one);
    `max_rms_error_nats`, `max_bias_nats` and `mcse_coverage` (of ± 1.96 stated errors) are over all seeds. The peer is
    nested Monte Carlo with exact draws of the nuisances, which the service does not have, at the size at which its
    root mean square error is ours; `ratio_to_nested` is its time over ours, in the median over cases. Ours is the time
    of one candidate of a step: its estimate, and an eighth of choosing the draws that all eight share.
    """
    from rich.console import Console
    from rich.progress import track

    from tests.benchmarks.gain_cases import cases
    from tests.benchmarks.gain_reference import reference

    console = Console(stderr=True)
    told: list[dict[str, Any]] = []
    known: dict[tuple[float, float], Any] = {}
    for case in track(cases()[:most_cases], "cases", console=console):
        at = (case.width, case.turns)
        if at not in known:
            known[at] = reference(*at, outer_power, inner_power, scrambles)
        exact, error = known[at].nats[case.kind], known[at].standard_error[case.kind]
        told.append(_of(case, exact, draws, repeats, peer_seeds, peer_most) | {"reference_error": round(error, 5)})
    _table(console, told)
    typer.echo(json.dumps(_figures(told) | {"sizes": {
        "repeats": repeats, "draws": draws, "outer": 2**outer_power, "inner": 2**inner_power, "scrambles": scrambles,
        "peer_seeds": peer_seeds, "peer_most": peer_most, "cases": len(told),
    }}))  # fmt: skip


def _of(case: "Case", exact: float, draws: int, repeats: int, peer_seeds: int, peer_most: int) -> dict[str, Any]:
    """Figures of one case; its exact value is given."""
    import numpy as np

    from tests.benchmarks.gain_reference import same_error

    errors, stated, seconds = _ours(case, exact, draws, repeats)
    rms = float(np.sqrt(np.mean(errors**2)))
    peer, reached = same_error(case, exact, rms, peer_seeds, peer_most)
    return {
        "case": case.name,
        "nats": round(exact, 4),
        "error": round(float(errors[0]), 4),
        "rms_error": round(rms, 4),
        "bias": round(float(errors.mean()), 4),
        "bias_error": round(float(errors.std(ddof=1) / np.sqrt(repeats)), 4),
        "stated": round(float(stated.mean()), 4),
        "covered": round(float(np.mean(np.abs(errors) <= 1.96 * stated)), 4),
        "ms": round(1000.0 * float(np.median(seconds)), 2),
        "nested_ms": round(1000.0 * peer.seconds, 2),
        "nested_outer": peer.outer,
        "nested_reached": reached,
    }


def _ours(case: "Case", exact: float, draws: int, repeats: int) -> tuple[Any, Any, Any]:
    """Errors and stated errors [nats] by seed, and seconds of one estimate with its share of choosing the draws."""
    import time

    import numpy as np

    from taperwise.model.design.information import Study

    errors, stated, seconds = [], [], []
    for seed in range(repeats):
        experiment = case.experiment(draws, seed)
        begun = time.perf_counter()
        study = Study(experiment.theta, np.random.default_rng([seed, 4]))
        chosen = time.perf_counter()
        found = study.information(experiment)
        seconds.append((chosen - begun) / _CANDIDATES + time.perf_counter() - chosen)
        errors.append(found.nats - exact)
        stated.append(found.mcse)
    return np.array(errors), np.array(stated), np.array(seconds)


def _figures(told: list[dict[str, Any]]) -> dict[str, Any]:
    from statistics import mean, median

    worst = max(told, key=lambda one: abs(one["error"]))
    return {
        "max_error_nats": abs(worst["error"]),
        "worst_case": worst["case"],
        "max_rms_error_nats": max(one["rms_error"] for one in told),
        "max_bias_nats": max(abs(one["bias"]) for one in told),
        "max_reference_error_nats": max(one["reference_error"] for one in told),
        "ratio_to_nested": round(median(one["nested_ms"] / one["ms"] for one in told), 2),
        "least_ratio_to_nested": round(min(one["nested_ms"] / one["ms"] for one in told), 2),
        "nested_not_reached": sum(not one["nested_reached"] for one in told),
        "mcse_coverage": round(mean(one["covered"] for one in told), 4),
        "least_coverage": min(one["covered"] for one in told),
        "least_covered": min(told, key=lambda one: one["covered"])["case"],
        "cases": told,
    }


def _table(console: Any, told: list[dict[str, Any]]) -> None:
    from rich.table import Table

    table = Table(title="Expected information gain [nats]")
    for key in _SHOWN:
        table.add_column(key.replace("_", " "), justify="left" if key == "case" else "right", no_wrap=key == "case")
    for one in told:
        table.add_row(*(str(one[key]) for key in _SHOWN))
    console.print(table)
