"""``taperwise person export``, ``erase`` and ``give``: what is stored of somebody, and whose it is."""

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from taperwise.api.accounts import repository
from taperwise.api.cli.context import writable, write_bytes
from taperwise.api.cli.database import DatabaseUrl, DataFolder, Engine, Force, opened_database
from taperwise.api.cli.people import Name, number_of
from taperwise.api.ownership import adviser_access, erasure
from taperwise.api.ownership.data_export import export_of

__all__ = ["erase", "export", "give"]


def export(
    name: Name,
    file: Annotated[Path, typer.Argument(help="Where to write it.")],
    force: Force = False,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Write all stored data of a person to a file."""
    writable("FILE", file, force=force)
    with opened_database(data_folder, database_url) as (database, _), database.unit() as session:
        document: dict[str, Any] = export_of(session, number_of(session, name))
    write_bytes("FILE", file, (json.dumps(document, indent=1, ensure_ascii=False) + "\n").encode())
    typer.echo(f"{len(document['installations'])} engines: {file}")


def erase(
    name: Name,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Erase a person with all their engines. You cannot undo this."""
    with opened_database(data_folder, database_url) as (database, _), database.unit() as session:
        number = number_of(session, name)
        count = len(repository.owned(session, number))
        if not yes and not typer.confirm(f"Erase {name} and {count} engines? It cannot be undone"):
            raise typer.Exit(1)
        gone = erasure.erase(session, number)
    typer.echo(f"Erased, with {len(gone)} engines. Backups made before still hold them.")


def give(
    installation: Engine,
    name: Name,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Make a person the owner of an engine."""
    with opened_database(data_folder, database_url) as (database, _), database.unit() as session:
        adviser_access.give(session, installation, number_of(session, name))
    typer.echo(f"Engine {installation} is now {name}'s.")
