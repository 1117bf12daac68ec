"""``taperwise backup`` and ``taperwise restore``."""

from pathlib import Path
from tempfile import gettempdir
from typing import Annotated

import typer

from taperwise.api.backup.backup import back_up
from taperwise.api.backup.restore import restore as restored
from taperwise.api.cli.database import DatabaseUrl, DataFolder, opened_database
from taperwise.api.cli.options import as_typed

__all__ = ["backup", "restore"]


def backup(
    file: Annotated[Path, typer.Argument(help="Where to write it; there must be no such file.")],
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Back up the whole database into one file, while the service goes on. It is opened again and compared."""
    with opened_database(data_folder, database_url) as (database, _), as_typed(file="FILE"):
        made = back_up(database, file)
    typer.echo(f"{sum(count for count, _ in made.tables.values())} rows of schema {made.schema}, compared: {file}")


def restore(
    file: Annotated[Path, typer.Argument(help="What `backup` wrote.")],
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Restore a backup into an empty database, SQLite or PostgreSQL; nothing is overwritten."""
    with opened_database(data_folder, database_url) as (database, _), as_typed(file="FILE"):
        beside = data_folder if data_folder is not None and data_folder.is_dir() else Path(gettempdir())
        found = restored(file, database, beside)
        rows = sum(count for count, _ in found.tables.values())
        typer.echo(f"{rows} rows of {found.made_at}, compared: {database.name}")
