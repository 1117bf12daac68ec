"""``taperwise pool``: publish a version, see what happened."""

from datetime import UTC, datetime
from typing import Annotated

import typer
from rich.console import Console

from taperwise.api.cli.database import DatabaseUrl, DataFolder, opened_database
from taperwise.api.cli.options import as_typed
from taperwise.api.pooling.release import release as publish
from taperwise.api.pooling.repository import audited
from taperwise.api.presentation.digits import number

__all__ = ["audit", "release"]


def release(
    epsilon: Annotated[
        float | None, typer.Option("--epsilon", help="Add noise that hides single owners; from 100 owners on.")
    ] = None,
    delta: Annotated[float, typer.Option("--delta", help="Chance that the promise does not hold.")] = 1e-6,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Publish the next version if enough owners changed."""
    console = Console(stderr=True, highlight=False, markup=False)
    try:
        with (
            opened_database(data_folder, database_url) as (database, floor),
            as_typed(epsilon="--epsilon", delta="--delta"),
            console.status("calculating the next version; Ctrl+C cancels, and publishes nothing"),
        ):
            made = publish(database, floor, datetime.now(UTC), epsilon=epsilon, delta=delta)
    except KeyboardInterrupt:
        typer.echo("Cancelled. Nothing was published.", err=True)
        raise typer.Exit(130) from None
    counted = "at least" if made.noise is None else "with its noise about"
    typer.echo(f"Version {made.version} is published: {counted} {made.engines} engines, by {made.method}.")
    if made.noise is not None:
        typer.echo(
            f"Noise: epsilon {number(made.noise.epsilon, 'g')}, delta {number(made.noise.delta, 'g')}, "
            f"unit of privacy: the owner; {number(made.noise.epsilon_so_far, '.2f')} of epsilon in all versions so far."
        )


def audit(data_folder: DataFolder = None, database_url: DatabaseUrl = None) -> None:
    """List pool events (operators only). Others see counts, rounded down to a multiple of 5, with each version."""
    with opened_database(data_folder, database_url) as (database, _), database.reading() as session:
        for each in audited(session):
            which = f" version {each.version}" if each.version is not None else ""
            typer.echo(f"{each.at:%Y-%m-%d} {each.what}{which}, {each.count}")
