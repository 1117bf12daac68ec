"""When something happened: the part that every entry has in common."""

import re
from datetime import UTC, datetime
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field
from pydantic_core import PydanticCustomError

from taperwise.api.schemas.quantities import Wire

__all__ = ["EntryIn", "Time"]

_EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
_CURE = {"cure": 'Write date and time, for example "2026-05-01T10:30:00Z".'}


def _written(value: Any) -> Any:
    if isinstance(value, datetime) or (isinstance(value, str) and re.match(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d", value)):
        return value
    raise PydanticCustomError("unusable", "A time must be text, with date and time of day", _CURE)


def _in_this_age(value: datetime) -> datetime:
    """Refuse what is centuries away: the slip of a pen, and the ends of the calendar have no UTC."""
    if not _EARLIEST.year <= value.year < 9999 or _utc(value) < _EARLIEST:
        raise PydanticCustomError("unusable", "This time is before the year 2000 or centuries ahead", _CURE)
    return value


def _utc(value: datetime) -> datetime:
    return value.astimezone(UTC) if value.tzinfo else value.replace(tzinfo=UTC)


Time = Annotated[
    datetime,
    BeforeValidator(_written),
    AfterValidator(_in_this_age),
    Field(json_schema_extra={"examples": ["2026-05-01T10:30:00Z"]}),
]
"""A moment of this age, written as text."""


class EntryIn(Wire):
    """What every entry may carry."""

    time: Time | None = Field(
        None, description="Moment of the entry (ISO 8601), UTC without an offset. Null: the moment of recording."
    )
    note: str = Field("", max_length=2000, description="Free text of the owner; empty for none.")

    def happened_at(self, now: datetime) -> datetime:
        """When it happened, in UTC."""
        return now if self.time is None else _utc(self.time)
