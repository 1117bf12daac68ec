"""``python -m tests.benchmarks``: each bench prints one JSON object as its last line."""

import sys

import typer

from taperwise.shared.errors import TaperwiseError
from tests.benchmarks import (
    campaign,
    faults,
    gain,
    load,
    long_logs,
    many,
    overview,
    pool,
    start,
    start_up,
    sweep,
    sweep_weights,
    update,
)

__all__ = ["app", "run"]

app = typer.Typer(no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False)
app.command("sweep")(sweep.sweep)
app.command("sweep-weights")(sweep_weights.sweep_weights)
app.command("campaign")(campaign.campaign)
app.command("faults")(faults.faults)
app.command("pool")(pool.pool)
app.command("start")(start.start)
app.command("load")(load.load)
app.command("long-logs")(long_logs.long_logs)
app.command("update")(update.update)
app.command("gain")(gain.gain)
app.command("many")(many.many)
app.command("overview")(overview.overview)
app.command("start-up")(start_up.start_up)


@app.callback()
def _benches() -> None:
    """Benchmarks: each prints one JSON object as its last line."""


def run() -> None:
    """Entry point: an error of ours is told in words and ends with status 2."""
    try:
        app()
    except TaperwiseError as error:
        typer.echo(f"error: {error}", err=True)
        sys.exit(2)


if __name__ == "__main__":
    run()
