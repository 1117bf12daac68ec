"""Why the model answers as it does: codes and numbers, in SI; the presentation makes sentences of them."""

from dataclasses import dataclass
from enum import StrEnum

__all__ = [
    "Exceeded",
    "FaultKind",
    "IdealSlope",
    "IdealSteps",
    "InspectCause",
    "Inspection",
    "Notice",
    "NoticeCode",
    "Reason",
    "ReasonCode",
    "Refusal",
    "RefusalCode",
    "Suspicion",
    "Watched",
]


class FaultKind(StrEnum):
    """What may be wrong other than the setting."""

    TURN_WRONG_WAY = "turn_wrong_way"
    TURN_NOT_MADE = "turn_not_made"
    WEATHER = "weather"
    PROBE = "probe"
    MARK_SET_WRONG = "mark_set_wrong"
    PART_CHANGED = "part_changed"
    INDUCTION_LEAK = "induction_leak"
    FUEL_FLOW_LIMIT = "fuel_flow_limit"
    MIXTURE_CONTROL = "mixture_control"
    SLIDE_SHORT = "slide_short"
    FILTER_PLUGGED = "filter_plugged"
    NONE_OF_THESE = "none_of_these"


@dataclass(frozen=True)
class Suspicion:
    """A possible fault.

    Parameters
    ----------
    kind : FaultKind
    chance : float
        Its probability.
    since_run : int
        Number of the run with which it most likely began.
    """

    kind: FaultKind
    chance: float
    since_run: int


class Watched(StrEnum):
    """Quantities that the engine has limits of."""

    HEAD_TEMPERATURE = "head_temperature"
    EXHAUST_TEMPERATURE = "exhaust_temperature"
    SPEED = "speed"


@dataclass(frozen=True)
class Exceeded:
    """A limit of the engine that a run exceeded.

    Parameters
    ----------
    quantity : Watched
    reached, limit : float
        What was reached, and what may be [K or rpm].
    """

    quantity: Watched
    reached: float
    limit: float


@dataclass(frozen=True)
class IdealSlope:
    """The taper slope that would be right at both ends, and where it lies among the needles on hand.

    Parameters
    ----------
    low_90, median, high_90 : float
        Slope [-, depth per length].
    shallower, steeper : str or None
        Labels of the needles next to it; None where none is on that side, the same label where one has that slope.
    """

    low_90: float
    median: float
    high_90: float
    shallower: str | None
    steeper: str | None


@dataclass(frozen=True)
class IdealSteps:
    """How far from the fitted needle the right one stands, where the needles are known by order alone.

    Parameters
    ----------
    low_90, median, high_90 : float
        Steps from needle to needle, + = steeper.
    fitted : str
        Label of the needle fitted.
    place, of : int
        Its place from the shallowest, from 1, and the number of needles on hand.
    """

    low_90: float
    median: float
    high_90: float
    fitted: str
    place: int
    of: int


class InspectCause(StrEnum):
    """Reasons to check before anything is turned."""

    LIMIT_EXCEEDED = "limit_exceeded"
    NOT_AS_FORETOLD = "not_as_foretold"
    NO_NEEDLE_FITS = "no_needle_fits"
    NOT_TO_BE_SETTLED = "not_to_be_settled"
    TOO_FAR_TO_GO = "too_far_to_go"
    STATIC_SPEED_OUT = "static_speed_out"
    RISE_STUCK = "rise_stuck"


@dataclass(frozen=True)
class HeldBack:
    """A turn leaner that full throttle asks for, and that the lean limit forbids.

    Parameters
    ----------
    turns : float
        Of the needle holder; negative [turns].
    full_throttle : float
        Chance that full throttle is right after it.
    lean, most : float
        Chance that a cylinder runs lean of peak after it, and the limit.
    unseen_cylinders : bool
        Whether some cylinders have no exhaust probe.
    """

    turns: float
    full_throttle: float
    lean: float
    most: float
    unseen_cylinders: bool


@dataclass(frozen=True)
class Inspection:
    """What is to be looked at, and why; what does not belong to the cause is empty.

    Parameters
    ----------
    cause : InspectCause
    exceeded : tuple of Exceeded
        Each limit once for every figure that was reached.
    likeliest : tuple of Suspicion
        Stories to name, the likeliest first.
    worth_a_look : tuple of Suspicion
        Stories whose cause is to be looked at, the cheapest first.
    best_needle : str or None
        The most promising needle on hand.
    best_chance : float or None
        Chance of both ends right at its best setting.
    chance_now : float or None
        Chance that the setting is right as it stands: both ends, or the idle speed where its band is given.
    ideal_slope : IdealSlope, IdealSteps or None
    idle_rpm_band : tuple of float or None
        The idle speed's band, where it is the idle speed that cannot be settled [rpm].
    held_back : HeldBack or None
        What keeps full throttle at the edge of its band, where that is the lean limit.
    static_rpm, static_rpm_band : float and tuple of float, or None
        Static speed with this mixture and the band the owner expects of it, where it lies outside [rpm].
    richer_turns : float or None
        What the needle holder was turned richer while the EGT rise did not grow [turns].
    rises_kelvin : tuple of float or None
        The rise before and after it [K].
    """

    cause: InspectCause
    exceeded: tuple[Exceeded, ...] = ()
    likeliest: tuple[Suspicion, ...] = ()
    worth_a_look: tuple[Suspicion, ...] = ()
    best_needle: str | None = None
    best_chance: float | None = None
    chance_now: float | None = None
    ideal_slope: IdealSlope | IdealSteps | None = None
    idle_rpm_band: tuple[float, float] | None = None
    held_back: HeldBack | None = None
    static_rpm: float | None = None
    static_rpm_band: tuple[float, float] | None = None
    richer_turns: float | None = None
    rises_kelvin: tuple[float, float] | None = None


class RefusalCode(StrEnum):
    """Why a step may not be suggested."""

    LEAN_OF_PEAK = "lean_of_peak"
    LEADS_AWAY = "leads_away"
    LOSES_FULL_THROTTLE = "loses_full_throttle"
    IDLE_NOT_SEEN = "idle_not_seen"
    ONE_RUN_IS_NOT_ENOUGH = "one_run_is_not_enough"
    KNOWN_TO_BE_WRONG = "known_to_be_wrong"


@dataclass(frozen=True)
class Refusal:
    """Why a step may not be suggested, with the chances the reason rests on.

    Parameters
    ----------
    code : RefusalCode
    chance : float or None
        Of running lean of peak, or of full throttle in its band; by `code`.
    chance_now : float or None
        Of running lean of peak as it stands.
    limit : float or None
        What the chance of running lean of peak may be at most.
    """

    code: RefusalCode
    chance: float | None = None
    chance_now: float | None = None
    limit: float | None = None


class ReasonCode(StrEnum):
    """Why this is the next step and no other."""

    LIMIT_EXCEEDED = "limit_exceeded"
    NOT_AS_FORETOLD = "not_as_foretold"
    NOT_TRUSTED = "not_trusted"
    STATIC_SPEED_OUT = "static_speed_out"
    RISE_STUCK = "rise_stuck"
    ALL_CONFIRMED = "all_confirmed"
    ACCEPTED = "accepted"
    NOT_SEEN_YET = "not_seen_yet"
    NO_NEEDLE_FITS = "no_needle_fits"
    ALL_REFUSED = "all_refused"
    NOT_SETTLED = "not_settled"
    TO_AND_FRO = "to_and_fro"
    TOO_FAR_TO_GO = "too_far_to_go"
    ONLY_STEP_AS_GOOD = "only_step_as_good"
    SMALLEST_STEP_AS_GOOD = "smallest_step_as_good"
    SURE_WHERE_THIS_IS_NOT = "sure_where_this_is_not"
    RICHER_BEFORE_READING = "richer_before_reading"
    RICHER_TO_BE_SAFE = "richer_to_be_safe"
    FITTED_NEEDLE_CANNOT = "fitted_needle_cannot"


@dataclass(frozen=True)
class Reason:
    """Why this is the next step; the chances before and after it are the answer's own.

    Parameters
    ----------
    code : ReasonCode
    alike : int or None
        How many steps are as good, for the smallest of them.
    """

    code: ReasonCode
    alike: int | None = None


class NoticeCode(StrEnum):
    """What the reader must know about an answer."""

    RUNS_LEFT_OUT = "runs_left_out"
    NOT_CONVERGED = "not_converged"
    LEAN_IN_DENSER_AIR = "lean_in_denser_air"
    NEEDLES_MAY_NOT_FIT = "needles_may_not_fit"


@dataclass(frozen=True)
class Notice:
    """What the reader must know about an answer.

    Parameters
    ----------
    code : NoticeCode
    runs : int or None
        How many runs were left out.
    density_ratio : float or None
        Of the denser air, over 1.225 kg/m³ [-].
    chance : float or None
        Of running lean of peak in it, or that one of the needles on hand fits.
    ideal_slope : IdealSlope, IdealSteps or None
        The needle that would fit.
    """

    code: NoticeCode
    runs: int | None = None
    density_ratio: float | None = None
    chance: float | None = None
    ideal_slope: IdealSlope | IdealSteps | None = None
