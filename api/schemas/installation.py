"""An installation as the service speaks of it."""

import unicodedata
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, StringConstraints, model_validator
from pydantic_core import PydanticCustomError

from taperwise.api.schemas.quantities import (
    Elevation,
    ExhaustTemperature,
    Fraction,
    HeadTemperature,
    Length,
    Number,
    Rise,
    Rpm,
    RpmRise,
    Taper,
    Temperature,
    Volume,
    Whole,
    Wire,
)
from taperwise.api.schemas.units import Units
from taperwise.model.physics.air import COLD_LOW, station_pressure_pascal
from taperwise.shared.limits import StepLimits, Watch
from taperwise.shared.records import Cooling, Engine, Fuel, Installation, Needle, Targets, ThrottleBody, TurnSense
from taperwise.shared.runs import Air

__all__ = ["InstallationIn", "Label", "NeedleIn", "Sought"]

Sense = Literal["clockwise", "counter_clockwise"]
_BODY = ThrottleBody()
_TARGETS = Targets()
_LIMITS = StepLimits()
_ENGINE = Engine()


def _mm(metres: float) -> Length:
    return Length.of(metres, "mm")


class ThrottleBodyIn(Wire):
    """Slide-type throttle body. Defaults are invented but plausible: measure yours."""

    bore: Length = Field(_mm(_BODY.bore_m), description="Diameter of the bore.")
    slide_stroke: Length = Field(
        _mm(_BODY.slide_stroke_m), description="Travel of the slide from closed to full throttle."
    )
    idle_opening: Length = Field(_mm(_BODY.idle_opening_m), description="Opening of the slide at the idle stop.")
    screw_pitch: Length = Field(
        _mm(_BODY.screw_pitch_m), description="Movement of the needle per turn of the needle holder."
    )
    idle_stop_pitch: Length = Field(
        _mm(_BODY.idle_stop_pitch_m), description="Movement of the slide per turn of the idle stop screw."
    )
    lean_direction: Sense | None = Field(
        None,
        description="Turn of the hex key that moves the needle in (leaner), as the owner saw it at the needle. Null: "
        "unknown, and no instruction names a way.",
    )
    faster_direction: Sense | None = Field(
        None,
        description="Turn of the idle stop screw that opens the slide (faster), as the owner saw it. Null: unknown, "
        "and no instruction names a way.",
    )
    orifice_diameter: Length = Field(_mm(_BODY.orifice_diameter_m), description="Diameter of the fuel orifice.")
    needle_diameter: Length = Field(_mm(_BODY.needle_diameter_m), description="Diameter of the needle's round part.")
    mark_to_orifice: Length = Field(
        _mm(_BODY.mark_to_orifice_m),
        description="Length of taper past the orifice, with the slide closed and the mark at the slide's edge.",
    )

    def record(self) -> ThrottleBody:
        """The record in SI."""
        return ThrottleBody(
            bore_m=self.bore.si(),
            slide_stroke_m=self.slide_stroke.si(),
            idle_opening_m=self.idle_opening.si(),
            screw_pitch_m=self.screw_pitch.si(),
            idle_stop_pitch_m=self.idle_stop_pitch.si(),
            lean_direction=None if self.lean_direction is None else TurnSense(self.lean_direction),
            faster_direction=None if self.faster_direction is None else TurnSense(self.faster_direction),
            orifice_diameter_m=self.orifice_diameter.si(),
            needle_diameter_m=self.needle_diameter.si(),
            mark_to_orifice_m=self.mark_to_orifice.si(),
        )


_PRINTABLE = r"^[^\x00-\x1f\x7f]*$"
_UNSEEN = ("Cc", "Cf", "Zl", "Zp")
"""Categories of Unicode's control and format characters, and of its separators of lines."""

_BLANK = "\u115f\u1160\u2800\u3164\uffa0"
"""Letters and signs without ink."""


def _seen(text: str) -> str:
    """A name that differs from others by what can be seen."""
    if any(unicodedata.category(sign) in _UNSEEN for sign in text):
        raise _unseen(text, "This has characters that nobody can see", "Type it again, without copying.")
    if text and not any(unicodedata.category(sign)[0] in "LNPS" and sign not in _BLANK for sign in text):
        raise _unseen(text, "This has no character that can be seen", "Use letters or digits.")
    return text


def _unseen(text: str, message: str, cure: str) -> PydanticCustomError:
    return PydanticCustomError("unusable", message, {"cure": cure, "seen": ascii(text)[1:-1]})


Label = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=40, pattern=_PRINTABLE),
    AfterValidator(_seen),
]

Sought = Annotated[str, StringConstraints(strip_whitespace=True, max_length=100, pattern=_PRINTABLE)]
"""Part of an installation's name, or its number."""


class NeedleIn(Wire):
    """One of the owner's needles."""

    label: Label = Field(description="Label of the needle, chosen by the owner.")
    taper_slope: Taper | None = Field(
        None, description="Measured taper slope. Null: unknown for all needles, which then go from shallow to steep."
    )
    retired: bool = Field(
        False, description="Whether the owner no longer has the needle: the log keeps it, and no step suggests it."
    )


class EngineIn(Wire):
    """Traits that make engines similar."""

    displacement: Volume = Field(Volume.of(_ENGINE.displacement_m3, "cc"), description="Displacement of all cylinders.")
    cylinders: Annotated[Whole, Field(ge=1, le=12)] = Field(_ENGINE.cylinders, description="Number of cylinders.")
    rated_rpm: Rpm = Field(Rpm.of(_ENGINE.rated_rpm, "rpm"), description="Rated speed of the engine.")
    egt_probes: Annotated[Whole, Field(ge=1, le=12)] | None = Field(
        None, description="Number of cylinders with an exhaust probe. Null: one, or as many as the logger files have."
    )
    cooling: Literal["air", "liquid"] = Field("air", description="Kind of cooling.")

    def record(self) -> Engine:
        """The record in SI."""
        return Engine(
            self.displacement.si(), self.cylinders, self.rated_rpm.si(), self.egt_probes, Cooling(self.cooling)
        )


class WatchIn(Wire):
    """Engine limits, compared with every run."""

    cht: HeadTemperature | None = Field(
        None, description="Highest cylinder head temperature allowed. Null: not watched."
    )
    egt: ExhaustTemperature | None = Field(
        None, description="Highest exhaust gas temperature allowed. Null: not watched."
    )
    rpm: Rpm | None = Field(None, description="Highest engine speed allowed. Null: not watched.")

    def record(self) -> Watch:
        """The record in SI."""
        return Watch(*(None if x is None else x.si() for x in (self.cht, self.egt, self.rpm)))


class RiseBand(Wire):
    """Target range of the EGT rise."""

    low: Rise = Field(description="Lower end of the range.")
    high: Rise = Field(description="Upper end of the range.")


class RpmBand(Wire):
    """Target range of a speed."""

    low: Rpm = Field(description="Lower end of the range.")
    high: Rpm = Field(description="Upper end of the range.")

    def pair(self) -> tuple[float, float]:
        """Both ends [rpm]."""
        return self.low.si(), self.high.si()


class RpmRiseBand(Wire):
    """Target range of a rise of speed."""

    low: RpmRise = Field(description="Lower end of the range.")
    high: RpmRise = Field(description="Upper end of the range.")


class TargetsIn(Wire):
    """Target ranges."""

    rise: RiseBand = Field(
        RiseBand(low=Rise(value=70, unit="delta_degF"), high=Rise(value=130, unit="delta_degF")),
        description="Target range of the EGT rise at full throttle.",
    )
    static_rpm: RpmBand | None = Field(None, description="Target range of the full-throttle speed. Null: not checked.")
    idle_rpm: RpmBand = Field(
        RpmBand(low=Rpm(value=700, unit="rpm"), high=Rpm(value=900, unit="rpm")),
        description="Target range of the idle speed.",
    )
    idle_rise: RpmRiseBand = Field(
        RpmRiseBand(
            low=RpmRise.of(_TARGETS.idle_rise_rpm[0], "rpm"), high=RpmRise.of(_TARGETS.idle_rise_rpm[1], "rpm")
        ),
        description="Target range of the rise of idle speed on slow leaning; from 0, no rise is in target.",
    )

    def record(self) -> Targets:
        """The record in SI."""
        return Targets(
            rise_kelvin=(self.rise.low.si(), self.rise.high.si()),
            static_rpm=self.static_rpm.pair() if self.static_rpm else None,
            idle_rpm=self.idle_rpm.pair(),
            idle_rise_rpm=(self.idle_rise.low.si(), self.idle_rise.high.si()),
        )


class LimitsIn(Wire):
    """Limits of a suggested step. You can make them tighter, but not looser."""

    quantum_turns: Number = Field(
        _LIMITS.quantum_turns, description="Smallest turn, and the step between turns [turns]."
    )
    largest_turns: Number = Field(_LIMITS.largest_turns, description="Largest turn of one suggestion [turns].")
    lean_chance: Number = Field(
        _LIMITS.lean_chance, description="Highest chance of running lean of peak at full throttle [0 to 1]."
    )
    confirm_chance: Number = Field(
        _LIMITS.confirm_chance, description="Chance of being in target from which a stage is confirmed [0 to 1]."
    )


class InstallationIn(Wire):
    """One engine with its throttle body, needles and target ranges. Everything but the needles may be missing."""

    name: Annotated[str, AfterValidator(_seen)] = Field(
        "", max_length=100, pattern=_PRINTABLE, description="Name of the engine, chosen by the owner; empty for none."
    )
    needles: Annotated[list[NeedleIn], Field(min_length=1, max_length=24)] = Field(description="The owner's needles.")
    needle_step: Fraction | None = Field(
        None,
        description="Typical step from a needle to the next steeper one, where no taper slope is measured. Null: about "
        "2 %, learned from the runs.",
    )
    fitted_needle: Label | None = Field(None, description="Label of the installed needle. Null: the only needle.")
    throttle_body: ThrottleBodyIn = Field(ThrottleBodyIn(), description="Dimensions of the throttle body.")
    engine: EngineIn = Field(EngineIn(), description="Traits of the engine.")
    fuel: Literal["avgas", "mogas", "mogas_e10"] = Field("avgas", description="Fuel in use.")
    elevation: Elevation | None = Field(
        None, description="Elevation of the home field. Null: each run gives pressure or elevation."
    )
    coldest_temperature: Temperature | None = Field(
        None,
        description="Air temperature on the coldest day this aeroplane will meet. Full throttle is tuned not to run "
        "lean of peak on that day, as far as the target range has room. Null: unknown.",
    )
    targets: TargetsIn = Field(TargetsIn(), description="Target ranges of this engine.")
    limits: LimitsIn = Field(LimitsIn(), description="Limits of a suggested step.")
    watch: WatchIn = Field(WatchIn(), description="Engine limits.")
    units: Units = Field(Units(), description="Preferred units of all answers.")

    @model_validator(mode="after")
    def _fitted(self) -> Self:
        if self.fitted_needle is None and len(self.needles) > 1:
            labels = ", ".join(n.label for n in self.needles)
            raise PydanticCustomError(
                "unusable",
                "With several needles, fitted_needle is needed",
                {"cure": f"Name one of: {labels}.", "field": "fitted_needle", "seen": "nothing"},
            )
        return self

    def in_preferred_units(self) -> "InstallationIn":
        """The same with every quantity in the preferred unit, to be checked against what was measured."""
        converted: InstallationIn = self.units.put(self)
        return converted

    def record(self) -> Installation:
        """The record in SI.

        Raises
        ------
        InvalidValueError
            If the parts do not fit together.
        """
        return Installation(
            needles=tuple(
                Needle(n.label, n.taper_slope.si() if n.taper_slope else None, n.retired) for n in self.needles
            ),
            needle_step=self.needle_step.si() if self.needle_step else None,
            fitted_needle=self.fitted_needle or self.needles[0].label,
            throttle_body=self.throttle_body.record(),
            engine=self.engine.record(),
            fuel=Fuel(self.fuel),
            targets=self.targets.record(),
            limits=StepLimits(**self.limits.model_dump()),
            watch=self.watch.record(),
            coldest_air=self._coldest_air(),
        )

    def _coldest_air(self) -> Air | None:
        """Air of the coldest day: under a winter high, where it is densest."""
        if self.coldest_temperature is None:
            return None
        height = 0.0 if self.elevation is None else self.elevation.si()
        pressure = station_pressure_pascal(COLD_LOW.pressure_pascal, height)
        return Air(self.coldest_temperature.si(), pressure, COLD_LOW.relative_humidity)
