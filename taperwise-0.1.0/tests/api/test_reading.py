"""Reading goes on while somebody writes, and never writes itself."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from typing import Any

import pytest
from sqlalchemy import event, text
from sqlalchemy.exc import DBAPIError

from taperwise.api.core.database import Database
from tests.api.asking import RUN, Client
from tests.api.everything_on import sqlite_only

READ = ("", "/suggestion", "/confidence", "/whatif", "/holding", "/history", "/notes", "/start", "/export", "/table")
PAGES = ("", "/card", "/before", "/run", "/adjust", "/history", "/settings", "/whatif", "/sheet")


@contextmanager
def _somebody_writes(database: Database) -> Iterator[None]:
    """The write lock is taken; who wants it too is refused at once."""

    @event.listens_for(database.engine, "connect")
    def _impatient(connection: Any, _record: Any) -> None:
        connection.execute("PRAGMA busy_timeout=0")

    database.engine.dispose()
    with closing(sqlite3.connect(str(database.engine.url.database), isolation_level=None)) as somebody:
        somebody.execute("BEGIN IMMEDIATE")
        yield


@sqlite_only
def test_what_is_asked_is_answered_while_somebody_writes(client: Client, place: str) -> None:
    """No address or page that only reads waits for the write lock."""
    assert client.post(f"{place}/runs", json=RUN).status_code == 201
    database: Database = client.app.state.database  # type: ignore[attr-defined] - the client hides the type
    client.app.state.desk.prepare()  # type: ignore[attr-defined] - as above
    page = place.removeprefix("/api/v1")
    addresses = [place + end for end in READ] + [page + end for end in PAGES]
    with _somebody_writes(database):
        for address in [*addresses, "/api/v1/installations", "/api/v1/pool", "/readyz", "/desk", "/"]:
            assert client.get(address).status_code == 200, address
        assert client.post(f"{place}/runs", json=RUN).status_code == 503


def test_a_unit_of_reading_cannot_write(database: Database) -> None:
    """Whoever writes where only reading was meant is stopped, on either kind of database."""
    with pytest.raises(DBAPIError), database.reading() as session:
        session.execute(text("DELETE FROM notes"))
    with database.unit() as session:
        session.execute(text("DELETE FROM notes"))


def test_a_unit_of_reading_sees_one_moment(database: Database) -> None:
    """What is stored meanwhile shows in the next unit of reading, not in this one."""
    count, add = (
        text("SELECT count(*) FROM installations"),
        "INSERT INTO installations (created_at, document, imported) VALUES ",
    )
    with database.reading() as session:
        assert session.scalar(count) == 0
        with database.unit() as writing:
            writing.execute(text(add + "('2026-01-01', '{}', false)"))
        assert session.scalar(count) == 0
    with database.reading() as session:
        assert session.scalar(count) == 1
