"""A ground run in SI, immutable: the air, and what was seen, read and judged."""

from dataclasses import dataclass
from enum import IntEnum, StrEnum

from taperwise.shared.errors import InvalidValueError
from taperwise.shared.meters import meters

__all__ = [
    "OBSERVATIONS",
    "Air",
    "ExhaustRise",
    "Highest",
    "IdleQuality",
    "RiseSeen",
    "Run",
    "Sureness",
]


class RiseSeen(StrEnum):
    """What was seen on leaning slowly from full rich at full throttle."""

    PEAK = "peak"
    FELL_AT_ONCE = "fell_at_once"
    ROUGH_BEFORE_PEAK = "rough_before_peak"


class IdleQuality(IntEnum):
    """How the engine idles, an ordered judgement from lean to rich."""

    LEAN_STUMBLING = 1
    SLIGHTLY_LEAN = 2
    SMOOTH = 3
    SLIGHTLY_RICH = 4
    RICH_LOADING_UP = 5


class Sureness(StrEnum):
    """How sure the one who read the gauges and judged the idle is of it."""

    SURE = "sure"
    UNSURE = "unsure"
    GUESS = "guess"


@dataclass(frozen=True)
class Air:
    """Air at the intake: temperature [K], static pressure [Pa], relative humidity [0 to 1]."""

    temperature_kelvin: float
    pressure_pascal: float
    relative_humidity: float = 0.0


@dataclass(frozen=True)
class ExhaustRise:
    """What leaning from full rich showed, in the leanest of the cylinders that were read.

    Parameters
    ----------
    seen : RiseSeen
        A peak, a fall at once, or roughness before any peak.
    kelvin : float
        The rise to peak; for `ROUGH_BEFORE_PEAK` the rise reached so far; 0 for `FELL_AT_ONCE` [K].
    error_kelvin : float or None
        Standard error of a rise that was read from a trace; None for one read off a gauge [K].
    cylinders : int
        Cylinders that were read.
    spread_kelvin : float or None
        Mean rise of the cylinders that were read less the leanest one's [K]; None where only one was.
    """

    seen: RiseSeen
    kelvin: float = 0.0
    error_kelvin: float | None = None
    cylinders: int = 1
    spread_kelvin: float | None = None


@dataclass(frozen=True)
class Highest:
    """The highest that was seen during a run: cylinder head and exhaust temperature [K], speed [rpm]."""

    cht_kelvin: float | None = None
    egt_kelvin: float | None = None
    rpm: float | None = None


@dataclass(frozen=True)
class Run:
    """One ground run. Every observation is optional; any mix is allowed, none at all is not.

    Parameters
    ----------
    air : Air
    rise : ExhaustRise or None
        What leaning at full throttle showed.
    idle_quality : IdleQuality or None
    idle_rpm_rise : float or None
        Rise of idle speed on slow leaning [rpm]; 0 where there was none.
    static_rpm, idle_rpm : float or None
        Speeds at full throttle, full rich, and at idle [rpm].
    power_rpm_rise : float or None
        Rise of static speed on leaning from full rich to best power [rpm]; 0 where there was none.
    meters : tuple of (str, float)
        What meters show at full throttle, full rich: names of `taperwise.shared.meters`, readings in the kind's inside
        unit, positive.
    highest : Highest
    fuel_head_m : float or None
        Height of the fuel in the tank over the throttle body [m], positive; for a body that is fed without a float.
    sureness : Sureness
        Of what was read off gauges and judged; a trace speaks for itself.
    """

    air: Air
    rise: ExhaustRise | None = None
    idle_quality: IdleQuality | None = None
    idle_rpm_rise: float | None = None
    static_rpm: float | None = None
    idle_rpm: float | None = None
    power_rpm_rise: float | None = None
    meters: tuple[tuple[str, float], ...] = ()
    highest: Highest = Highest()
    fuel_head_m: float | None = None
    sureness: Sureness = Sureness.SURE

    def __post_init__(self) -> None:
        for name, reading in self.meters:
            if name not in {meter.name for meter in meters()} or not reading > 0.0:
                raise InvalidValueError(
                    "A reading needs a known meter and a positive value", field=name, value=reading,
                    cure=f"Give one of {', '.join(meter.name for meter in meters())}.",
                )  # fmt: skip
        if self.highest == Highest() and not self.channels:
            raise InvalidValueError(
                "The run has no observation",
                field="run",
                cure="Give at least one of egt_rise, idle_quality, idle_rpm_rise, static_rpm, idle_rpm, "
                f"power_rpm_rise, {', '.join(meter.name for meter in meters())}, highest.",
            )

    @property
    def channels(self) -> frozenset[str]:
        """Names of what it holds that informs the posterior: of `OBSERVATIONS`, and of meters."""
        held = {name for name in OBSERVATIONS if getattr(self, name) is not None}
        return frozenset(held | {name for name, _ in self.meters})

    def metered(self, name: str) -> float | None:
        """What the meter of that name shows, in the kind's inside unit; None if it was not read."""
        return dict(self.meters).get(name)


OBSERVATIONS = (
    "rise",
    "idle_quality",
    "idle_rpm_rise",
    "static_rpm",
    "idle_rpm",
    "power_rpm_rise",
)
"""Names of the observations of a `Run` that inform the posterior, beside its meters."""
