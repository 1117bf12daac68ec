"""``taperwise person`` and ``key``: who may use a service that tells people apart."""

from collections.abc import Iterator
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from taperwise.api.accounts import repository
from taperwise.api.accounts.service import add as added
from taperwise.api.accounts.service import give_key
from taperwise.api.accounts.service import revoke as revoked
from taperwise.api.cli.database import DatabaseUrl, DataFolder, opened_database
from taperwise.api.cli.options import as_typed
from taperwise.api.core.roles import Role, Scope
from taperwise.shared.errors import NotFoundError, TaperwiseError

__all__ = ["Name", "add", "key_list", "listing", "new", "number_of", "revoke"]


def _names(incomplete: str) -> Iterator[str]:
    """Names that begin so, for the shell to complete."""
    try:
        with opened_database() as (database, _), database.reading() as session:
            names = [row.name or "" for row in repository.people(session)]
    except (TaperwiseError, SQLAlchemyError):
        return
    yield from (name for name in names if name.startswith(incomplete))


Name = Annotated[str, typer.Argument(help="Name of the account.", autocompletion=_names)]


def number_of(session: Session, name: str) -> int:
    """The number of somebody.

    Raises
    ------
    NotFoundError
        If there is nobody of that name.
    """
    row = repository.by_name(session, name)
    if row is None:
        known = ", ".join(each.name or "" for each in repository.people(session)) or "nobody yet"
        raise NotFoundError("there is nobody of that name", field="NAME", value=name, cure=f"There is: {known}.")
    return row.id


def add(
    name: Name,
    role: Annotated[list[Role], typer.Option("--role", help="May be repeated.")],
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Add a person."""
    with opened_database(data_folder, database_url) as (database, _), as_typed(name="NAME"), database.unit() as session:
        row = added(session, name, role)
        typer.echo(f"Person {row.id}, {name}: {', '.join(row.roles)}. Now: taperwise key new {name!r}")


def listing(data_folder: DataFolder = None, database_url: DatabaseUrl = None) -> None:
    """List all people."""
    table = Table("number", "name", "roles", "keys", "engines")
    with opened_database(data_folder, database_url) as (database, _), database.unit() as session:
        for row in repository.people(session):
            held = [key for key in repository.keys_of(session, row.id) if key.revoked_at is None]
            owned = repository.owned(session, row.id)
            table.add_row(str(row.id), row.name, ", ".join(row.roles), str(len(held)), str(len(owned)))
    Console(highlight=False, markup=False).print(table)


def new(
    name: Name,
    label: Annotated[str, typer.Option("--label", help="What it is for.")] = "a key",
    scope: Annotated[Scope, typer.Option("--scope", help="What it may be used for.")] = Scope.EVERYTHING,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Make an access key for a person. The key is shown once."""
    with opened_database(data_folder, database_url) as (database, _), database.unit() as session:
        row, secret = give_key(session, number_of(session, name), label, scope)
    typer.echo(f"Key {row.id} of {name}, for {scope.value}. It is shown this once:", err=True)
    typer.echo(secret)


def key_list(name: Name, data_folder: DataFolder = None, database_url: DatabaseUrl = None) -> None:
    """List the access keys of a person, without their secrets."""
    table = Table("number", "label", "for", "made", "last used", "revoked")
    with opened_database(data_folder, database_url) as (database, _), database.unit() as session:
        for row in repository.keys_of(session, number_of(session, name)):
            times = (row.created_at, row.last_used_at, row.revoked_at)
            shown = ["–" if time is None else f"{time:%Y-%m-%d %H:%M}" for time in times]
            table.add_row(str(row.id), row.label, row.scope, *shown)
    Console(highlight=False, markup=False).print(table)


def revoke(
    name: Name,
    key: Annotated[int, typer.Argument(min=1, help="Number of the key.")],
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Revoke an access key."""
    with opened_database(data_folder, database_url) as (database, _), database.unit() as session:
        revoked(session, number_of(session, name), key)
    typer.echo(f"Key {key} opens nothing any more.")
