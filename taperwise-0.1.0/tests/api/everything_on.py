"""The tests of the service once more, on PostgreSQL: every database in a folder becomes one on the server.

Set ``TAPERWISE_TEST_EVERYTHING_ON=postgresql`` beside ``TAPERWISE_TEST_POSTGRES``.
"""

import hashlib
import os
from collections.abc import Iterator
from functools import cached_property

import pytest
from sqlalchemy import create_engine, make_url

from taperwise.api.core.settings import Settings

__all__ = ["ON_POSTGRES", "everything_on_postgres", "sqlite_only"]

ON_POSTGRES = os.environ.get("TAPERWISE_TEST_EVERYTHING_ON", "sqlite") == "postgresql"

sqlite_only = pytest.mark.skipif(ON_POSTGRES, reason="it is about the file that SQLite keeps, or its one writer")


def _url_of(server: str, settings: Settings, made: set[str]) -> str:
    """The same folder is the same database, so that what was stored is there again after a restart."""
    name = f"taperwise_{hashlib.sha256(str(settings.data_folder).encode()).hexdigest()[:24]}"
    if name not in made:
        engine = create_engine(server, isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            connection.exec_driver_sql(f"CREATE DATABASE {name}")
        engine.dispose()
        made.add(name)
    return make_url(server).set(database=name).render_as_string(hide_password=False)


@pytest.fixture(autouse=True)
def everything_on_postgres(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Where it is asked for, a service that would keep a file keeps a database on the server; gone after the test."""
    if not ON_POSTGRES:
        yield
        return
    server, made = os.environ["TAPERWISE_TEST_POSTGRES"], set[str]()
    wanted = cached_property(lambda self: self.database_url or _url_of(server, self, made))
    wanted.__set_name__(Settings, "url")
    monkeypatch.setattr(Settings, "url", wanted)
    yield
    engine = create_engine(server, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        for name in made:
            connection.exec_driver_sql(f"DROP DATABASE {name} WITH (FORCE)")
    engine.dispose()
