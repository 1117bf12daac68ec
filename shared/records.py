"""Records of an installation and its log, in SI, immutable.

A log is a sequence of entries, runs and adjustments, in the order in which they happened.
"""

import math
import unicodedata
from dataclasses import dataclass, field
from enum import StrEnum

from taperwise.shared.errors import InvalidValueError, OutOfRangeError, UnknownNeedleError
from taperwise.shared.limits import PLAUSIBLE_TURNS, StepLimits, Watch
from taperwise.shared.runs import Air, Run

__all__ = [
    "AcceptSetting",
    "Acknowledge",
    "Adjustment",
    "ChangeNeedle",
    "ChangePart",
    "Cooling",
    "Engine",
    "Entry",
    "Fuel",
    "Installation",
    "Needle",
    "Part",
    "Targets",
    "ThrottleBody",
    "TurnIdleStop",
    "TurnScrew",
    "TurnSense",
]


_MOST_APART = 2.0  # slope of the steepest needle over that of the middle one; judgement


class TurnSense(StrEnum):
    """Way of turning, seen from the hex key."""

    CLOCKWISE = "clockwise"
    COUNTER_CLOCKWISE = "counter_clockwise"

    def opposite(self) -> "TurnSense":
        """The other sense."""
        return TurnSense.COUNTER_CLOCKWISE if self is TurnSense.CLOCKWISE else TurnSense.CLOCKWISE


class Fuel(StrEnum):
    """Fuel, for its stoichiometric ratio and density."""

    AVGAS = "avgas"
    MOGAS = "mogas"
    MOGAS_E10 = "mogas_e10"


class Cooling(StrEnum):
    """What carries the engine's heat away."""

    AIR = "air"
    LIQUID = "liquid"


class Part(StrEnum):
    """A part (or the fuel) whose change sends the tuning back to full throttle."""

    FUEL = "fuel"
    INTAKE = "intake"
    AIR_FILTER = "air_filter"
    PROPELLER = "propeller"
    EXHAUST = "exhaust"


@dataclass(frozen=True)
class ThrottleBody:
    """Slide-type throttle body; lengths in metres.

    The defaults are an invented, plausible body: with them an eighth of a turn is a fine but
    visible step at full throttle and several per cent of mixture at idle.

    Parameters
    ----------
    bore_m : float
        Bore of the body.
    slide_stroke_m : float
        Travel of the slide from closed to full throttle.
    idle_opening_m : float
        Travel of the slide at the idle stop.
    screw_pitch_m : float
        Movement of the needle per turn of the holder.
    idle_stop_pitch_m : float
        Movement of the slide per turn of the idle stop screw.
    lean_direction : TurnSense or None
        Sense in which the holder moves the needle in (leaner); None where the owner has not said.
    faster_direction : TurnSense or None
        Sense in which the idle stop screw opens the slide; None where the owner has not said.
    orifice_diameter_m, needle_diameter_m : float
        Fuel orifice, and the round part of the needle in it.
    mark_to_orifice_m : float
        Length of taper past the orifice with the slide closed and the mark at the slide's edge.
    """

    bore_m: float = 0.034
    slide_stroke_m: float = 0.031
    idle_opening_m: float = 0.003
    screw_pitch_m: float = 0.0025
    idle_stop_pitch_m: float = 0.001
    lean_direction: TurnSense | None = None
    faster_direction: TurnSense | None = None
    orifice_diameter_m: float = 0.00302
    needle_diameter_m: float = 0.003
    mark_to_orifice_m: float = 0.003

    def __post_init__(self) -> None:
        if self.orifice_diameter_m <= self.needle_diameter_m:
            raise InvalidValueError(
                "The fuel orifice must be wider than the needle",
                field="throttle_body.orifice_diameter",
                value=f"{self.orifice_diameter_m * 1e3:g} mm",
                cure=f"Give more than the needle's {self.needle_diameter_m * 1e3:g} mm.",
            )
        if self.idle_opening_m >= 0.5 * self.slide_stroke_m:
            raise InvalidValueError(
                "The slide must be less than half open at idle",
                field="throttle_body.idle_opening",
                value=f"{self.idle_opening_m * 1e3:g} mm",
                cure=f"Give less than half the stroke of {self.slide_stroke_m * 1e3:g} mm.",
            )


@dataclass(frozen=True)
class Needle:
    """A metering needle: its label and its measured taper slope (depth of flat per length) [-]; None: not measured.

    One that is retired stays in the log, and is suggested no more; nothing that is learned turns on that.
    """

    label: str
    taper_slope: float | None = None
    retired: bool = field(default=False, repr=False)


@dataclass(frozen=True)
class Engine:
    """What makes engines similar: displacement [m³], cylinders, rated speed [rpm], cooling; and its exhaust probes.

    `egt_probes` is the number of cylinders with a probe; None: one, or as many as the traces show.
    """

    displacement_m3: float = 0.0022
    cylinders: int = 4
    rated_rpm: float = 3300.0
    egt_probes: int | None = None
    cooling: Cooling = Cooling.AIR

    def __post_init__(self) -> None:
        if self.egt_probes is not None and not 1 <= self.egt_probes <= self.cylinders:
            raise InvalidValueError(
                f"Probes should be between 1 and {self.cylinders}, the number of cylinders",
                field="engine.egt_probes",
                value=self.egt_probes,
                cure="Count the cylinders with an exhaust probe of their own.",
            )


@dataclass(frozen=True)
class Targets:
    """What counts as right.

    Parameters
    ----------
    rise_kelvin : tuple of float
        Band of EGT rise to peak at full throttle [K]; default 70 to 130 °F.
    static_rpm : tuple of float or None
        Band the static speed should fall in [rpm], if one is known for this propeller.
    idle_rpm : tuple of float
        Band of idle speed [rpm].
    idle_rise_rpm : tuple of float
        Band of the rise of idle speed on slow leaning [rpm], for owners who measure it; from nought where no rise at
        all is right, too. FAA-H-8083-32 calls 25 to 50 rpm usually satisfactory: one handbook, for one kind of
        engine. The default leaves room for other engines and for the scatter of a reading; judgement.
    """

    rise_kelvin: tuple[float, float] = (70 / 1.8, 130 / 1.8)
    static_rpm: tuple[float, float] | None = None
    idle_rpm: tuple[float, float] = (700.0, 900.0)
    idle_rise_rpm: tuple[float, float] = (0.0, 70.0)

    def __post_init__(self) -> None:
        bands = {"rise": self.rise_kelvin, "static_rpm": self.static_rpm, "idle_rpm": self.idle_rpm}
        for name, band in bands.items():
            if band is not None and not 0 < band[0] < band[1]:
                raise InvalidValueError(
                    "A target range needs a lower and a higher end, both above zero",
                    field=f"targets.{name}",
                    value=band,
                    cure="Swap the ends, or widen the target range.",
                )
        low, high = self.idle_rise_rpm
        if not 0.0 <= low < high:
            raise InvalidValueError(
                "A target range needs a lower and a higher end, none below zero",
                field="targets.idle_rise",
                value=self.idle_rise_rpm,
                cure="Swap the ends, or widen the target range.",
            )


@dataclass(frozen=True)
class Installation:
    """One engine with its throttle body, the needles on hand and the targets.

    All needles have a slope, or none has: then they are known by their order, from shallow to steep, and `needle_step`
    is the typical ratio of one's slope to that of the one before, less one [-]; None: not known either.

    Parameters
    ----------
    coldest_air : Air or None
        Of the coldest day this aeroplane will meet; full throttle is right only where it is not lean of peak then, if
        the band has room for it. None: nobody said.
    """

    needles: tuple[Needle, ...]
    fitted_needle: str
    throttle_body: ThrottleBody = field(default_factory=ThrottleBody)
    engine: Engine = field(default_factory=Engine)
    fuel: Fuel = Fuel.AVGAS
    targets: Targets = field(default_factory=Targets)
    limits: StepLimits = field(default_factory=StepLimits)
    watch: Watch = field(default_factory=Watch)
    coldest_air: Air | None = None
    needle_step: float | None = None

    def __post_init__(self) -> None:
        labels = [n.label for n in self.needles]
        if len({unicodedata.normalize("NFKC", label) for label in labels}) != len(labels):  # they look the same
            raise InvalidValueError(
                "Two needles have the same label", field="needles", value=labels, cure="Give each a label of its own."
            )
        self.needle(self.fitted_needle, field="fitted_needle")
        self._check_order()
        body = self.throttle_body
        reach = body.slide_stroke_m + body.mark_to_orifice_m + PLAUSIBLE_TURNS * body.screw_pitch_m
        steepest = body.needle_diameter_m / reach * 1e3
        for i, needle in enumerate(self.needles):
            if needle.taper_slope is not None and needle.taper_slope * reach >= body.needle_diameter_m:
                raise OutOfRangeError(
                    "This taper slope would cut the needle through within the slide's travel",
                    field=f"needles.{i}.taper_slope",
                    value=f"{needle.taper_slope * 1e3:g} mm/m",
                    cure=f"Give less than {steepest:.1f} mm/m, or correct the diameter or stroke.",
                )

    def _check_order(self) -> None:
        unmeasured = [i for i, n in enumerate(self.needles) if n.taper_slope is None]
        if unmeasured and len(unmeasured) < len(self.needles):
            raise InvalidValueError(
                f"needle {self.needles[unmeasured[0]].label} has no taper slope, and others have one",
                field=f"needles.{unmeasured[0]}.taper_slope",
                value="nothing",
                cure="Measure it, or leave every taper slope empty and list the needles from shallow to steep.",
            )
        if self.needle_step is None:
            return
        if not unmeasured:
            raise InvalidValueError(
                "the taper slopes say already how far the needles are apart",
                field="needle_step",
                value=f"{100.0 * self.needle_step:.3g} %",
                cure="Remove this figure, or remove every taper slope.",
            )
        largest = math.floor(100.0 * (_MOST_APART ** (2.0 / max(len(self.needles) - 1, 1)) - 1.0))
        if not 0.0 < 100.0 * self.needle_step <= largest + 1e-9:
            raise OutOfRangeError(
                f"should be above 0 % and at most {largest} % with {len(self.needles)} needles",
                field="needle_step",
                value=f"{100.0 * self.needle_step:.3g} %",
                cure="Give by how many per cent the next needle is usually steeper, or give no figure.",
            )

    @property
    def by_order(self) -> bool:
        """Whether the needles are known by their order alone."""
        return self.needles[0].taper_slope is None

    @property
    def shallow_to_steep(self) -> tuple[Needle, ...]:
        """The needles on hand, shallowest first."""
        return tuple(sorted(self.needles, key=lambda n: n.taper_slope or 0.0))

    def usable(self, fitted: str) -> tuple[Needle, ...]:
        """The needles on hand, and the one that is fitted, shallowest first."""
        return tuple(n for n in self.shallow_to_steep if not n.retired or n.label == fitted)

    def needle(self, label: str, *, field: str = "needle") -> Needle:
        """The needle with that label.

        Raises
        ------
        UnknownNeedleError
            If no needle on hand carries it.
        """
        for n in self.needles:
            if n.label == label:
                return n
        known = ", ".join(n.label for n in self.needles)
        raise UnknownNeedleError(
            "This needle is not one of your needles", field=field, value=label, cure=f"Your needles: {known}."
        )


@dataclass(frozen=True)
class TurnScrew:
    """The needle holder was turned: positive = needle out, richer [turns]."""

    turns: float

    def __post_init__(self) -> None:
        _plausible(self.turns, "turns")


@dataclass(frozen=True)
class ChangeNeedle:
    """Another needle was fitted, its mark at the slide's edge, then turned on from there [turns]."""

    needle: str
    turns_from_mark: float = 0.0

    def __post_init__(self) -> None:
        _plausible(self.turns_from_mark, "turns_from_mark")


@dataclass(frozen=True)
class TurnIdleStop:
    """The idle stop screw was turned: positive = slide further open, faster [turns]."""

    turns: float

    def __post_init__(self) -> None:
        _plausible(self.turns, "turns")


@dataclass(frozen=True)
class ChangePart:
    """A part or the fuel was changed; for the fuel, `fuel` says to what."""

    part: Part
    fuel: Fuel | None = None


@dataclass(frozen=True)
class Acknowledge:
    """Somebody found out why a limit was exceeded, or a run was not as foretold, and says so."""

    cause: str


@dataclass(frozen=True)
class AcceptSetting:
    """The owner accepts the setting at the chance that was stated, though it is not confirmed; until it is changed."""

    words: str


Adjustment = TurnScrew | ChangeNeedle | TurnIdleStop | ChangePart
Entry = Run | Adjustment | Acknowledge | AcceptSetting


def _plausible(turns: float, name: str) -> None:
    if not abs(turns) <= PLAUSIBLE_TURNS:
        raise OutOfRangeError(
            f"Turns should be between -{PLAUSIBLE_TURNS:g} and {PLAUSIBLE_TURNS:g}",
            field=name,
            value=turns,
            cure="Check the number. If you set the needle again at its mark, record a needle change.",
        )
