"""An installation as the service speaks of it."""

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator
from pydantic_core import PydanticCustomError

from taperwise.api.schemas.quantities import (
    Elevation,
    ExhaustTemperature,
    HeadTemperature,
    Length,
    Number,
    Rise,
    Rpm,
    RpmRise,
    Taper,
    Volume,
    Whole,
    Wire,
)
from taperwise.api.schemas.units import Units
from taperwise.shared.limits import StepLimits, Watch
from taperwise.shared.records import Cooling, Engine, Fuel, Installation, Needle, Targets, ThrottleBody, TurnSense

__all__ = ["InstallationIn", "Label", "NeedleIn", "Sought"]

Sense = Literal["clockwise", "counter_clockwise"]
_BODY = ThrottleBody()
_TARGETS = Targets()
_LIMITS = StepLimits()
_ENGINE = Engine()


def _mm(metres: float) -> Length:
    return Length.of(metres, "mm")


class ThrottleBodyIn(Wire):
    """Slide-type throttle body. Defaults are invented but plausible; measure yours."""

    bore: Length = Field(_mm(_BODY.bore_m), description="Bore of the body.")
    slide_stroke: Length = Field(
        _mm(_BODY.slide_stroke_m), description="Travel of the slide from closed to full throttle."
    )
    idle_opening: Length = Field(_mm(_BODY.idle_opening_m), description="Travel of the slide at the idle stop.")
    screw_pitch: Length = Field(_mm(_BODY.screw_pitch_m), description="Movement of the needle per turn of its holder.")
    idle_stop_pitch: Length = Field(
        _mm(_BODY.idle_stop_pitch_m), description="Movement of the slide per turn of the idle stop screw."
    )
    lean_direction: Sense = Field("clockwise", description="Turning the holder this way moves the needle in: leaner.")
    faster_direction: Sense = Field("clockwise", description="Turning the idle stop this way opens the slide: faster.")
    orifice_diameter: Length = Field(_mm(_BODY.orifice_diameter_m), description="Diameter of the fuel orifice.")
    needle_diameter: Length = Field(_mm(_BODY.needle_diameter_m), description="Diameter of the needle's round part.")
    mark_to_orifice: Length = Field(
        _mm(_BODY.mark_to_orifice_m),
        description="Length of taper past the orifice with the slide closed and the mark at the slide's edge.",
    )

    def record(self) -> ThrottleBody:
        """The record in SI."""
        return ThrottleBody(
            bore_m=self.bore.si(),
            slide_stroke_m=self.slide_stroke.si(),
            idle_opening_m=self.idle_opening.si(),
            screw_pitch_m=self.screw_pitch.si(),
            idle_stop_pitch_m=self.idle_stop_pitch.si(),
            lean_direction=TurnSense(self.lean_direction),
            faster_direction=TurnSense(self.faster_direction),
            orifice_diameter_m=self.orifice_diameter.si(),
            needle_diameter_m=self.needle_diameter.si(),
            mark_to_orifice_m=self.mark_to_orifice.si(),
        )


_PRINTABLE = r"^[^\x00-\x1f\x7f]*$"
Label = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=40, pattern=_PRINTABLE)]

Sought = Annotated[str, StringConstraints(strip_whitespace=True, max_length=100, pattern=_PRINTABLE)]
"""Part of an installation's name, or its number."""


class NeedleIn(Wire):
    """A needle on hand: a label of your own and its measured taper slope."""

    label: Label
    taper_slope: Taper
    retired: bool = Field(False, description="No longer on hand: the log keeps it, and no step suggests it.")


class EngineIn(Wire):
    """What makes engines similar."""

    displacement: Volume = Volume.of(_ENGINE.displacement_m3, "cc")
    cylinders: Annotated[Whole, Field(ge=1, le=12)] = _ENGINE.cylinders
    rated_rpm: Rpm = Rpm.of(_ENGINE.rated_rpm, "rpm")
    egt_probes: Annotated[Whole, Field(ge=1, le=12)] | None = Field(
        None, description="Cylinders with an exhaust probe of their own; left out: one, or as many as the traces show."
    )
    cooling: Literal["air", "liquid"] = "air"

    def record(self) -> Engine:
        """The record in SI."""
        return Engine(
            self.displacement.si(), self.cylinders, self.rated_rpm.si(), self.egt_probes, Cooling(self.cooling)
        )


class WatchIn(Wire):
    """The engine's own limits, to be watched in every run; what is left out is not watched."""

    cht: HeadTemperature | None = Field(None, description="Highest cylinder head temperature.")
    egt: ExhaustTemperature | None = Field(None, description="Highest exhaust gas temperature.")
    rpm: Rpm | None = Field(None, description="Highest speed.")

    def record(self) -> Watch:
        """The record in SI."""
        return Watch(*(None if x is None else x.si() for x in (self.cht, self.egt, self.rpm)))


class RiseBand(Wire):
    """Band of EGT rise to peak at full throttle."""

    low: Rise
    high: Rise


class RpmBand(Wire):
    """Band of speed."""

    low: Rpm
    high: Rpm

    def pair(self) -> tuple[float, float]:
        """Both ends [rpm]."""
        return self.low.si(), self.high.si()


class RpmRiseBand(Wire):
    """Band of a rise of speed."""

    low: RpmRise
    high: RpmRise


class TargetsIn(Wire):
    """What counts as right."""

    rise: RiseBand = RiseBand(low=Rise(value=70, unit="delta_degF"), high=Rise(value=130, unit="delta_degF"))
    static_rpm: RpmBand | None = None
    idle_rpm: RpmBand = RpmBand(low=Rpm(value=700, unit="rpm"), high=Rpm(value=900, unit="rpm"))
    idle_rise: RpmRiseBand = Field(
        RpmRiseBand(
            low=RpmRise.of(_TARGETS.idle_rise_rpm[0], "rpm"), high=RpmRise.of(_TARGETS.idle_rise_rpm[1], "rpm")
        ),
        description="Rise of idle speed on slow leaning, where you measure it; from 0 no rise at all is right, too.",
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
    """Limits of a suggested step; they may be tightened, never loosened."""

    quantum_turns: Number = _LIMITS.quantum_turns
    largest_turns: Number = _LIMITS.largest_turns
    lean_chance: Number = _LIMITS.lean_chance
    confirm_chance: Number = _LIMITS.confirm_chance


class InstallationIn(Wire):
    """One engine with its throttle body, the needles on hand and the targets. Only the needles have no default."""

    name: str = Field("", max_length=100, pattern=_PRINTABLE, description="A name of your own, for lists.")
    needles: Annotated[list[NeedleIn], Field(min_length=1, max_length=24)]
    fitted_needle: Label | None = Field(None, description="May be left out with a single needle.")
    throttle_body: ThrottleBodyIn = ThrottleBodyIn()
    engine: EngineIn = EngineIn()
    fuel: Literal["avgas", "mogas", "mogas_e10"] = "avgas"
    elevation: Elevation | None = Field(None, description="Of the field, where runs give only an altimeter setting.")
    targets: TargetsIn = TargetsIn()
    limits: LimitsIn = LimitsIn()
    watch: WatchIn = WatchIn()
    units: Units = Units()

    @model_validator(mode="after")
    def _fitted(self) -> Self:
        if self.fitted_needle is None and len(self.needles) > 1:
            labels = ", ".join(n.label for n in self.needles)
            raise PydanticCustomError(
                "unusable",
                "fitted_needle is needed with more than one needle",
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
            needles=tuple(Needle(n.label, n.taper_slope.si(), n.retired) for n in self.needles),
            fitted_needle=self.fitted_needle or self.needles[0].label,
            throttle_body=self.throttle_body.record(),
            engine=self.engine.record(),
            fuel=Fuel(self.fuel),
            targets=self.targets.record(),
            limits=StepLimits(**self.limits.model_dump()),
            watch=self.watch.record(),
        )
