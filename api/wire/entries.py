"""Runs and adjustments as the service speaks of them."""

import re
from datetime import UTC, datetime
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    ValidationError,
    ValidatorFunctionWrapHandler,
    WrapValidator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from api.trace.columns import Mapping
from api.wire.installation import Label
from api.wire.quantities import Elevation, Fraction, Number, Pressure, Rise, Rpm, Temperature, Whole, Wire
from model.air import station_pressure_pascal
from shared.errors import InvalidValueError
from shared.records import (
    Adjustment,
    Air,
    ChangeNeedle,
    ChangePart,
    ExhaustRise,
    Fuel,
    IdleQuality,
    Part,
    RiseSeen,
    Run,
    TurnIdleStop,
    TurnScrew,
)
from shared.units import to_si

__all__ = ["AdjustmentIn", "AdjustmentKinds", "EntryIn", "RunIn"]


_EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
_CURE = {"cure": 'Write date and time, for example "2026-05-01T10:30:00Z".'}


def _written(value: Any) -> Any:
    if isinstance(value, datetime) or (isinstance(value, str) and re.match(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d", value)):
        return value
    raise PydanticCustomError("unusable", "a time is written as text, date and time of day", _CURE)


def _in_this_age(value: datetime) -> datetime:
    """Refuse what is centuries away: the slip of a pen, and the ends of the calendar have no UTC."""
    if not _EARLIEST.year <= value.year < 9999 or _utc(value) < _EARLIEST:
        raise PydanticCustomError("unusable", "a time before the year 2000, or centuries ahead", _CURE)
    return value


def _utc(value: datetime) -> datetime:
    return value.astimezone(UTC) if value.tzinfo else value.replace(tzinfo=UTC)


def _judgement(value: Any, validate: ValidatorFunctionWrapHandler) -> Any:
    try:
        return validate(value)
    except ValidationError:
        names = ", ".join(get_args(_Judgement))
        raise PydanticCustomError(
            "unusable", "this is not one of the five judgements", {"cure": f"Use one of {names}, or 1 to 5."}
        ) from None


Time = Annotated[
    datetime,
    BeforeValidator(_written),
    AfterValidator(_in_this_age),
    Field(json_schema_extra={"examples": ["2026-05-01T10:30:00Z"]}),
]
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


class EntryIn(Wire):
    """What every entry may carry."""

    time: Time | None = Field(
        None, description="ISO 8601; without an offset it is read as UTC; left out, it is the moment of recording."
    )
    note: str = Field("", max_length=2000)

    def happened_at(self, now: datetime) -> datetime:
        """When it happened, in UTC."""
        return now if self.time is None else _utc(self.time)


_FINEST_ERROR_KELVIN = 0.1


class PeakSeen(Wire):
    """EGT rose to a peak on leaning from full rich, then fell."""

    seen: Literal["peak"]
    rise: Rise
    error: Rise | None = Field(None, description="Standard error of the rise, where it was read from a trace.")

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


class FellAtOnce(Wire):
    """EGT fell at once on leaning."""

    seen: Literal["fell_at_once"]


class RoughBeforePeak(Wire):
    """The engine ran rough before any peak; the rise so far."""

    seen: Literal["rough_before_peak"]
    rise: Rise


class TraceIn(Wire):
    """A logger's trace of the leaning sweep, as CSV text; the rise is read from it."""

    csv: str = Field(max_length=12_000_000)
    mapping: Mapping | None = None


class RunIn(EntryIn):
    """A ground run: the air, and at least one observation."""

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
    idle_rpm_rise: Rpm | None = Field(None, description="Rise of idle speed on slow leaning; 0 if there was none.")
    static_rpm: Running | None = None
    idle_rpm: Running | None = None
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
            case FellAtOnce():
                return ExhaustRise(RiseSeen.FELL_AT_ONCE)
            case PeakSeen(rise=rise, error=error) if error is not None:
                return ExhaustRise(RiseSeen.PEAK, rise.si(), error.si())
            case seen:
                return ExhaustRise(RiseSeen(seen.seen), seen.rise.si())

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
        )


class TurnScrewIn(EntryIn):
    """The needle carrier was turned: positive = needle out, richer."""

    kind: Literal["turn_screw"]
    turns: Number

    def record(self) -> Adjustment:
        """The record."""
        return TurnScrew(self.turns)


class ChangeNeedleIn(EntryIn):
    """Another needle was fitted, its mark at the slide's edge, then turned on from there."""

    kind: Literal["change_needle"]
    needle: Label
    turns_from_mark: Number = 0.0

    def record(self) -> Adjustment:
        """The record."""
        return ChangeNeedle(self.needle, self.turns_from_mark)


class TurnIdleStopIn(EntryIn):
    """The idle stop screw was turned: positive = slide further open, faster."""

    kind: Literal["turn_idle_stop"]
    turns: Number

    def record(self) -> Adjustment:
        """The record."""
        return TurnIdleStop(self.turns)


class ChangePartIn(EntryIn):
    """A part or the fuel was changed: the tuning starts again at full throttle."""

    kind: Literal["change_part"]
    part: Literal["fuel", "intake", "air_filter", "propeller", "exhaust"]
    fuel: Literal["avgas", "mogas", "mogas_e10"] | None = None

    def record(self) -> Adjustment:
        """The record."""
        return ChangePart(Part(self.part), Fuel(self.fuel) if self.fuel else None)


AdjustmentKinds = TurnScrewIn | ChangeNeedleIn | TurnIdleStopIn | ChangePartIn
AdjustmentIn = Annotated[AdjustmentKinds, Field(discriminator="kind")]
"""What was actually turned or changed; it may differ from what was suggested."""
