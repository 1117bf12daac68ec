"""What the columns of a logger's trace are, on the wire."""

from typing import Literal

from pydantic import ConfigDict, Field

from taperwise.api.schemas.quantities import Wire

__all__ = ["Mapping"]


class Mapping(Wire):
    """What the columns of a trace are; what is left out is guessed from the headings."""

    model_config = ConfigDict(populate_by_name=True)

    time: str | None = Field(None, max_length=100, description="Heading of the time column; seconds or clock times.")
    egt: list[str] | None = Field(None, min_length=1, max_length=16, description="Headings, one a cylinder.")
    cht: list[str] | None = Field(None, min_length=1, max_length=16, description="Headings, one a cylinder head.")
    rpm: str | None = Field(None, max_length=100, description="Heading of the engine's speed.")
    mixture_control: str | None = Field(None, max_length=100, description="Heading of the mixture control's position.")
    fuel_flow: str | None = Field(None, max_length=100, description="Heading of the fuel flow.")
    lambda_: str | None = Field(None, alias="lambda", max_length=100, description="Heading of lambda.")
    manifold_pressure: str | None = Field(None, max_length=100, description="Heading of the manifold pressure.")
    temperature_unit: Literal["degF", "degC", "kelvin"] | None = Field(
        None, description="Unit of the temperatures, where the headings do not say."
    )
    fuel_flow_unit: Literal["gal/h", "l/h", "cc/s"] | None = None
    pressure_unit: Literal["inHg", "hPa", "kPa", "Pa"] | None = None

    def heading(self, channel: str) -> str | None:
        """The heading given for a channel."""
        return self.lambda_ if channel == "lambda" else getattr(self, channel)
