"""``update``: how long an update takes, and whether its posterior is the right one."""

import json
from typing import TYPE_CHECKING, Annotated, Any

import typer

from taperwise.shared.errors import InvalidValueError

if TYPE_CHECKING:
    from rich.console import Console

    from taperwise.api.schemas.installation import InstallationIn
    from taperwise.model.recommender import Recommender
    from tests.benchmarks.whole_updates import WholeService

__all__ = ["prepared", "sizes_from", "update"]

_EACH_SIZE = 20  # updates timed at each number of runs
_OVER_HISTORIES = (
    "max_mean_error_sd", "max_sd_error", "max_quantile_error_sd", "divergences", "min_ess", "shown_chance_points",
    "shown_position_turns", "shown_slope_mm_per_m", "same_action",
)  # fmt: skip
_EACH_LOG = 10  # updates of one installation: what was voided stays in its history, and is read each time


def update(
    updates: Annotated[int, typer.Option("--updates", min=1, help="Updates timed.")] = 40,
    before: Annotated[int, typer.Option("--before", min=1, help="Runs recorded before each of them.")] = 30,
    peer_updates: Annotated[int, typer.Option("--peer-updates", min=0, help="Updates of each peer (slow).")] = 2,
    histories: Annotated[int, typer.Option("--histories", min=0, help="Logs compared with a reference.")] = 50,
    reference_draws: Annotated[
        int, typer.Option("--reference-draws", min=100, help="Draws of each of the reference's four chains.")
    ] = 10_000,
    sizes: Annotated[
        str, typer.Option("--sizes", help="Numbers of runs an update is timed at, for instance 1,10,30,100,300.")
    ] = "1,5,15,30",
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the virtual engines.")] = 1,
) -> None:
    """Time whole updates (run recorded → posterior, diagnostics, suggestion); hold posteriors against a reference.

    Every update is a request to the real application with the same runs before it; the run is voided after each.
    `--sizes` times them with other numbers of runs recorded. `cold_process_s` is a command of a new process that
    records a run and reads the next step, with as many runs before it. `shown_…` is how far figures move between two
    seeds.
    Peers on the same graph and data: PyMC built anew for each update, and fed with set_data; they sample only.
    """
    from rich.console import Console

    counts, console = sizes_from(sizes), Console(stderr=True)
    sent, recommender = prepared(console)
    from tests.benchmarks.cold_process import cold_process
    from tests.benchmarks.whole_updates import whole_service

    with whole_service(recommender) as service:
        result = _timed(service, sent, console, updates, before, seed)
        if counts:
            result |= _by_runs(service, sent, console, counts, seed)
    result["cold_process_s"] = cold_process(sent, before, seed)
    result |= _peers(sent, console, before, peer_updates, seed, result["p50_ms"])
    result |= _agreement(recommender, sent, console, histories, reference_draws, seed)
    result["sizes"] = {
        "updates": updates, "before": before, "peer_updates": peer_updates, "histories": histories,
        "reference_draws": reference_draws, "seed": seed,
    }  # fmt: skip
    typer.echo(json.dumps(result))


def prepared(console: "Console") -> "tuple[InstallationIn, Recommender]":
    """The invented installation, and an adviser whose sampler is compiled."""
    from taperwise.api.files.installation import installation_from
    from taperwise.api.recommendations.factory import make_recommender

    recommender = make_recommender()
    recommender.prepare(lambda words: console.print(f"… {words}"))
    return installation_from(None), recommender


def sizes_from(text: str) -> list[int]:
    """Numbers of runs, smallest first.

    Raises
    ------
    InvalidValueError
        If they are not whole numbers from 1 on.
    """
    try:
        counts = sorted({int(word) for word in text.split(",")}) if text else []
    except ValueError:
        counts = [0]
    if counts and counts[0] < 1:
        raise InvalidValueError(
            "sizes are whole numbers from 1, separated by commas", field="--sizes", value=text, cure="Try 1,10,30."
        )
    return counts


def _timed(
    service: "WholeService", sent: "InstallationIn", console: "Console", updates: int, before: int, seed: int
) -> dict[str, Any]:
    """Times of whole updates and the memory they left behind; the first, which finds nothing warm, is not counted."""
    import numpy as np
    import psutil
    from rich.progress import track

    log, runs = _log(sent, before, updates + 1, seed)
    address = service.set_up(sent, log)
    service.update(address, runs[0])
    found, memory = [], psutil.Process().memory_info
    before_them = memory().rss
    for i, run in enumerate(track(runs[1:], "updates", console=console)):
        if i and i % _EACH_LOG == 0:
            address = service.set_up(sent, log)
        found.append(service.update(address, run))
    milliseconds = 1000.0 * np.array([u.seconds for u in found])
    return {
        "p50_ms": round(float(np.median(milliseconds)), 1),
        "p95_ms": round(float(np.quantile(milliseconds, 0.95)), 1),
        "weighed": round(float(np.mean([u.weighed for u in found])), 3),
        "rss_growth_mib": round((memory().rss - before_them) / (1 << 20), 1),
    }


def _log(sent: "InstallationIn", before: int, more: int, seed: int) -> tuple[list[Any], list[Any]]:
    """A tuned log of so many runs and more runs at its last setting, as they are sent."""
    from taperwise.model.simulation.tuned import tuned
    from tests.benchmarks.histories import as_sent

    log, runs = tuned(sent.record(), before, seed, more=more)
    return as_sent(log), as_sent(runs)


def _by_runs(
    service: "WholeService", sent: "InstallationIn", console: "Console", counts: list[int], seed: int
) -> dict[str, Any]:
    """Times of an update after which there are so many runs."""
    import numpy as np
    from rich.progress import track

    from tests.benchmarks.whole_updates import exponent_of

    seconds: dict[int, float] = {}
    slow: dict[int, float] = {}
    for count in track(counts, "sizes", console=console):
        log, runs = _log(sent, count - 1, _EACH_SIZE + 1, seed)
        address = service.set_up(sent, log)
        found = [service.update(address, run).seconds for run in runs][1:]
        seconds[count], slow[count] = (round(float(np.quantile(found, q)), 4) for q in (0.5, 0.95))
    return {"seconds_by_runs": seconds, "p95_seconds_by_runs": slow, "exponent": exponent_of(seconds)}


def _peers(
    sent: "InstallationIn", console: "Console", before: int, updates: int, seed: int, p50_ms: float
) -> dict[str, Any]:
    """Median times of the peers over ours, on the logs of the first updates; as of ours, one more is not counted."""
    from statistics import median

    from rich.status import Status

    from taperwise.model.inference.dataset import gather
    from tests.benchmarks.pymc_peers import built_anew, fed

    if not updates:
        return {"ratio_to_default": None, "ratio_to_set_data": None}
    log, runs = _log(sent, before, updates + 1, seed)
    records = [entry.record(sent.elevation) if not hasattr(entry, "kind") else entry.record() for entry in log]
    evidence = [gather(sent.record(), [*records, run.record(sent.elevation)]) for run in runs]
    found: dict[str, Any] = {}
    for name, peer in (("default", built_anew), ("set_data", fed)):
        with Status(f"PyMC, {name}: {updates} updates", console=console):
            times = peer(evidence, seed)
        milliseconds = 1000.0 * median(times.seconds[1:])
        found |= {
            f"ratio_to_{name}": round(milliseconds / p50_ms, 2),
            f"{name}_ms": round(milliseconds, 1),
            f"{name}_sampler": times.sampler,
        }
    return found


def _agreement(
    recommender: "Recommender", sent: "InstallationIn", console: "Console", count: int, draws: int, seed: int
) -> dict[str, Any]:
    """Figures of agreement over histories, from the adviser's own sampler; between seeds, and with a reference."""
    from rich.progress import track
    from rich.status import Status

    from tests.benchmarks.agreement import compare, figures
    from tests.benchmarks.between_seeds import between_seeds
    from tests.benchmarks.histories import histories

    if not count:
        return dict.fromkeys(_OVER_HISTORIES)
    installation = sent.record()
    logs = histories(sent, count, seed)
    with Status("two seeds", console=console):
        moved = between_seeds(recommender, installation, logs)
    compared = [
        compare(recommender, installation, history, draws) for history in track(logs, "histories", console=console)
    ]
    return {**moved, **figures(compared)}
