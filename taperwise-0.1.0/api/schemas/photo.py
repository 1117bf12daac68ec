"""Photos of a run, as sent and as saved."""

from datetime import datetime

from pydantic import BaseModel, Field

from taperwise.api.schemas.quantities import Wire

__all__ = ["PhotoIn", "PhotoOut", "RunPhotos"]


class PhotoIn(Wire):
    """A photo to keep beside a run."""

    image: str = Field(
        min_length=1, max_length=16_000_000, description="The file of the photo (JPEG, PNG or WebP) in base64."
    )


class PhotoOut(BaseModel):
    """A photo as saved. Its place, camera and time are removed."""

    id: int = Field(description="Number of the photo.")
    sequence: int = Field(description="Number of the run within its log.")
    added_at: datetime = Field(description="Moment at which the photo was saved (UTC).")
    width: int = Field(description="Width [px].")
    height: int = Field(description="Height [px].")
    size: int = Field(description="Size of the JPEG [bytes].")


class RunPhotos(BaseModel):
    """The photos of one run."""

    photos: list[PhotoOut] = Field(description="Photos in the order in which they were added.")
