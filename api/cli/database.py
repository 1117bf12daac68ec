"""The database of the commands, and the options that say where it is."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from taperwise.api.accounts import audit
from taperwise.api.accounts.principal import COMMAND_LINE, as_principal
from taperwise.api.core import compile_cache
from taperwise.api.core.database import Database
from taperwise.api.core.settings import Settings

__all__ = ["DataFolder", "DatabaseUrl", "opened_database"]

DataFolder = Annotated[Path | None, typer.Option("--data-folder", help="Where the database lives.")]
DatabaseUrl = Annotated[str | None, typer.Option("--database-url", help="A database elsewhere, as a SQLAlchemy URL.")]


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
