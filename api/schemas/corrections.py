"""Corrections of entries as the service speaks of them."""

from datetime import datetime
from typing import Literal, Self

from pydantic import BaseModel, Field, model_validator
from pydantic_core import PydanticCustomError

from taperwise.api.schemas.adjustments import AdjustmentIn
from taperwise.api.schemas.quantities import Wire
from taperwise.api.schemas.run import RunIn

__all__ = ["CorrectionIn", "CorrectionOut"]


class CorrectionIn(Wire):
    """An entry was mistyped: void it, or say what it should have been. The original stays in the history."""

    reason: str = Field(min_length=3, max_length=500, description="Why.")
    void: Literal[True] | None = Field(None, description="The entry should not be there at all.")
    run: RunIn | None = Field(None, description="What the run should have been, whole; its time stays as it was.")
    adjustment: AdjustmentIn | None = Field(None, description="What was really turned or changed.")

    @model_validator(mode="after")
    def _one(self) -> Self:
        given = [name for name in ("void", "run", "adjustment") if getattr(self, name) is not None]
        if len(given) != 1:
            raise PydanticCustomError(
                "unusable",
                "a correction is one of void, run and adjustment",
                {"cure": "Give exactly one of them.", "field": "void", "seen": ", ".join(given) or "none"},
            )
        if self.run is not None and self.run.trace is not None:
            raise PydanticCustomError(
                "unusable",
                "a correction brings no trace",
                {"cure": "Void the run and record it anew with its trace.", "field": "run.trace", "seen": "a trace"},
            )
        return self


class CorrectionOut(BaseModel):
    """A correction as recorded; neither run nor adjustment: the entry was voided."""

    recorded_at: datetime
    reason: str
    run: RunIn | None = None
    adjustment: AdjustmentIn | None = None
