"""``eighth-turn refit``: every engine's answer made anew after the model changed."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["refit"]


def refit(
    scheduler: Annotated[
        str | None,
        typer.Option("--scheduler", help="Address of a Dask scheduler; processes of this machine if left out."),
    ] = None,
    jobs: Annotated[int, typer.Option("--jobs", min=1, help="Processes of this machine.")] = 2,
    data_folder: Annotated[Path | None, typer.Option("--data-folder", help="Where the database lives.")] = None,
    database_url: Annotated[
        str | None, typer.Option("--database-url", help="A database elsewhere, as a SQLAlchemy URL.")
    ] = None,
) -> None:
    """Refit all engines whose answer is of an older model. It may be interrupted, and goes on where it stopped."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    from api.cli.pool import opened
    from api.settings import Settings

    columns = ("refitting", BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with opened(data_folder, database_url) as (database, _), Progress(*columns, console=Console(stderr=True)) as bar:
        from api.refit.fleet import on_processes, on_scheduler, refit_fleet

        workers = on_scheduler(scheduler) if scheduler else on_processes(jobs)
        task = bar.add_task("", total=None)
        stored = refit_fleet(
            database, Settings().seed, workers, lambda done, of: bar.update(task, completed=done, total=of)
        )
    typer.echo(f"{stored} engines refitted.")
