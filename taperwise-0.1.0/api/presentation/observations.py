"""Everything a run may show, as people read and type it: one row each.

Lines of the history, messages, the form, the exported table: all go through these rows. What an observation is on the
wire stands in `taperwise.api.schemas.run`; a meter's row comes from `taperwise.shared.meters`.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from taperwise.api.presentation.idle_text import IDLE_LEVELS, rise_means
from taperwise.api.schemas.quantities import Quantity
from taperwise.api.schemas.run import FellAtOnce, PeakSeen, RoughBeforePeak, RunIn
from taperwise.api.schemas.units import Units
from taperwise.shared.meters import meters
from taperwise.shared.records import Targets
from taperwise.shared.units import KINDS

__all__ = ["OBSERVATIONS", "Level", "Observation", "asked"]

Place = Literal["", "idle", "speed", "rise", "meter", "highest", "air"]


class Level(NamedTuple):
    """One of the levels of a judgement: its value on the wire, its name, how it shows itself."""

    value: str
    name: str
    looks: str = ""


@dataclass(frozen=True)
class Observation:
    """An observation as people read and type it: a quantity, a judgement, or one that is written in its own way.

    Parameters
    ----------
    name : str
        Its field of a run; dotted where it stands below another.
    words : str
        What a line calls it.
    kind : str
        Of its quantity, a key of `taperwise.shared.units.KINDS`; empty for a judgement.
    label, hint : str
        What the form asks, and what to know before typing it. A judgement without a label has the legend of its place.
    place : str
        Where the form asks for it: with the idle, or under *More* in the order of `Place`. Empty: in fields of its own.
    column : str
        Heading in the exported table; empty for none.
    levels : tuple of Level
        Of a judgement, in order.
    named : str
        What a message calls it, if otherwise than a line.
    below : str
        Field below `name` that holds the quantity.
    written : callable, optional
        How a line says it, name and value, if it is more than one quantity; its second argument writes a quantity.
    means : callable, optional
        What the quantity means, in words; it takes the inside value and what the owner calls right.
    """

    name: str
    words: str
    kind: str = ""
    label: str = ""
    hint: str = ""
    place: Place = ""
    column: str = ""
    levels: tuple[Level, ...] = ()
    named: str = ""
    below: str = ""
    written: Callable[[Any, Callable[[Quantity], str]], tuple[str, str]] | None = None
    means: Callable[[float, Targets], str] | None = None

    def of(self, run: RunIn) -> Any:
        """What a run holds of it; None if nothing."""
        value: Any = run
        for name in self.name.split("."):
            value = getattr(value, name, None)
        return value

    def level(self, value: str | int) -> Level:
        """The level that a value on the wire stands for, its name or its number."""
        return next(level for number, level in enumerate(self.levels, 1) if value in (level.value, number))

    def line(self, run: RunIn, said: Callable[[Quantity], str]) -> tuple[str, str] | None:
        """Name and value for a line; None if the run does not hold it."""
        value = self.of(run)
        if value is None:
            return None
        if self.written is not None:
            return self.written(value, said)
        return self.words, self.level(value).name if self.levels else said(value)

    def cell(self, run: RunIn, units: Units) -> str | float | None:
        """What stands in the exported table; None if the run does not hold it."""
        value = self.of(run)
        if self.below:
            value = getattr(value, self.below, None)
        if value is None:
            return None
        found: str | float = self.level(value).value if self.levels else units.put(value).value
        return found


def _rise(seen: PeakSeen | FellAtOnce | RoughBeforePeak, said: Callable[[Quantity], str]) -> tuple[str, str]:
    match seen:
        case PeakSeen(rise=rise, error=error):
            return "EGT rise", said(rise) + (f" ± {said(error)}" if error else "")
        case FellAtOnce():
            return "EGT", "fell at once"
        case RoughBeforePeak(rise=rise):
            return "EGT", f"rough before a peak, rise so far {said(rise)}"


OBSERVATIONS = (
    Observation("egt_rise", "EGT rise", "temperature_rise", column="EGT rise", below="rise", written=_rise),
    Observation(
        "idle_quality", "idle", place="idle", column="idle", named="how it idles",
        levels=tuple(Level(key.name.lower(), level.name, level.looks) for key, level in IDLE_LEVELS.items()),
    ),
    Observation("idle_rpm", "idle speed", "rpm", "Idle speed", place="idle", column="idle speed"),
    Observation(
        "idle_rpm_rise", "rise of idle speed", "rpm_rise", "Rise of idle speed on slow leaning", "0 if there was none.",
        place="rise", column="rise of idle speed",
        means=lambda rpm, targets: rise_means(rpm, targets.idle_rise_rpm),
    ),
    Observation(
        "static_rpm", "static speed", "rpm", "Speed at full throttle, full rich", place="speed", column="static speed"
    ),
    Observation(
        "power_rpm_rise", "rise to best power", "rpm_rise", "Rise of full-throttle speed on leaning to best power",
        "0 if there was none.", place="rise", column="rise to best power",
    ),
    *(
        Observation(meter.name, meter.words, meter.kind, meter.label, meter.hint, place="meter", column=meter.words)
        for meter in meters()
    ),
    Observation(
        "relative_humidity", "humidity", "fraction", "Relative humidity", place="air", named="relative humidity"
    ),
    Observation(
        "fuel_head", "head of fuel", "fuel_head", "Height of the fuel over the throttle body",
        "Read the level in the tank. A throttle body without a float runs leaner as the level falls.",
        place="air", column="head of fuel",
    ),
    Observation(
        "highest.cht", "highest head temperature", "head_temperature", "Highest cylinder head temperature",
        place="highest", column="highest CHT",
    ),
    Observation(
        "highest.egt", "highest EGT", "exhaust_temperature", "Highest exhaust gas temperature",
        place="highest", column="highest EGT",
    ),
    Observation("highest.rpm", "highest speed", "rpm", "Highest speed", place="highest", column="highest speed"),
)  # fmt: skip
"""In the order in which a line tells them."""


def asked(units: Units, *places: Place) -> list[tuple[Observation, str]]:
    """What the form asks for at these places, place by place, each with the unit it starts with."""
    return [
        (each, getattr(units, each.kind, KINDS[each.kind].units[0]) if each.kind else "")
        for place in places
        for each in OBSERVATIONS
        if each.place == place
    ]
