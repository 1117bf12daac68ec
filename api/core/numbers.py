"""Numbers in an address, a query or a form: digits 0 to 9 alone, read in one place for the gate and every route."""

import re
from typing import Annotated

from pydantic import BeforeValidator, Field, TypeAdapter, ValidationError
from pydantic_core import PydanticCustomError

__all__ = ["LARGEST", "Count", "Number", "number_in"]

LARGEST = 2**63 - 1
"""Largest number a row can have."""

_DIGITS = re.compile("0|[1-9][0-9]{0,18}")


def _plain(given: object) -> object:
    """A sign, a point, a blank, a leading zero or another script's digit would be one number under two spellings."""
    if isinstance(given, str) and _DIGITS.fullmatch(given) is None:
        cure = "Write it in digits 0 to 9, without sign, point, blank or leading zero."
        raise PydanticCustomError("plain_number", "this should be a plain whole number", {"cure": cure})
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
