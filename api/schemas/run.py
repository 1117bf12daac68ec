"""A ground run as the service speaks of it."""

from typing import TYPE_CHECKING, Annotated, Any, Literal, Self, get_args

from pydantic import (
    AfterValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidatorFunctionWrapHandler,
    WrapValidator,
    create_model,
    model_validator,
)
from pydantic_core import PydanticCustomError

from taperwise.api.schemas.quantities import (
    Elevation,
    ExhaustTemperature,
    Fraction,
    FuelHead,
    HeadTemperature,
    Pressure,
    Quantity,
    Rise,
    Rpm,
    RpmRise,
    Temperature,
    Whole,
    Wire,
    quantity_of,
)
from taperwise.api.schemas.timestamps import EntryIn
from taperwise.model.physics.air import station_pressure_pascal
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.meters import meters
from taperwise.shared.runs import Air, ExhaustRise, Highest, IdleQuality, RiseSeen, Run, Sureness
from taperwise.shared.units import to_si

__all__ = ["FellAtOnce", "HighestIn", "Mapping", "PeakSeen", "RoughBeforePeak", "RunIn", "TraceIn"]


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
    time_unit: Literal["s", "ms", "min", "h", "d"] | None = Field(
        None, description="Unit of times that are numbers, where the heading does not say."
    )
    decimal: Literal[".", ","] | None = Field(None, description="Sign before decimals, where the numbers do not show.")
    date_order: Literal["day_first", "month_first"] | None = Field(
        None, description="Order of day and month in dates such as 05/03/2026, where the dates do not show."
    )

    def heading(self, channel: str) -> str | None:
        """The heading given for a channel."""
        return self.lambda_ if channel == "lambda" else getattr(self, channel)


def _judgement(value: Any, validate: ValidatorFunctionWrapHandler) -> Any:
    try:
        return validate(value)
    except ValidationError:
        names = ", ".join(get_args(_Judgement))
        raise PydanticCustomError(
            "unusable", "this is not one of the five judgements", {"cure": f"Use one of {names}, or 1 to 5."}
        ) from None


_Judgement = Literal["lean_stumbling", "slightly_lean", "smooth", "slightly_rich", "rich_loading_up"]


_SLOWEST_RPM = 200.0


def _runs(value: Rpm) -> Rpm:
    if value.si() < _SLOWEST_RPM:
        raise PydanticCustomError(
            "unusable",
            "an engine that runs does not turn as slowly as this",
            {"cure": "Leave the speed out if it stopped; say how it idled in idle_quality.", "seen": f"{value.si():g}"},
        )
    return value


Running = Annotated[Rpm, AfterValidator(_runs)]
"""Speed of an engine that runs."""


_FINEST_ERROR_KELVIN = 0.1


class _Seen(Wire):
    """In the leanest of the cylinders that were read."""

    cylinders: Annotated[Whole, Field(ge=1, le=12)] = Field(1, description="Cylinders that were read.")


class PeakSeen(_Seen):
    """EGT rose to a peak on leaning from full rich, then fell; of several cylinders read, the leanest."""

    seen: Literal["peak"]
    rise: Rise
    error: Rise | None = Field(None, description="Standard error of the rise, where it was read from a trace.")
    spread: Rise | None = Field(
        None, description="Mean rise of all cylinders that were read less the leanest one's, where there are several."
    )

    @model_validator(mode="after")
    def _not_exact(self) -> Self:
        if self.error is not None and self.error.si() < _FINEST_ERROR_KELVIN:
            raise PydanticCustomError(
                "unusable",
                "no reading is as exact as this",
                {
                    "cure": "Give its standard error, or leave it out.",
                    "field": "error",
                    "seen": f"{self.error.value:g}",
                },
            )
        return self


class FellAtOnce(_Seen):
    """EGT fell at once on leaning."""

    seen: Literal["fell_at_once"]


class RoughBeforePeak(_Seen):
    """The engine ran rough before any peak; the rise so far."""

    seen: Literal["rough_before_peak"]
    rise: Rise


class TraceIn(Wire):
    """A logger's trace of the leaning sweep, as CSV text; the rise is read from it."""

    csv: str = Field(max_length=12_000_000)
    mapping: Mapping | None = None


class HighestIn(Wire):
    """The highest that was seen during the run, watched against the engine's limits."""

    cht: HeadTemperature | None = Field(None, description="Of the hottest cylinder head.")
    egt: ExhaustTemperature | None = None
    rpm: Running | None = None

    @model_validator(mode="after")
    def _something(self) -> Self:
        if self.cht is None and self.egt is None and self.rpm is None:
            raise PydanticCustomError(
                "unusable", "highest holds nothing", {"cure": "Give at least one of cht, egt, rpm, or leave it out."}
            )
        return self

    def record(self) -> Highest:
        """The record in SI."""
        return Highest(*(None if x is None else x.si() for x in (self.cht, self.egt, self.rpm)))


if TYPE_CHECKING:
    _Metered = EntryIn
else:
    _Metered = create_model(
        "Metered",
        __base__=EntryIn,
        **{m.name: (quantity_of(m.kind) | None, Field(None, description=m.description)) for m in meters()},
    )


class RunIn(_Metered):
    """A ground run: the air, and at least one observation; what meters show stands under their names."""

    air_temperature: Temperature
    pressure: Pressure | None = Field(None, description="Static pressure at the field; or give an altimeter setting.")
    altimeter_setting: Pressure | None = None
    elevation: Elevation | None = Field(None, description="Of the field; the installation's is used if left out.")
    relative_humidity: Fraction | None = None
    egt_rise: Annotated[PeakSeen | FellAtOnce | RoughBeforePeak, Field(discriminator="seen")] | None = Field(
        None, description="What leaning slowly from full rich at full throttle showed."
    )
    idle_quality: Annotated[_Judgement | Annotated[Whole, Field(ge=1, le=5)] | None, WrapValidator(_judgement)] = Field(
        None, description="1 lean_stumbling, 2 slightly_lean, 3 smooth, 4 slightly_rich, 5 rich_loading_up."
    )
    idle_rpm_rise: RpmRise | None = Field(None, description="Rise of idle speed on slow leaning; 0 if there was none.")
    static_rpm: Running | None = Field(None, description="Speed at full throttle, full rich.")
    idle_rpm: Running | None = None
    power_rpm_rise: RpmRise | None = Field(
        None, description="Rise of static speed on leaning from full rich to best power; 0 if there was none."
    )
    fuel_head: FuelHead | None = Field(
        None,
        description="Height of the fuel in the tank over the throttle body. A body without a float feels it.",
    )
    highest: HighestIn | None = None
    sureness: Literal["sure", "unsure", "guess"] = Field(
        "sure", description="How sure you are of what you read and judged; it counts for less the less sure you are."
    )
    trace: TraceIn | None = Field(None, description="Instead of egt_rise: the trace it is to be read from.")

    @model_validator(mode="after")
    def _pressure(self) -> Self:
        if (self.pressure is None) == (self.altimeter_setting is None):
            seen = "neither" if self.pressure is None else "both"
            raise PydanticCustomError(
                "unusable",
                "the air needs either pressure or altimeter_setting",
                {
                    "cure": "Give one of the two; with altimeter_setting also elevation.",
                    "field": "pressure",
                    "seen": seen,
                },
            )
        return self

    @model_validator(mode="after")
    def _one_rise(self) -> Self:
        if self.trace is not None and self.egt_rise is not None:
            cure = "Leave egt_rise out: it is read from the trace."
            raise PydanticCustomError(
                "unusable",
                "a run holds egt_rise or a trace, not both",
                {"cure": cure, "field": "egt_rise", "seen": "both"},
            )
        return self

    def _air(self, elevation: Elevation | None) -> Air:
        field_elevation = self.elevation or elevation
        if self.pressure is not None:
            pressure = self.pressure.si()
        elif self.altimeter_setting is None or field_elevation is None:
            raise InvalidValueError(
                "an altimeter setting needs the field's elevation",
                field="elevation",
                value="nothing",
                cure="Give it here or with the installation; or give pressure instead.",
            )
        else:
            found = station_pressure_pascal(self.altimeter_setting.si(), field_elevation.si())
            pressure = to_si("pressure", found, "Pa", field="altimeter_setting")  # plausible at the field too
        humidity = 0.0 if self.relative_humidity is None else self.relative_humidity.si()
        return Air(self.air_temperature.si(), pressure, humidity)

    def _rise(self) -> ExhaustRise | None:
        match self.egt_rise:
            case None:
                return None
            case FellAtOnce(cylinders=count):
                return ExhaustRise(RiseSeen.FELL_AT_ONCE, cylinders=count)
            case PeakSeen(rise=rise, error=error, spread=spread, cylinders=count):
                inside = [None if x is None else x.si() for x in (error, spread)]
                return ExhaustRise(RiseSeen.PEAK, rise.si(), inside[0], count, inside[1])
            case RoughBeforePeak(rise=rise, cylinders=count):
                return ExhaustRise(RiseSeen.ROUGH_BEFORE_PEAK, rise.si(), cylinders=count)

    def metered(self) -> dict[str, Quantity]:
        """What meters show, by name, as far as they were read."""
        shown = {meter.name: getattr(self, meter.name) for meter in meters()}
        return {name: quantity for name, quantity in shown.items() if quantity is not None}

    def record(self, elevation: Elevation | None = None) -> Run:
        """The record in SI.

        Parameters
        ----------
        elevation : Elevation or None
            The installation's, where the run gives none.

        Raises
        ------
        InvalidValueError
            If it holds no observation, or an altimeter setting without elevation.
        """
        quality = self.idle_quality
        if isinstance(quality, str):
            quality = IdleQuality[quality.upper()]
        return Run(
            air=self._air(elevation),
            rise=self._rise(),
            idle_quality=None if quality is None else IdleQuality(quality),
            idle_rpm_rise=self.idle_rpm_rise.si() if self.idle_rpm_rise else None,
            static_rpm=self.static_rpm.si() if self.static_rpm else None,
            idle_rpm=self.idle_rpm.si() if self.idle_rpm else None,
            power_rpm_rise=self.power_rpm_rise.si() if self.power_rpm_rise else None,
            meters=tuple((name, quantity.si()) for name, quantity in self.metered().items()),
            highest=self.highest.record() if self.highest else Highest(),
            fuel_head_m=self.fuel_head.si() if self.fuel_head else None,
            sureness=Sureness(self.sureness),
        )
