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

__all__ = ["ColumnMapping", "FellAtOnce", "HighestIn", "PeakSeen", "RoughBeforePeak", "RunIn", "TraceIn"]


class ColumnMapping(Wire):
    """Meaning of the columns of a logger file."""

    model_config = ConfigDict(populate_by_name=True)

    time: str | None = Field(
        None,
        max_length=100,
        description="Heading of the time column, in seconds or clock times. Null: guessed from the headings.",
    )
    egt: list[str] | None = Field(
        None,
        min_length=1,
        max_length=16,
        description="Headings of exhaust temperatures, one a cylinder. Null: guessed.",
    )
    cht: list[str] | None = Field(
        None, min_length=1, max_length=16, description="Headings of head temperatures, one a cylinder. Null: guessed."
    )
    rpm: str | None = Field(None, max_length=100, description="Heading of the engine speed. Null: guessed.")
    mixture_control: str | None = Field(
        None, max_length=100, description="Heading of the mixture control's position. Null: guessed."
    )
    fuel_flow: str | None = Field(None, max_length=100, description="Heading of the fuel flow. Null: guessed.")
    lambda_: str | None = Field(None, alias="lambda", max_length=100, description="Heading of lambda. Null: guessed.")
    manifold_pressure: str | None = Field(
        None, max_length=100, description="Heading of the manifold pressure. Null: guessed."
    )
    temperature_unit: Literal["degF", "degC", "kelvin"] | None = Field(
        None, description="Unit of the temperatures. Null: read from the headings."
    )
    fuel_flow_unit: Literal["gal/h", "l/h", "cc/s"] | None = Field(
        None, description="Unit of the fuel flow. Null: read from the heading."
    )
    pressure_unit: Literal["inHg", "hPa", "kPa", "Pa"] | None = Field(
        None, description="Unit of the manifold pressure. Null: read from the heading."
    )
    time_unit: Literal["s", "ms", "min", "h", "d"] | None = Field(
        None, description="Unit of times that are plain numbers. Null: read from the heading."
    )
    decimal: Literal[".", ","] | None = Field(None, description="Decimal sign of the numbers. Null: read from them.")
    date_order: Literal["day_first", "month_first"] | None = Field(
        None, description="Order of day and month in dates such as 05/03/2026. Null: read from the dates."
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
            "unusable",
            "This is not one of the five judgements",
            {"cure": f"Use one of {names}, or a number from 1 to 5."},
        ) from None


_Judgement = Literal["lean_stumbling", "slightly_lean", "smooth", "slightly_rich", "rich_loading_up"]


_SLOWEST_RPM = 200.0


def _runs(value: Rpm) -> Rpm:
    if value.si() < _SLOWEST_RPM:
        raise PydanticCustomError(
            "unusable",
            "No running engine turns this slowly",
            {
                "cure": "If the engine stopped, remove the speed. Tell how the engine idled in idle_quality.",
                "seen": f"{value.si():g}",
            },
        )
    return value


Running = Annotated[Rpm, AfterValidator(_runs)]
"""Speed of an engine that runs."""


_FINEST_ERROR_KELVIN = 0.1


class _Seen(Wire):
    """In the leanest of the cylinders that were read."""

    cylinders: Annotated[Whole, Field(ge=1, le=12)] = Field(1, description="Number of cylinders that were read.")


class PeakSeen(_Seen):
    """EGT rose to a peak on leaning from full rich, then fell."""

    seen: Literal["peak"] = Field(description="Outcome of leaning: a peak.")
    rise: Rise = Field(description="EGT rise from full rich to the peak, in the leanest cylinder.")
    error: Rise | None = Field(None, description="Standard error of the EGT rise. Null: read from a gauge.")
    spread: Rise | None = Field(
        None, description="Mean EGT rise of all cylinders less the leanest one's. Null: one cylinder."
    )

    @model_validator(mode="after")
    def _not_exact(self) -> Self:
        if self.error is not None and self.error.si() < _FINEST_ERROR_KELVIN:
            raise PydanticCustomError(
                "unusable",
                "No reading is this exact",
                {
                    "cure": "Give the standard error of the rise, or remove the field.",
                    "field": "error",
                    "seen": f"{self.error.value:g}",
                },
            )
        return self


class FellAtOnce(_Seen):
    """EGT fell at once on leaning."""

    seen: Literal["fell_at_once"] = Field(description="Outcome of leaning: EGT fell at once.")


class RoughBeforePeak(_Seen):
    """The engine ran rough before a peak."""

    seen: Literal["rough_before_peak"] = Field(description="Outcome of leaning: rough running before a peak.")
    rise: Rise = Field(description="EGT rise until the engine ran rough.")


class TraceIn(Wire):
    """A logger file of the leaning sweep. The service reads the EGT rise from the file."""

    csv: str = Field(max_length=12_000_000, description="Whole logger file as CSV text.")
    mapping: ColumnMapping | None = Field(None, description="Meaning of the columns. Null: guessed from the headings.")


class HighestIn(Wire):
    """Highest values of the run, compared with the engine limits."""

    cht: HeadTemperature | None = Field(
        None, description="Highest temperature of the hottest cylinder head. Null: not read."
    )
    egt: ExhaustTemperature | None = Field(None, description="Highest exhaust gas temperature. Null: not read.")
    rpm: Running | None = Field(None, description="Highest engine speed. Null: not read.")

    @model_validator(mode="after")
    def _something(self) -> Self:
        if self.cht is None and self.egt is None and self.rpm is None:
            raise PydanticCustomError(
                "unusable",
                "highest has no value",
                {"cure": "Give at least one of cht, egt and rpm, or remove the field."},
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
        **{
            m.name: (quantity_of(m.kind) | None, Field(None, description=f"{m.description} Null: not read."))
            for m in meters()
        },
    )


class RunIn(_Metered):
    """A ground run: the air, and at least one observation."""

    air_temperature: Temperature = Field(description="Air temperature at the field.")
    pressure: Pressure | None = Field(
        None, description="Static pressure at the field. Null: altimeter_setting is given."
    )
    altimeter_setting: Pressure | None = Field(None, description="Altimeter setting. Null: pressure is given.")
    elevation: Elevation | None = Field(None, description="Elevation of the field. Null: the set-up's.")
    relative_humidity: Fraction | None = Field(None, description="Relative humidity of the air. Null: dry air.")
    egt_rise: Annotated[PeakSeen | FellAtOnce | RoughBeforePeak, Field(discriminator="seen")] | None = Field(
        None, description="Outcome of slow leaning from full rich at full throttle. Null: not read."
    )
    idle_quality: Annotated[_Judgement | Annotated[Whole, Field(ge=1, le=5)] | None, WrapValidator(_judgement)] = Field(
        None, description="Judgement of the idle by name or number, 1 = leanest. Null: not judged."
    )
    idle_rpm_rise: RpmRise | None = Field(
        None, description="Rise of idle speed on slow leaning; 0 for none. Null: not read."
    )
    static_rpm: Running | None = Field(None, description="Speed at full throttle, full rich. Null: not read.")
    idle_rpm: Running | None = Field(None, description="Idle speed. Null: not read.")
    power_rpm_rise: RpmRise | None = Field(
        None, description="Rise of full-throttle speed on leaning to best power; 0 for none. Null: not read."
    )
    fuel_head: FuelHead | None = Field(
        None, description="Height of the fuel in the tank over the throttle body. Null: not read."
    )
    highest: HighestIn | None = Field(
        None, description="Highest values of the run, for the engine limits. Null: not read."
    )
    sureness: Literal["sure", "unsure", "guess"] = Field(
        "sure", description="Certainty of your readings; less sure readings count less."
    )
    trace: TraceIn | None = Field(None, description="Logger file of the run, in place of egt_rise. Null: none.")

    @model_validator(mode="after")
    def _pressure(self) -> Self:
        if (self.pressure is None) == (self.altimeter_setting is None):
            seen = "neither" if self.pressure is None else "both"
            raise PydanticCustomError(
                "unusable",
                "Either pressure or altimeter_setting is needed",
                {
                    "cure": "Give one of the two. With altimeter_setting, give elevation too.",
                    "field": "pressure",
                    "seen": seen,
                },
            )
        return self

    @model_validator(mode="after")
    def _one_rise(self) -> Self:
        if self.trace is not None and self.egt_rise is not None:
            cure = "Remove egt_rise, because the logger file has the rise."
            raise PydanticCustomError(
                "unusable",
                "A run can have egt_rise or a logger file, not both",
                {"cure": cure, "field": "egt_rise", "seen": "both"},
            )
        return self

    def _air(self, elevation: Elevation | None) -> Air:
        field_elevation = self.elevation or elevation
        if self.pressure is not None:
            pressure = self.pressure.si()
        elif self.altimeter_setting is None or field_elevation is None:
            raise InvalidValueError(
                "An altimeter setting needs the elevation of the field",
                field="elevation",
                value="nothing",
                cure="Give the elevation with the run or in the set-up. Or give pressure instead.",
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
