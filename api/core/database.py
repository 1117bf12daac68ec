"""The database: engine, tables, migrations, one unit of work a request."""

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import (
    JSON,
    URL,
    BigInteger,
    DateTime,
    Dialect,
    Engine,
    ForeignKey,
    Integer,
    String,
    UniqueConstraint,
    create_engine,
    make_url,
)
from sqlalchemy import event as sa_event
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError
from sqlalchemy.orm import DeclarativeBase, Mapped, Session, mapped_column
from sqlalchemy.types import TypeDecorator

from taperwise.api.core.database_file import DatabaseFile
from taperwise.api.core.schema_version import upgrade
from taperwise.shared.errors import InvalidValueError

__all__ = [
    "DERIVED",
    "UNCERTAIN",
    "Answer",
    "Base",
    "Correction",
    "Damaged",
    "Database",
    "Document",
    "Entry",
    "Id",
    "Installation",
    "Note",
    "Trace",
    "Utc",
]

UNCERTAIN = "the transaction failed at its end"
"""Note on a failure after which it is not known whether the work was stored."""

DERIVED = "derived"
"""Mark, in a table's `info`, of data that are remade when missing: a backup does without them."""

Id = BigInteger().with_variant(Integer, "sqlite")
"""Numbers of rows."""


class Damaged(dict[str, Any]):
    """In place of a stored document that somebody changed into none: empty, so no schema takes it."""


class Document(TypeDecorator[dict[str, Any]]):
    """A JSON object, or what else `kind` names."""

    impl = JSON
    cache_ok = True

    def __init__(self, kind: type = dict) -> None:
        super().__init__(none_as_null=True)
        self.kind = kind

    def coerce_compared_value(self, op: Any, value: Any) -> Any:
        """As JSON does: what is compared is a part of it."""
        return self.impl_instance.coerce_compared_value(op, value)

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], Any]:
        """A list of documents that may hold a damaged one is read all the same."""
        read = _or_none(super().result_processor(dialect, coltype))

        def whole(value: Any) -> Any:
            found = read(value)
            return found if value is None or isinstance(found, self.kind) else Damaged()

        return whole


def _or_none(read: Callable[[Any], Any] | None) -> Callable[[Any], Any]:
    """None in place of what cannot be read."""

    def found(value: Any) -> Any:
        try:
            return value if read is None else read(value)
        except (RecursionError, TypeError, ValueError):
            return None

    return found


class Utc(TypeDecorator[datetime]):
    """Times are stored in UTC and come back with their zone, on SQLite too; None where somebody damaged one."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], Any]:
        """What was read, if it is a time."""
        return _or_none(super().result_processor(dialect, coltype))

    def process_bind_param(self, value: datetime | None, dialect: Any) -> datetime | None:
        """To UTC."""
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Any) -> datetime | None:
        """With its zone."""
        return value.replace(tzinfo=UTC) if value is not None and value.tzinfo is None else value


class Base(DeclarativeBase):
    """Base of all tables."""


class Installation(Base):
    """An installation: the document as it was sent, and whose it is; nobody's where people are not told apart.

    `imported`: it came from an export file and is a copy.
    """

    __tablename__ = "installations"

    id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=True)
    created_at: Mapped[datetime] = mapped_column(Utc)
    owner_id: Mapped[int | None] = mapped_column(BigInteger, ForeignKey("people.id"), index=True)
    document: Mapped[dict[str, Any]] = mapped_column(Document)
    imported: Mapped[bool] = mapped_column(default=False)


class Entry(Base):
    """A run or an adjustment: the document as it was sent, numbered within its installation."""

    __tablename__ = "entries"
    __table_args__ = (UniqueConstraint("installation_id", "sequence", name="uq_entries_sequence"),)

    id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=True)
    installation_id: Mapped[int] = mapped_column(Id, ForeignKey("installations.id"))
    sequence: Mapped[int] = mapped_column(Integer)
    kind: Mapped[str] = mapped_column(String(12))
    happened_at: Mapped[datetime] = mapped_column(Utc)
    recorded_at: Mapped[datetime] = mapped_column(Utc)
    document: Mapped[dict[str, Any]] = mapped_column(Document)


class Correction(Base):
    """What an entry should have been; no document: it was voided. The latest one holds."""

    __tablename__ = "corrections"

    id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=True)
    entry_id: Mapped[int] = mapped_column(Id, ForeignKey("entries.id"), index=True)
    recorded_at: Mapped[datetime] = mapped_column(Utc)
    reason: Mapped[str] = mapped_column(String(500))
    document: Mapped[dict[str, Any] | None] = mapped_column(Document)


class Trace(Base):
    """The trace of a run as it was sent, and what was read from it."""

    __tablename__ = "traces"

    entry_id: Mapped[int] = mapped_column(Id, ForeignKey("entries.id"), primary_key=True)
    sent: Mapped[dict[str, Any]] = mapped_column(JSON)
    read: Mapped[list[Any]] = mapped_column(JSON)


class Note(Base):
    """A note that somebody left at an installation; it changes nothing.

    `author` is the name the note was signed with, empty where sign-in is off; `person_id` is who may change it.
    """

    __tablename__ = "notes"

    id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=True)
    installation_id: Mapped[int] = mapped_column(Id, ForeignKey("installations.id"), index=True)
    written_at: Mapped[datetime] = mapped_column(Utc)
    author: Mapped[str] = mapped_column(String(100))
    text: Mapped[str] = mapped_column(String(2000))
    person_id: Mapped[int | None] = mapped_column(BigInteger, ForeignKey("people.id"), index=True)
    edited_at: Mapped[datetime | None] = mapped_column(Utc)


class Answer(Base):
    """The latest suggestion of an installation, and what it was made from."""

    __tablename__ = "answers"

    installation_id: Mapped[int] = mapped_column(Id, ForeignKey("installations.id"), primary_key=True)
    sequence: Mapped[int] = mapped_column(Integer)
    seed: Mapped[int] = mapped_column(Id)
    model_version: Mapped[str] = mapped_column(String(20))
    document: Mapped[dict[str, Any]] = mapped_column(Document)


class Database:
    """An engine and its units of work.

    Parameters
    ----------
    url : str
        SQLAlchemy URL of SQLite (the folder is made if it is missing) or PostgreSQL.

    Attributes
    ----------
    watchers : list of callable
        Shown every session that may write; `taperwise.api.accounts.audit.watch` is one.

    Raises
    ------
    InvalidValueError
        If there is no such database to be had.
    """

    def __init__(self, url: str) -> None:
        self.watchers: list[Callable[[Session], None]] = []
        with _told(url):
            parsed = make_url(url)
            sqlite = parsed.get_backend_name() == "sqlite"
            self._file = DatabaseFile(parsed)
            if sqlite:
                _make_folder(parsed)
            elif parsed.get_backend_name() != "postgresql":
                raise ArgumentError("only SQLite and PostgreSQL are known here")
            waiting = {"timeout": 30} if sqlite else {}
            # SQLite has one writer at a time: they stand in line for its connection instead of racing for its lock
            one: dict[str, Any] = {"pool_size": 1, "max_overflow": 0, "connect_args": waiting}
            kind: dict[str, Any] = one if sqlite else {"pool_pre_ping": True}
            self.engine: Engine = create_engine(parsed, hide_parameters=True, **kind)
            self._reader = (
                _reader(parsed, waiting)
                if sqlite
                else self.engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
            )
        if sqlite:
            _prepare_sqlite(self.engine, "BEGIN IMMEDIATE")
        else:
            sa_event.listen(self.engine, "checkin", _rolled_back)

    @property
    def name(self) -> str:
        """Its URL without the password."""
        return self.engine.url.render_as_string(hide_password=True)

    def migrate(self) -> None:
        """Bring the schema up to date; services that do so at once do it one after the other.

        Raises
        ------
        InvalidValueError
            If the database cannot be reached, is none, or has a schema version that this release does not know.
        """
        with _told(self.name), self.engine.connect() as connection:
            self._file.check()
            upgrade(connection, self.name)

    @contextmanager
    def unit(self) -> Iterator[Session]:
        """One unit of work: committed at its end, rolled back if anything went wrong.

        A failure of the very commit carries the note `UNCERTAIN`: a server that went away then may have stored it.

        Raises
        ------
        ReplacedFileError
            If the database file is not the one that was opened.
        """
        self._file.check()
        with Session(self.engine, expire_on_commit=False) as session:
            for watch in self.watchers:
                watch(session)
            yield session
            try:
                session.commit()
            except DBAPIError as error:
                error.add_note(UNCERTAIN)
                raise

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """All as it stood at one moment, to be read only: writers do not wait for it, nor it for them.

        Raises
        ------
        ReplacedFileError
            As `unit`.
        """
        self._file.check()
        with Session(self._reader, expire_on_commit=False) as session, session.begin():
            yield session

    def answers(self) -> bool:
        """Whether the database can be read; errors as `unit`."""
        self._file.check()
        with self._reader.connect() as connection:
            return connection.exec_driver_sql("SELECT 1").scalar() == 1

    def close(self) -> None:
        """Close all connections."""
        self._reader.dispose()
        self.engine.dispose()


def _make_folder(url: URL) -> None:
    if url.database in (None, "", ":memory:"):
        raise ArgumentError("the log needs a file")
    Path(str(url.database)).parent.mkdir(parents=True, exist_ok=True)


_NEITHER = "Set TAPERWISE_DATABASE_URL to sqlite:///file.db or postgresql+psycopg://…."
_DRIVER = "Install the postgres extra (pip install 'taperwise[postgres]'), and begin with postgresql+psycopg://."
_CURES = {
    "sqlite": f"Set TAPERWISE_DATA_FOLDER to a folder you may write to. Or {_NEITHER[0].lower()}{_NEITHER[1:]}",
    "postgresql": "Start the database server, and check server, port, name and password in TAPERWISE_DATABASE_URL.",
}
"""What to do where a database of a kind cannot be opened."""


@contextmanager
def _told(url: str) -> Iterator[None]:
    """What keeps a database from being opened, in words; the password stays out of them."""
    try:
        yield
    except (ArgumentError, DBAPIError, NoSuchModuleError, ModuleNotFoundError, OSError) as error:
        reason = str(getattr(error, "orig", None) or error).splitlines()[0]
        kind = url.partition(":")[0].partition("+")[0]
        cure = _CURES.get(kind, _NEITHER)
        if kind == "postgresql" and isinstance(error, ModuleNotFoundError | NoSuchModuleError):
            reason, cure = "PostgreSQL needs a driver", _DRIVER
        raise InvalidValueError(
            f"The database cannot be used: {reason}",
            field="database_url",
            value=re.sub(r"//[^@/]*@", "//…@", url),
            cure=cure,
        ) from None


def _reader(url: URL, waiting: dict[str, Any]) -> Engine:
    """Connections of their own for reading: writers that wait their turn leave none in a common pool."""
    engine = create_engine(url, connect_args=waiting, pool_size=10, max_overflow=30, hide_parameters=True)
    _prepare_sqlite(engine, "BEGIN")
    sa_event.listen(engine, "connect", _may_not_write)
    return engine


def _may_not_write(connection: Any, _record: Any) -> None:
    connection.execute("PRAGMA query_only=ON")


def _rolled_back(connection: Any, _record: Any) -> None:
    """Whoever gets the connection next finds no transaction of others on it, whatever their commit came to."""
    if connection is not None and not connection.closed:
        connection.rollback()  # asks nothing of the server where nothing is open


def _lower(text: str | None) -> str | None:
    return None if text is None else str(text).lower()


def _prepare_sqlite(engine: Engine, begin: str) -> None:
    """Write-ahead log, full synchronisation, and writers that wait their turn instead of failing."""

    @sa_event.listens_for(engine, "connect")
    def _connect(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # transactions are begun by hand below
        connection.create_function("lower", 1, _lower, deterministic=True)  # its own knows ASCII alone
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "busy_timeout=30000", "foreign_keys=ON"):
            connection.execute(f"PRAGMA {pragma}")

    @sa_event.listens_for(engine, "begin")
    def _begin(connection: Any) -> None:
        connection.exec_driver_sql(begin)

    @sa_event.listens_for(engine, "checkin")
    def _given_back(connection: Any, _record: Any) -> None:
        if connection is not None and connection.in_transaction:  # its commit failed: the lock must not stay taken
            connection.rollback()
