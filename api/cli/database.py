"""The database of the commands, and the options that say where it is."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError

from taperwise.api.accounts import audit
from taperwise.api.accounts.principal import COMMAND_LINE, as_principal
from taperwise.api.core import compile_cache
from taperwise.api.core.database import Database, Installation
from taperwise.api.core.settings import Settings
from taperwise.api.installations.repository import NAME
from taperwise.shared.errors import TaperwiseError

__all__ = ["AsJson", "DataFolder", "DatabaseUrl", "Engine", "Force", "opened_database"]

DataFolder = Annotated[Path | None, typer.Option("--data-folder", help="Where the database lives.")]
DatabaseUrl = Annotated[str | None, typer.Option("--database-url", help="A database elsewhere, as a SQLAlchemy URL.")]


def _numbers(incomplete: str) -> Iterator[tuple[str, str]]:
    """Numbers of installations that begin so, with their names, for the shell to complete."""
    try:
        with opened_database() as (database, _), database.reading() as session:
            rows = session.execute(select(Installation.id, NAME)).all()
    except (TaperwiseError, SQLAlchemyError):
        return
    for number, name in rows:
        if str(number).startswith(incomplete):
            yield str(number), name or f"Engine {number}"


Engine = Annotated[int, typer.Argument(min=1, help="Number of the engine.", autocompletion=_numbers)]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of a table.")]
Force = Annotated[bool, typer.Option("--force", help="Overwrite files without asking.")]


@contextmanager
def opened_database(data_folder: Path | None = None, database_url: str | None = None) -> Iterator[tuple[Database, int]]:
    """The database, migrated, and the pool's floor; closed at the end. What changes is kept as changed from here."""
    given = {"data_folder": data_folder, "database_url": database_url}
    settings = Settings(**{name: value for name, value in given.items() if value is not None})
    compile_cache.use(settings.cache_folder)
    database = Database(settings.url)
    database.watchers.append(audit.watch)
    try:
        database.migrate()
        with as_principal(COMMAND_LINE):
            yield database, settings.pool_floor
    finally:
        database.close()
