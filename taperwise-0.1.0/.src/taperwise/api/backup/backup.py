"""A backup: the database as it stood at one moment, written, then opened again and compared."""

import os
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Connection

from taperwise.api import __version__
from taperwise.api.backup import rows
from taperwise.api.backup.sealed_file import Contents, refused, unwrap, wrap
from taperwise.api.core.database import Database
from taperwise.shared.errors import InvalidValueError

__all__ = ["back_up", "checked_copy", "workplace"]


@contextmanager
def workplace(beside: Path) -> Iterator[Path]:
    """A folder for what is being made, on the disk where it is going to be.

    Raises
    ------
    InvalidValueError
        If nothing can be written there.
    """
    try:
        with tempfile.TemporaryDirectory(prefix=".taperwise-", dir=beside) as folder:
            yield Path(folder)
    except OSError as error:
        raise InvalidValueError(
            f"The backup cannot be written: {error.strerror}",
            field="file",
            value=str(beside),
            cure="Choose another folder.",
        ) from None


def back_up(database: Database, file: Path) -> Contents:
    """Write a backup while others go on writing.

    Raises
    ------
    InvalidValueError
        If there is a file already, nothing can be written there, or what was written is not what was read.
    """
    if file.exists():
        raise InvalidValueError(
            "A file of this name exists. Nothing was written",
            field="file",
            value=file.name,
            cure="Choose another name.",
        )
    with workplace(file.absolute().parent) as folder:
        with database.reading() as session:
            here = session.connection()
            figures = rows.digests(here)
            schema = _schema(here)
            if here.dialect.name == "sqlite":
                _copy_file(here, folder / "copy.db")
            else:
                _copy_rows(here, folder / "copy.db")
        contents = Contents(datetime.now(UTC).isoformat(), __version__, schema, figures)
        wrap(folder / "copy.db", contents, folder / "backup")
        checked_copy(folder / "backup", folder / "again.db")
        os.link(
            folder / "backup", file
        )  # refuses a name that was taken meanwhile, and shows the file whole or not at all
    return contents


def _schema(connection: Connection) -> str:
    return str(connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar_one())


def _copy_file(here: Connection, into: Path) -> None:
    """By SQLite's own backup, inside the transaction that is reading: the very moment whose figures were taken."""
    live = here.connection.driver_connection
    assert isinstance(live, sqlite3.Connection)  # noqa: S101 - narrows what SQLAlchemy hands over
    with closing(sqlite3.connect(into)) as copy:
        live.backup(copy)
        copy.execute("PRAGMA journal_mode=DELETE")  # one file, nothing beside it


def _copy_rows(here: Connection, into: Path) -> None:
    with closing(Database(f"sqlite:///{into}")) as copy:
        copy.migrate()
        with copy.engine.begin() as there:
            rows.copy(here, there)
    with closing(sqlite3.connect(into)) as alone:
        alone.execute("PRAGMA journal_mode=DELETE")


def checked_copy(file: Path, into: Path) -> Contents:
    """The database in a backup, unpacked and compared with what the backup says of itself.

    Raises
    ------
    InvalidValueError
        If it was cut short or changed, is not whole, or is of a newer release.
    """
    contents = unwrap(file, into)
    with closing(sqlite3.connect(into)) as plain:
        whole = plain.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        whole = whole and not plain.execute("PRAGMA foreign_key_check").fetchall()
        schema = str(plain.execute("SELECT version_num FROM alembic_version").fetchone()[0])
    if not whole or schema != contents.schema:
        raise refused(file, "Its database is damaged")
    with closing(Database(f"sqlite:///{into}")) as copy, copy.reading() as session:
        if rows.digests(session.connection()) != contents.tables:
            raise refused(file, "Its rows do not match the database")
    return contents
