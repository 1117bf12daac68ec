"""What routes ask for: a unit of work or of reading, a number in the address."""

from collections.abc import Iterator
from typing import Annotated

from fastapi import Depends, Path, Request
from sqlalchemy.orm import Session

from taperwise.api.core.database import Database
from taperwise.api.core.numbers import Count, Number

__all__ = ["Db", "KeyId", "PersonId", "ReadingUnit", "Sequence", "Unit"]

PersonId = Annotated[Number, Path(description="Number of the person.")]
KeyId = Annotated[Number, Path(description="Number of the key.")]
Sequence = Annotated[Count, Path(ge=1, le=2**31 - 1, description="Number of the entry within its log.")]


def _database(request: Request) -> Database:
    database: Database = request.app.state.database
    return database


Db = Annotated[Database, Depends(_database)]


def _unit(database: Db) -> Iterator[Session]:
    with database.unit() as session:
        yield session


Unit = Annotated[Session, Depends(_unit, scope="function")]
"""A session whose work is committed before the answer goes out."""


def _reading(database: Db) -> Iterator[Session]:
    with database.reading() as session:
        yield session


ReadingUnit = Annotated[Session, Depends(_reading, scope="function")]
"""A session that only reads, all of it as it stood at one moment; no writer has to wait for it, nor it for one."""
