"""The units an installation's answers come in."""

from typing import Any, Literal

from pydantic import BaseModel, Field

from taperwise.api.schemas.quantities import Quantity, Wire
from taperwise.shared.units import in_unit

__all__ = ["PRESETS", "Units"]


class Units(Wire):
    """Units the answers come in."""

    temperature: Literal["degF", "degC", "kelvin"] = Field("degF", description="Unit of air temperatures.")
    temperature_rise: Literal["delta_degF", "delta_degC", "kelvin"] = Field(
        "delta_degF", description="Unit of the EGT rise."
    )
    pressure: Literal["inHg", "hPa", "kPa", "Pa", "mmHg", "mbar"] = Field("inHg", description="Unit of pressures.")
    length: Literal["mm", "in", "m", "cm"] = Field("mm", description="Unit of dimensions.")
    elevation: Literal["ft", "m"] = Field("ft", description="Unit of elevations and density altitudes.")
    taper: Literal["mm/m", "mm/mm", "in/in", "percent"] = Field("mm/m", description="Unit of taper slopes.")
    head_temperature: Literal["degF", "degC", "kelvin"] = Field(
        "degF", description="Unit of cylinder head temperatures."
    )
    exhaust_temperature: Literal["degF", "degC", "kelvin"] = Field(
        "degF", description="Unit of exhaust gas temperatures."
    )
    fuel_flow: Literal["gal/h", "l/h", "cc/s"] = Field("gal/h", description="Unit of fuel flows.")
    volume: Literal["cc", "litre", "in**3", "cm**3", "L"] = Field("cc", description="Unit of the displacement.")

    def put(self, value: Any) -> Any:
        """The same with every quantity in it converted.

        Parameters
        ----------
        value : Any
            A quantity, or whatever holds quantities. Not validated anew: a value at the very end of its
            range, rounded for reading, may lie a hair beyond it.
        """
        if isinstance(value, Quantity):
            shown: dict[str, Any] = {**in_unit(value.kind, value.si(), getattr(self, value.kind, value.unit))}
            return type(value).model_construct(None, **shown)
        if isinstance(value, BaseModel):
            return value.model_copy(update={name: self.put(inner) for name, inner in value})
        return [self.put(inner) for inner in value] if isinstance(value, list) else value


PRESETS: dict[str, dict[str, str]] = {
    "fahrenheit": {},
    "celsius": {
        "temperature": "degC", "temperature_rise": "delta_degC", "pressure": "hPa", "elevation": "m",
        "head_temperature": "degC", "exhaust_temperature": "degC", "fuel_flow": "l/h",
    },
}  # fmt: skip
"""By the name a form gives them; each unit may be changed afterwards."""
