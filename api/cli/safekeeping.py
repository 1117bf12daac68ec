"""``taperwise backup`` and ``taperwise restore``."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["backup", "restore"]

_DataFolder = Annotated[Path | None, typer.Option("--data-folder", help="Where the database lives.")]
_DatabaseUrl = Annotated[str | None, typer.Option("--database-url", help="A database elsewhere, as a SQLAlchemy URL.")]


def backup(
    file: Annotated[Path, typer.Argument(help="Where to write it; there must be no such file.")],
    data_folder: _DataFolder = None,
    database_url: _DatabaseUrl = None,
) -> None:
    """Back up the whole database into one file, while the service goes on. It is opened again and compared."""
    from taperwise.api.cli.pool import opened

    with opened(data_folder, database_url) as (database, _):
        from taperwise.api.backup.backup import back_up

        made = back_up(database, file)
    typer.echo(f"{sum(count for count, _ in made.tables.values())} rows of schema {made.schema}, compared: {file}")


def restore(
    file: Annotated[Path, typer.Argument(help="What `backup` wrote.")],
    data_folder: _DataFolder = None,
    database_url: _DatabaseUrl = None,
) -> None:
    """Restore a backup into an empty database, SQLite or PostgreSQL; nothing is overwritten."""
    from tempfile import gettempdir

    from taperwise.api.cli.pool import opened

    with opened(data_folder, database_url) as (database, _):
        from taperwise.api.backup.restore import restore as restored

        beside = data_folder if data_folder is not None and data_folder.is_dir() else Path(gettempdir())
        found = restored(file, database, beside)
        rows = sum(count for count, _ in found.tables.values())
        typer.echo(f"{rows} rows of {found.made_at}, compared: {database.name}")
