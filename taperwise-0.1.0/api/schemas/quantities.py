"""Quantities with their unit, one model a kind, checked as they come in."""

from typing import Annotated, Any, ClassVar, Self

from pydantic import BaseModel, ConfigDict, Field, GetJsonSchemaHandler, model_validator
from pydantic_core import CoreSchema, PydanticCustomError

from taperwise.shared.errors import TaperwiseError
from taperwise.shared.units import KINDS, in_unit, to_si

__all__ = [
    "Elevation",
    "ExhaustTemperature",
    "Fraction",
    "FuelFlow",
    "FuelHead",
    "HeadTemperature",
    "Lambda",
    "Length",
    "Number",
    "Pressure",
    "Quantity",
    "Rise",
    "Rpm",
    "RpmRise",
    "Taper",
    "Temperature",
    "Volume",
    "Whole",
    "Wire",
    "as_problem",
    "quantity_of",
]

Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
"""A finite JSON number; "12" and true are not numbers."""

Whole = Annotated[int, Field(strict=True)]
"""A JSON integer."""


class Wire(BaseModel):
    """Base of everything that comes in: an unknown field is an error, not a silent loss."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_max_length=2000)


def as_problem(error: TaperwiseError) -> PydanticCustomError:
    """An error of ours as a validation error that keeps its cure."""
    return PydanticCustomError(
        "unusable", "{message}", {"message": error.message, "cure": error.cure, "seen": str(error.value)[:80]}
    )


class Quantity(Wire):
    """A number with its unit."""

    kind: ClassVar[str] = "fraction"

    value: Number = Field(description="Number in the unit of `unit`.")
    unit: str = Field(max_length=20, description="Unit of the number.")

    @model_validator(mode="after")
    def _plausible(self) -> Self:
        try:
            self.si()
        except TaperwiseError as error:
            raise as_problem(error) from None
        return self

    def si(self) -> float:
        """The quantity in the unit used inside."""
        return to_si(self.kind, self.value, self.unit)

    @classmethod
    def of(cls, inside: float, unit: str) -> Self:
        """The quantity for an inside value, in a unit of choice."""
        return cls.model_validate(in_unit(cls.kind, inside, unit))

    @classmethod
    def __get_pydantic_json_schema__(cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        schema = handler.resolve_ref_schema(handler(core_schema))
        kind = KINDS[cls.kind]
        schema["properties"]["unit"]["enum"] = list(kind.units)
        schema["description"] = (
            f"{kind.name[0].upper()}{kind.name[1:]}, plausible from {kind.low:g} to {kind.high:g} {kind.si}".rstrip()
            + "."
        )
        return schema


class Temperature(Quantity):
    """A temperature."""

    kind = "temperature"


class Rise(Quantity):
    """A temperature difference."""

    kind = "temperature_rise"


class Pressure(Quantity):
    """A pressure."""

    kind = "pressure"


class Elevation(Quantity):
    """An elevation."""

    kind = "elevation"


class Length(Quantity):
    """A length."""

    kind = "length"


class FuelHead(Quantity):
    """A height of fuel over the throttle body."""

    kind = "fuel_head"


class Taper(Quantity):
    """A taper slope."""

    kind = "taper"


class Volume(Quantity):
    """A volume."""

    kind = "volume"


class Rpm(Quantity):
    """A rotational speed."""

    kind = "rpm"


class RpmRise(Quantity):
    """A rise of rotational speed."""

    kind = "rpm_rise"


class HeadTemperature(Quantity):
    """A cylinder head temperature."""

    kind = "head_temperature"


class ExhaustTemperature(Quantity):
    """An exhaust gas temperature."""

    kind = "exhaust_temperature"


class FuelFlow(Quantity):
    """A fuel flow."""

    kind = "fuel_flow"


class Lambda(Quantity):
    """Lambda, air over the air stoichiometry asks for."""

    kind = "lambda"


class Fraction(Quantity):
    """A fraction."""

    kind = "fraction"


def quantity_of(kind: str) -> type[Quantity]:
    """The model of a kind of quantity; made here where nobody wrote one.

    Parameters
    ----------
    kind : str
        Key of `taperwise.shared.units.KINDS`.
    """
    for known in Quantity.__subclasses__():
        if known.kind == kind:
            return known
    words = {"kind": kind, "__module__": __name__, "__doc__": f"{KINDS[kind].name.capitalize()}."}
    return type("".join(word.capitalize() for word in kind.split("_")), (Quantity,), words)
