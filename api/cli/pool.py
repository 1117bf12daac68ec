"""``taperwise pool``: publish a version, export the pool, merge another one."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from taperwise.api.core.database import Database

__all__ = ["DataFolder", "DatabaseUrl", "commands", "opened"]

commands = typer.Typer(no_args_is_help=True, help="The pool: what engines leave for others with their owners' consent.")

DataFolder = Annotated[Path | None, typer.Option("--data-folder", help="Where the database lives.")]
DatabaseUrl = Annotated[str | None, typer.Option("--database-url", help="A database elsewhere, as a SQLAlchemy URL.")]


@contextmanager
def opened(data_folder: Path | None, database_url: str | None) -> "Iterator[tuple[Database, int]]":
    """The database, migrated, and the pool's floor; closed at the end. What changes is kept as changed from here."""
    from taperwise.api.core import compile_cache
    from taperwise.api.core.settings import Settings

    given = {"data_folder": data_folder, "database_url": database_url}
    settings = Settings(**{name: value for name, value in given.items() if value is not None})
    compile_cache.use(settings.cache_folder)
    from taperwise.api.accounts import audit as accounts_audit
    from taperwise.api.accounts.principal import COMMAND_LINE, as_principal
    from taperwise.api.core.database import Database

    database = Database(settings.url)
    database.watchers.append(accounts_audit.watch)
    try:
        database.migrate()
        with as_principal(COMMAND_LINE):
            yield database, settings.pool_floor
    finally:
        database.close()


@commands.command("release")
def release(
    epsilon: Annotated[
        float | None, typer.Option("--epsilon", help="Add noise that hides single owners; from 100 owners on.")
    ] = None,
    delta: Annotated[float, typer.Option("--delta", help="Chance that the promise does not hold.")] = 1e-6,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Publish the next version, if nobody would be exposed by it."""
    with opened(data_folder, database_url) as (database, floor):
        from taperwise.api.pooling.release import release as publish

        made = publish(database, floor, datetime.now(UTC), epsilon=epsilon, delta=delta)
    number = "at least" if made.noise is None else "with its noise about"
    typer.echo(f"Version {made.version} is published: {number} {made.engines} engines, by {made.method}.")
    if made.noise is not None:
        typer.echo(
            f"Noise: epsilon {made.noise.epsilon:g}, delta {made.noise.delta:g}, unit of privacy: the owner; "
            f"{made.noise.epsilon_so_far:.2f} of epsilon in all versions so far."
        )


@commands.command("export")
def export(
    file: Annotated[Path, typer.Argument(help="Where to write it.")],
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Write all contributions to a file for another service."""
    from taperwise.shared.errors import InvalidValueError

    with opened(data_folder, database_url) as (database, floor), database.unit() as session:
        from taperwise.api.pooling.exchange import export as exported

        document = exported(session, floor)
        try:  # while nothing is kept of it yet: a file that is nowhere counts as handed over to nobody
            file.write_text(json.dumps(document.model_dump(mode="json"), indent=1) + "\n", encoding="utf-8")
        except OSError as error:
            raise InvalidValueError(
                f"it cannot be written: {error.strerror}", field="file", value=file.name, cure="Choose another place."
            ) from None
    typer.echo(f"{len(document.contributions)} contributions, {len(document.withdrawn)} withdrawn ones: {file}")


@commands.command("merge")
def merge(
    file: Annotated[Path, typer.Argument(help="What another service exported.")],
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Take another service's pool in; what is here already, tampered with or from the future is refused."""
    with opened(data_folder, database_url) as (database, floor), database.unit() as session:
        from taperwise.api.pooling.exchange import merge as merged
        from taperwise.api.pooling.exchange import read

        document = read(file)
        done = merged(session, document, datetime.now(UTC), floor)
    typer.echo(f"{done.taken} taken in, {done.refused} refused as duplicates, {done.withdrawn} withdrawn.")
    if done.kept:
        typer.echo(f"{done.kept} contributed here are called withdrawn there; only their owners can take them back.")


@commands.command("audit")
def audit(data_folder: DataFolder = None, database_url: DatabaseUrl = None) -> None:
    """What happened to the pool, for whoever runs the service: others see it with the next version, in fives."""
    with opened(data_folder, database_url) as (database, _), database.reading() as session:
        from taperwise.api.pooling.repository import audited

        for each in audited(session):
            which = f" version {each.version}" if each.version is not None else ""
            typer.echo(f"{each.at:%Y-%m-%d} {each.what}{which}, {each.count}")
