"""Notes as the service speaks of them."""

from datetime import datetime

from pydantic import BaseModel, Field

from taperwise.api.schemas.quantities import Wire

__all__ = ["NoteIn", "NoteOut"]


class NoteIn(Wire):
    """A note for whoever works at the installation; it changes nothing of the record."""

    text: str = Field(min_length=1, max_length=2000)
    author: str = Field("", max_length=100, description="Who says so.")


class NoteOut(BaseModel):
    """A note as it was left."""

    id: int
    written_at: datetime
    author: str
    text: str
