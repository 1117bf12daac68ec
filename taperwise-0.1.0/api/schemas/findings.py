"""What a logger file showed beside the rise, as the service speaks of it."""

from typing import Annotated, Any

from pydantic import BaseModel, Field, GetJsonSchemaHandler
from pydantic_core import CoreSchema

from taperwise.shared.findings import Finding, FindingCode

__all__ = ["DescribedFinding", "FindingOut"]


class FindingOut(BaseModel):
    """One thing found in a run's logger file: as a code with its figures, and in words."""

    entry: int = Field(description="Number of the run in its log.")
    code: FindingCode = Field(description="Kind of finding.")
    column: str = Field(description="Heading of the column; empty for the whole file.")
    other: str = Field(description="Heading of the column that this one repeats or follows, or a reason; else empty.")
    figure: float | None = Field(
        description="Figure of the finding, in kelvin, seconds, or as a share or count. Null: none."
    )
    usual: float | None = Field(
        description="Figure of the other columns, or the usual one, in the same unit. Null: none."
    )
    left_out: bool = Field(description="Whether the column is left out of the choice of the leanest cylinder.")
    words: str = Field(description="The finding in words, in the preferred units.")


class _AsFindingOut:
    """Describes the model's findings in OpenAPI as those of this module."""

    @staticmethod
    def __get_pydantic_json_schema__(core_schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        schema = handler(core_schema)
        described = handler.resolve_ref_schema(schema)
        described["description"] = "A finding of a logger file, as a code with figures."
        for name, part in described["properties"].items():
            part["description"] = FindingOut.model_fields[name].description
        return schema


DescribedFinding = Annotated[Finding, _AsFindingOut]
"""A finding as the model makes it."""
