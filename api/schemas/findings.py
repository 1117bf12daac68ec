"""What a logger file showed beside the rise, as the service speaks of it."""

from pydantic import BaseModel, Field

from taperwise.shared.findings import FindingCode

__all__ = ["FindingOut"]


class FindingOut(BaseModel):
    """One thing found in a run's logger file: as a code with its figures, and in words."""

    entry: int = Field(description="Sequence number of the run.")
    code: FindingCode
    column: str = Field(description="Heading of the column; empty for the file as a whole.")
    other: str = Field(description="Heading of the column that this one repeats or follows; else empty, or a reason.")
    figure: float | None = Field(description="What the column shows, in kelvin, seconds, or as a share or count.")
    usual: float | None = Field(description="What the other columns show, or what is usual, in the same unit.")
    left_out: bool = Field(description="Whether the column is left out of the choice of the leanest cylinder.")
    words: str = Field(description="The same in words, in the installation's units.")
