"""The present setting in other air, in the units of the installation."""

from pydantic import BaseModel, Field

from taperwise.api.schemas.recommendation import IntervalOut, six_digits
from taperwise.api.schemas.units import Units
from taperwise.shared.recommendation import AirOutlook, Holding
from taperwise.shared.units import from_si

__all__ = ["HoldingOut"]


class AirOutlookOut(BaseModel):
    """The present setting in air of one density."""

    density_ratio: float
    density_altitude: float
    density_altitude_unit: str
    egt_rise: IntervalOut
    chance_full_throttle: float
    chance_idle: float
    chance_both: float
    lean_chance: float

    @classmethod
    def of(cls, a: AirOutlook, units: Units) -> "AirOutlookOut":
        """From the record, in the installation's units."""
        return cls(
            density_ratio=six_digits(a.density_ratio),
            density_altitude=six_digits(from_si("density_altitude", a.density_altitude_m, units.elevation)),
            density_altitude_unit=units.elevation,
            egt_rise=IntervalOut.of(a.rise_kelvin, "temperature_rise", units.temperature_rise),
            chance_full_throttle=a.chance_full_throttle,
            chance_idle=a.chance_idle,
            chance_both=a.chance_both,
            lean_chance=a.lean_chance,
        )


class HoldingOut(BaseModel):
    """Whether the present setting will hold in other air."""

    hot_high: AirOutlookOut = Field(description="35 °C at 6,000 ft.")
    cold_low: AirOutlookOut = Field(description="−15 °C at sea level.")
    density_band: tuple[float, float] | None = Field(
        description="Density ratios between which both ends are more likely right than not; null: nowhere."
    )
    fan: list[AirOutlookOut] = Field(description="Over the densities met on the ground, thinnest first.")

    @classmethod
    def of(cls, h: Holding, units: Units) -> "HoldingOut":
        """From the record, in the installation's units."""
        band = None if h.band is None else (six_digits(h.band[0]), six_digits(h.band[1]))
        return cls(
            hot_high=AirOutlookOut.of(h.hot_high, units),
            cold_low=AirOutlookOut.of(h.cold_low, units),
            density_band=band,
            fan=[AirOutlookOut.of(a, units) for a in h.fan],
        )
