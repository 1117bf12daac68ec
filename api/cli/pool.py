"""``taperwise pool``: publish a version, export the pool, merge another one."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from taperwise.api.cli.database import DatabaseUrl, DataFolder, opened_database
from taperwise.api.pooling.exchange import export as exported
from taperwise.api.pooling.exchange import merge as merged
from taperwise.api.pooling.exchange import read
from taperwise.api.pooling.release import release as publish
from taperwise.api.pooling.repository import audited
from taperwise.shared.errors import InvalidValueError

__all__ = ["audit", "export", "merge", "release"]


def release(
    epsilon: Annotated[
        float | None, typer.Option("--epsilon", help="Add noise that hides single owners; from 100 owners on.")
    ] = None,
    delta: Annotated[float, typer.Option("--delta", help="Chance that the promise does not hold.")] = 1e-6,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Publish the next version, if nobody would be exposed by it."""
    with opened_database(data_folder, database_url) as (database, floor):
        made = publish(database, floor, datetime.now(UTC), epsilon=epsilon, delta=delta)
    number = "at least" if made.noise is None else "with its noise about"
    typer.echo(f"Version {made.version} is published: {number} {made.engines} engines, by {made.method}.")
    if made.noise is not None:
        typer.echo(
            f"Noise: epsilon {made.noise.epsilon:g}, delta {made.noise.delta:g}, unit of privacy: the owner; "
            f"{made.noise.epsilon_so_far:.2f} of epsilon in all versions so far."
        )


def export(
    file: Annotated[Path, typer.Argument(help="Where to write it.")],
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Write all contributions to a file for another service."""
    with opened_database(data_folder, database_url) as (database, floor), database.unit() as session:
        document = exported(session, floor)
        try:  # while nothing is kept of it yet: a file that is nowhere counts as handed over to nobody
            file.write_text(json.dumps(document.model_dump(mode="json"), indent=1) + "\n", encoding="utf-8")
        except OSError as error:
            raise InvalidValueError(
                f"it cannot be written: {error.strerror}", field="file", value=file.name, cure="Choose another place."
            ) from None
    typer.echo(f"{len(document.contributions)} contributions, {len(document.withdrawn)} withdrawn ones: {file}")


def merge(
    file: Annotated[Path, typer.Argument(help="What another service exported.")],
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Take another service's pool in; what is here already, tampered with or from the future is refused."""
    with opened_database(data_folder, database_url) as (database, floor), database.unit() as session:
        document = read(file)
        done = merged(session, document, datetime.now(UTC), floor)
    typer.echo(f"{done.taken} taken in, {done.refused} refused as duplicates, {done.withdrawn} withdrawn.")
    if done.kept:
        typer.echo(f"{done.kept} contributed here are called withdrawn there; only their owners can take them back.")


def audit(data_folder: DataFolder = None, database_url: DatabaseUrl = None) -> None:
    """What happened to the pool, for whoever runs the service: others see it with the next version, in fives."""
    with opened_database(data_folder, database_url) as (database, _), database.reading() as session:
        for each in audited(session):
            which = f" version {each.version}" if each.version is not None else ""
            typer.echo(f"{each.at:%Y-%m-%d} {each.what}{which}, {each.count}")
