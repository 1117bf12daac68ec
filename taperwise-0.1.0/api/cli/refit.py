"""``taperwise refit``: every engine's answer made anew after the model changed."""

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from threading import Event
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

from taperwise.api.cli.database import DatabaseUrl, DataFolder, opened_database
from taperwise.api.core.settings import Settings
from taperwise.api.refit.fleet import Refitted, refit_fleet
from taperwise.api.refit.workers import on_processes, on_scheduler

__all__ = ["refit"]


def refit(
    scheduler: Annotated[
        str | None,
        typer.Option("--scheduler", help="Address of a Dask scheduler; processes of this machine if left out."),
    ] = None,
    jobs: Annotated[int, typer.Option("--jobs", min=1, help="Processes of this machine.")] = 2,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Refit all engines whose answer is of an older model.

    It may be interrupted: what is in hand is finished and kept, and the next refit goes on from there.
    Engines that fail are told at the end, with status 1; the others are refitted all the same.
    """
    console = Console(stderr=True)
    columns = ("{task.description}", BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with opened_database(data_folder, database_url) as (database, _), Progress(*columns, console=console) as bar:
        opened = partial(on_scheduler, scheduler) if scheduler else partial(on_processes, jobs)
        task = bar.add_task("refitting", total=None)
        with _interruptible(lambda: bar.update(task, description="finishing what is in hand")) as stop:
            found = refit_fleet(
                database,
                Settings().seed,
                opened,
                lambda done, of: bar.update(task, completed=done, total=of),
                stop=stop,
            )
    for line in _reasons(found):
        console.print(line, markup=False, highlight=False, soft_wrap=True)
    typer.echo(_summary(found))
    if found.failed or found.left:
        raise typer.Exit(1 if found.failed else 130)


@contextmanager
def _interruptible(told: Callable[[], None]) -> Iterator[Event]:
    """Set by a first interruption; a second one is raised as ever."""
    stop = Event()

    def end_soon(_number: int, _frame: object) -> None:
        signal.signal(signal.SIGINT, before)
        stop.set()
        told()

    before = signal.signal(signal.SIGINT, end_soon)
    try:
        yield stop
    finally:
        signal.signal(signal.SIGINT, before)


def _reasons(found: Refitted) -> list[str]:
    """A line for each reason, with the engines that failed of it."""
    engines: dict[str, list[int]] = {}
    for number, reason in sorted(found.failed.items()):
        engines.setdefault(reason, []).append(number)
    return [f"failed: {_listed(numbers)}: {reason}" for reason, numbers in engines.items()]


def _summary(found: Refitted) -> str:
    """What came of it, in one line."""
    parts = [f"{found.stored} engines refitted"]
    if found.failed:
        parts.append(f"{len(found.failed)} failed: {_listed(sorted(found.failed))}")
    if found.left:
        parts.append(f"{found.left} left, which the next refit takes up")
    return "; ".join(parts) + "."


def _listed(numbers: list[int]) -> str:
    return ", ".join(str(number) for number in numbers)
