"""What routes ask for: a unit of work or of reading, the adviser's desk, a number in the address."""

from collections.abc import Iterator
from typing import Annotated

from fastapi import Depends, Path, Request
from sqlalchemy.orm import Session

from api.advice.desk import Desk
from api.database import Database

__all__ = ["AdviceDesk", "Db", "InstallationId", "PersonId", "ReadingUnit", "Unit"]

InstallationId = Annotated[int, Path(ge=1, le=2**63 - 1, description="Number of the installation.")]
PersonId = Annotated[int, Path(ge=1, le=2**63 - 1, description="Number of the person.")]


def _database(request: Request) -> Database:
    database: Database = request.app.state.database
    return database


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.desk
    return desk


Db = Annotated[Database, Depends(_database)]
AdviceDesk = Annotated[Desk, Depends(_desk)]


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
