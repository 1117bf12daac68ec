"""A restore: a backup checked, copied into a database that is empty, and compared before it counts."""

from contextlib import closing
from pathlib import Path

from sqlalchemy import Connection

from taperwise.api.backup import rows
from taperwise.api.backup.backup import checked_copy, workplace
from taperwise.api.backup.sealed_file import Contents, refused
from taperwise.api.core.database import Database
from taperwise.shared.errors import ConflictError, InvalidValueError

__all__ = ["restore"]


def restore(file: Path, database: Database, beside: Path) -> Contents:
    """Restore a backup into an empty database of either kind; all of it, or nothing.

    Parameters
    ----------
    database : Database
        With its tables.
    beside : Path
        Folder in which the backup may be unpacked.

    Raises
    ------
    InvalidValueError
        If the backup was cut short or changed, or is of a newer release.
    ConflictError
        If something is stored in the database.
    """
    with workplace(beside) as folder:
        contents = checked_copy(file, folder / "copy.db")
        with closing(Database(f"sqlite:///{folder / 'copy.db'}")) as copy:
            try:
                copy.migrate()
            except InvalidValueError:
                raise refused(file, "It comes from a newer release") from None
            with copy.reading() as session, database.engine.begin() as there:
                here = session.connection()
                _alone(there)
                if rows.counted_rows(there):
                    raise ConflictError(
                        "The target database is not empty. Nothing was changed",
                        field="database_url",
                        value=database.name,
                        cure="Restore into a new folder or database. Then start the service with it.",
                    )
                rows.copy(here, there)
                if rows.digests(there) != rows.digests(here):
                    raise refused(file, "The restored rows do not match the backup. Nothing was restored")
    return contents


def _alone(there: Connection) -> None:
    """Nobody else writes until this is done; SQLite was locked when the transaction began."""
    if there.dialect.name == "postgresql":
        names = ", ".join(table.name for table in rows.tables(there))
        there.exec_driver_sql(f"LOCK TABLE {names} IN EXCLUSIVE MODE")
