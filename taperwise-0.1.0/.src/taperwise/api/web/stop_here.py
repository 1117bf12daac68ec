"""The stop of the engine whose page is shown: every template can ask for it, so that no page goes without."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from taperwise.api.core.database import Database
from taperwise.api.log.stop import stop_words

__all__ = ["at_engine", "stop_here"]

_here: ContextVar[tuple[Database, int] | None] = ContextVar("engine", default=None)


@contextmanager
def at_engine(database: Database, installation_id: int | None) -> Iterator[None]:
    """Serve a page of an engine; of none if the address names none."""
    token = _here.set(None if installation_id is None else (database, installation_id))
    try:
        yield
    finally:
        _here.reset(token)


def stop_here() -> str:
    """The stop of the engine whose page is shown, in words; empty where there is none."""
    at = _here.get()
    if at is None:
        return ""
    with at[0].reading() as session:
        return stop_words(session, at[1])
