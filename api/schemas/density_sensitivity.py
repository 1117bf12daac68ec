"""The present setting in other air, in the units of the installation."""

from typing import Annotated

from pydantic import BeforeValidator, Field, ValidationInfo

from taperwise.api.schemas.recommendation import EgtRise, FromRecord, InUnit, SixDigits

__all__ = ["HoldingOut"]


def _unit(seen: str | float, info: ValidationInfo) -> str | float:
    return seen if info.context is None else str(info.context.elevation)


class AirOutlookOut(FromRecord):
    """The present setting in air of one density."""

    density_ratio: SixDigits
    density_altitude: Annotated[SixDigits, InUnit("density_altitude", "elevation")] = Field(
        validation_alias="density_altitude_m"
    )
    density_altitude_unit: Annotated[str, BeforeValidator(_unit)] = Field(validation_alias="density_altitude_m")
    egt_rise: EgtRise = Field(validation_alias="rise_kelvin")
    chance_full_throttle: float
    chance_idle: float
    chance_both: float
    lean_chance: float


class HoldingOut(FromRecord):
    """Whether the present setting will hold in other air."""

    hot_high: AirOutlookOut = Field(description="35 °C at 6,000 ft.")
    cold_low: AirOutlookOut = Field(description="−15 °C at sea level.")
    density_band: tuple[SixDigits, SixDigits] | None = Field(
        validation_alias="band",
        description="Density ratios between which both ends are more likely right than not; null: nowhere.",
    )
    fan: list[AirOutlookOut] = Field(description="Over the densities met on the ground, thinnest first.")
