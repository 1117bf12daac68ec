"""What routes ask for: a unit of work or of reading, a number in the address, no query parameter they do not know."""

import re
from collections.abc import Iterator
from typing import Annotated

from fastapi import Depends, Path, Request
from fastapi.dependencies.utils import get_flat_params
from fastapi.params import Query
from pydantic import BeforeValidator, Field, TypeAdapter, ValidationError
from pydantic_core import PydanticCustomError
from sqlalchemy.orm import Session

from taperwise.api.core.database import Database
from taperwise.shared.errors import InvalidValueError

__all__ = [
    "LARGEST",
    "Count",
    "Db",
    "KeyId",
    "Number",
    "PersonId",
    "ReadingUnit",
    "Sequence",
    "Unit",
    "known_parameters",
    "number_in",
]

LARGEST = 2**63 - 1
"""Largest number a row can have."""

_DIGITS = re.compile("0|[1-9][0-9]{0,18}")


def _plain(given: object) -> object:
    """A sign, a point, a blank, a leading zero or another script's digit would be one number under two spellings."""
    if isinstance(given, str) and _DIGITS.fullmatch(given) is None:
        cure = "Write digits 0 to 9, without sign, point, blank or leading zero."
        raise PydanticCustomError("plain_number", "This should be a plain whole number", {"cure": cure})
    return given


Count = Annotated[int, BeforeValidator(_plain)]
"""A whole number from 0 on, in one spelling only."""

Number = Annotated[Count, Field(ge=1, le=LARGEST)]
"""The number of a row."""

_NUMBER: TypeAdapter[int] = TypeAdapter(Number)


def number_in(text: object) -> int | None:
    """The number of a row, as the routes would read it; None where they would refuse it."""
    try:
        return _NUMBER.validate_python(text)
    except ValidationError:
        return None


PersonId = Annotated[Number, Path(description="Number of the person.")]
KeyId = Annotated[Number, Path(description="Number of the key.")]
Sequence = Annotated[Count, Path(ge=1, le=2**31 - 1, description="Number of the entry within its log.")]


async def _database(request: Request) -> Database:
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


def known_parameters(request: Request) -> None:
    """Refuse a query parameter of the JSON API that the route does not ask for.

    Raises
    ------
    InvalidValueError
        Naming the first one, and those that there are.
    """
    if not request.query_params or not request.url.path.startswith("/api/"):
        return
    asked = get_flat_params(request.scope["route"].dependant)
    known = sorted({field.alias for field in asked if isinstance(field.field_info, Query)})
    for name in request.query_params:
        if name not in known:
            cure = f"Known here: {', '.join(known)}." if known else "Remove the parameter. There is none here."
            raise InvalidValueError("there is no such query parameter", field=name[:80], value=None, cure=cure)
