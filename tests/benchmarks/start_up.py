"""``start-up``: how soon a service answers, what the command line loads, and the memory at rest."""

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Annotated, Any

import typer

from tests.benchmarks.shared_out import finite

__all__ = ["start_up"]

_COMMAND = "from taperwise.api.cli.main import run; run()"
_LIGHT = (("version",), ("--help",), ("pool", "--help"))  # they need neither sampler nor database


def start_up(
    repeats: Annotated[int, typer.Option("--repeats", min=1, help="Starts on a warm cache, and of each command.")] = 3,
    cold: Annotated[bool, typer.Option(help="Start on empty caches too, twice (minutes on a slow machine).")] = True,
    patience: Annotated[
        float, typer.Option("--patience", min=1.0, callback=finite, help="Give a start up after so long [s].")
    ] = 600.0,
) -> None:
    """Start real services and commands: medians in seconds from the start of the process, memory in MiB.

    Without cold starts the cache is the one that `serve` uses, warmed by a start that is not counted. Suggestions: as
    soon as it is alive, set up an installation, record a run, wait for the answer.
    """
    from rich.console import Console

    from taperwise.api.core.settings import Settings
    from tests.benchmarks.served import suggested, until_ready

    console = Console(stderr=True)
    bare, imported = (_seconds(("-c", words), repeats) for words in ("pass", "import taperwise.api.cli.main"))
    light = {" ".join(words): round(_seconds(("-c", _COMMAND, *words), repeats), 4) for words in _LIGHT}
    console.print(f"commands {light}, a bare interpreter {bare:.3f} s")
    with tempfile.TemporaryDirectory(prefix="taperwise-") as own:
        caches = (Path(own) / "one", Path(own) / "two") if cold else (Settings().cache_folder,) * 2
        first = until_ready(caches[0], patience)
        on_cold = suggested(caches[1], patience) if cold else None
        console.print(f"{'cold' if cold else 'warming'}: {first}, {on_cold}")
        ready, on_warm = [], []
        for _ in range(repeats):
            ready.append(until_ready(caches[0], patience))
            on_warm.append(suggested(caches[0], patience))
            console.print(f"warm: {ready[-1]}, {on_warm[-1]}")
    result: dict[str, Any] = {
        "healthz_s": _median([r.healthz_s for r in ready]),
        "healthz_cold_s": round(first.healthz_s, 3) if cold else None,
        "ready_warm_s": _median([r.ready_s for r in ready]),
        "ready_cold_s": round(first.ready_s, 3) if cold else None,
        "first_suggestion_warm_s": _median(on_warm),
        "first_suggestion_cold_s": None if on_cold is None else round(on_cold, 3),
        "cli_import_s": round(max(imported - bare, 0.0), 4),
        "cli_s": light,
        "bare_python_s": round(bare, 4),
        "cli_ratio": round(max(light.values()) / bare, 2),
        "rest_mib": _median([r.rest_mib for r in ready]),
        "sizes": {"repeats": repeats, "cold": cold},
    }
    typer.echo(json.dumps(result))


def _median(values: list[float]) -> float:
    from statistics import median

    return round(median(values), 3)


def _seconds(arguments: tuple[str, ...], repeats: int) -> float:
    """Median time of an interpreter; one more before them has the files in memory."""
    from statistics import median

    taken = []
    for _ in range(repeats + 1):
        begun = time.perf_counter()
        subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)
        taken.append(time.perf_counter() - begun)
    return median(taken[1:])
