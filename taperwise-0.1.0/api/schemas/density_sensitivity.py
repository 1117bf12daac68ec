"""The present setting in other air, in the units of the installation."""

from typing import Annotated

from pydantic import BeforeValidator, Field, ValidationInfo

from taperwise.api.schemas.recommendation import EgtRise, FromRecord, InUnit, SixDigits

__all__ = ["HoldingOut"]


def _unit(seen: str | float, info: ValidationInfo) -> str | float:
    return seen if info.context is None else str(info.context.elevation)


class AirOutlookOut(FromRecord):
    """The present setting in air of one density."""

    density_ratio: SixDigits = Field(description="Air density over 1.225 kg/m³ [-].")
    density_altitude: Annotated[SixDigits, InUnit("density_altitude", "elevation")] = Field(
        validation_alias="density_altitude_m", description="Density altitude, in `density_altitude_unit`."
    )
    density_altitude_unit: Annotated[str, BeforeValidator(_unit)] = Field(
        validation_alias="density_altitude_m", description="Unit of the density altitude."
    )
    egt_rise: EgtRise = Field(validation_alias="rise_kelvin", description="Predicted EGT rise.")
    chance_full_throttle: float = Field(description="Chance that full throttle is in target [0 to 1].")
    chance_idle: float = Field(description="Chance that the idle mixture is in target [0 to 1].")
    chance_both: float = Field(description="Chance that both mixtures are in target [0 to 1].")
    lean_chance: float = Field(description="Hazard: chance of running lean of peak at full throttle [0 to 1].")


class HoldingOut(FromRecord):
    """Whether the present setting will hold in other air."""

    hot_high: AirOutlookOut = Field(description="Prediction for 35 °C at 6,000 ft.")
    cold_low: AirOutlookOut = Field(description="Prediction for −15 °C at sea level.")
    density_band: tuple[SixDigits, SixDigits] | None = Field(
        validation_alias="band",
        description="Density ratios between which both mixtures are more likely in target than not [-]. Null: nowhere.",
    )
    fan: list[AirOutlookOut] = Field(
        description="Predictions over the densities met on the ground, the thinnest air first."
    )
