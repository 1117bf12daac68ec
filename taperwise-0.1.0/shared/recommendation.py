"""What the model answers: confidence, predictions, candidates, the suggestion. In SI, immutable.

*Mixture* here is phi over phi at peak EGT (1 = at peak, above 1 = rich of peak) [-].
"""

from dataclasses import dataclass, field
from enum import StrEnum

from taperwise.shared.outlook import ColdestAir, NeedleProspect, ReadingWorth, RunsToFinish
from taperwise.shared.reasons import InspectCause, Inspection, Notice, Reason, Refusal, Suspicion
from taperwise.shared.records import Adjustment, ChangeNeedle, TurnIdleStop, TurnScrew, TurnSense

__all__ = [
    "Action",
    "ActionKind",
    "AirOutlook",
    "Candidate",
    "Confidence",
    "Diagnostics",
    "Holding",
    "Information",
    "Interval",
    "MostInformative",
    "Prediction",
    "Provenance",
    "Stage",
    "StageConfidence",
    "Suggestion",
]


class Stage(StrEnum):
    """Stages of a tuning, in their order."""

    FULL_THROTTLE = "full_throttle"
    IDLE_MIXTURE = "idle_mixture"
    IDLE_SPEED = "idle_speed"
    TUNED = "tuned"


class ActionKind(StrEnum):
    """Kinds of next step."""

    TURN_SCREW = "turn_screw"
    CHANGE_NEEDLE = "change_needle"
    TURN_IDLE_STOP = "turn_idle_stop"
    REPEAT_RUN = "repeat_run"
    KEEP = "keep"
    INSPECT = "inspect"


@dataclass(frozen=True)
class Interval:
    """Median and central 50 % and 90 % intervals of one quantity, in its own unit."""

    median: float
    low_50: float
    high_50: float
    low_90: float
    high_90: float


@dataclass(frozen=True)
class StageConfidence:
    """How sure a stage is right.

    Parameters
    ----------
    chance_in_band : float or None
        Probability that the present setting is within the stage's band; None where there is
        nothing to judge it by.
    observed : bool
        Whether the stage has been looked at since the last change that touches it.
    confirmed : bool
        `observed`, and the chance that this stage and those before it are right together reaches the
        limit `confirm_chance`.
    """

    chance_in_band: float | None
    observed: bool
    confirmed: bool


@dataclass(frozen=True)
class Confidence:
    """How sure the service is of the present setting.

    Parameters
    ----------
    stage : Stage
        First stage that is not confirmed.
    full_throttle, idle_mixture, idle_speed : StageConfidence
        The three stages.
    chance_both : float
        Probability that full throttle and idle mixture are both in band.
    lean_chance : float
        Probability that the engine is lean of peak at full throttle as it stands.
    offset_turns : Interval
        Screw turns from here to the centre of the full-throttle band; positive = out, richer [turns].
    taper_misfit : Interval or None
        Ideal taper slope less the fitted needle's [-, depth per length]; None where needles are known by order alone.
    taper_steps : Interval or None
        The same in steps along needles known by order, + = steeper; None where slopes were measured.
    position_turns : float
        Cumulative screw position since the mark of the fitted needle was at the slide's edge [turns].
    idle_stop_turns : float
        Cumulative position of the idle stop screw since the record began [turns].
    fitted_needle : str
        Label of the needle fitted now.
    runs : int
        Runs in the record; `runs_used` of them inform the posterior.
    runs_used : int
    runs_here : int
        Runs made since anything was last turned or changed.
    suspicions : tuple of Suspicion
        Stories about the latest runs, the cheapest to look at first; empty where none can be told, or the latest run
        was acknowledged.
    """

    stage: Stage
    full_throttle: StageConfidence
    idle_mixture: StageConfidence
    idle_speed: StageConfidence
    chance_both: float
    lean_chance: float
    offset_turns: Interval
    taper_misfit: Interval | None
    position_turns: float
    idle_stop_turns: float
    fitted_needle: str
    runs: int
    runs_used: int
    runs_here: int = 0
    suspicions: tuple[Suspicion, ...] = ()
    taper_steps: Interval | None = None

    @property
    def doubt(self) -> float:
        """Chance that not all about the latest runs is as recorded."""
        return sum(s.chance for s in self.suspicions)


@dataclass(frozen=True)
class Prediction:
    """What a setting should show, with all that is uncertain integrated out.

    Parameters
    ----------
    needle : str
        Needle fitted.
    position_turns : float
        Screw position from the mark [turns].
    density_ratio : float
        Air density over 1.225 kg/m³ [-].
    rise_kelvin : Interval
        EGT rise a reading would show, noise included; 0 where it falls at once [K].
    fell_at_once_chance, rough_before_peak_chance : float
        Probability of the two outcomes that are no reading.
    mixture_full_throttle, mixture_idle : Interval
        Mixture relative to peak EGT, noise-free [-].
    idle_quality : tuple of float
        Probabilities of the five judgements, leanest first.
    idle_rpm : Interval
        Idle speed a reading would show [rpm].
    chance_full_throttle, chance_idle, chance_both, lean_chance : float
        Probabilities that the setting is in band at full throttle, at idle, at both; lean of peak at full throttle.
    """

    needle: str
    position_turns: float
    density_ratio: float
    rise_kelvin: Interval
    fell_at_once_chance: float
    rough_before_peak_chance: float
    mixture_full_throttle: Interval
    mixture_idle: Interval
    idle_quality: tuple[float, float, float, float, float]
    idle_rpm: Interval
    chance_full_throttle: float
    chance_idle: float
    chance_both: float
    lean_chance: float


@dataclass(frozen=True)
class Action:
    """One thing to do.

    Parameters
    ----------
    kind : ActionKind
    turns : float or None
        Signed screw step (positive = richer, or faster at the idle stop) [turns].
    needle : str or None
        Needle to fit.
    turns_from_mark : float or None
        Where to set a new needle, from the mark at the slide's edge [turns].
    hex_direction : TurnSense or None
        Sense in which to turn, seen from the hex key; None where the owner has not said which way is which.
    effect : str or None
        ``richer``, ``leaner``, ``steeper``, ``shallower``, ``faster`` or ``slower``.
    needle_steps : int or None
        How many of the needles on hand further along a new one is; positive = steeper.
    inspection : Inspection or None
        What to look at before turning, for `INSPECT`.
    """

    kind: ActionKind
    turns: float | None = None
    needle: str | None = None
    turns_from_mark: float | None = None
    hex_direction: TurnSense | None = None
    effect: str | None = None
    needle_steps: int | None = None
    inspection: Inspection | None = None

    @property
    def cause(self) -> InspectCause | None:
        """Why to look before turning; None where nothing is to be looked at."""
        return None if self.inspection is None else self.inspection.cause

    def adjustments(self) -> tuple[Adjustment, ...]:
        """What to record when the action was carried out to the letter; nothing for a repeat."""
        if self.kind is ActionKind.TURN_SCREW and self.turns is not None:
            return (TurnScrew(self.turns),)
        if self.kind is ActionKind.TURN_IDLE_STOP and self.turns is not None:
            return (TurnIdleStop(self.turns),)
        if self.kind is ActionKind.CHANGE_NEEDLE and self.needle is not None:
            return (ChangeNeedle(self.needle, self.turns_from_mark or 0.0),)
        return ()


@dataclass(frozen=True)
class Information:
    """What a run is expected to teach about offset and taper misfit.

    Parameters
    ----------
    nats : float
        Expected information gain about both together [nats].
    mcse : float
        Its Monte Carlo standard error [nats].
    offset_sd : float or None
        Standard deviation of the offset that is expected after the run [turns].
    taper_sd : float or None
        The same of the taper misfit [-].
    """

    nats: float
    mcse: float
    offset_sd: float | None = None
    taper_sd: float | None = None


@dataclass(frozen=True)
class Candidate:
    """One candidate action with its figures.

    Parameters
    ----------
    action : Action
    information : Information or None
        What a run after the action is expected to teach; None where it is refused.
    prediction : Prediction
        What that run should show.
    price_runs : float or None
        What this step and all that is left after it is priced at for the choice, in runs: a change of needle and a
        failure count for more than their runs, so it is no prediction. 0 where the stage is idle speed; None where it
        is refused.
    refused : Refusal or None
        Why it may not be suggested; None if it may.
    """

    action: Action
    information: Information | None
    prediction: Prediction
    price_runs: float | None
    refused: Refusal | None = None


@dataclass(frozen=True)
class Diagnostics:
    """How well the sampler did: worst R-hat, least bulk and tail effective sample size, divergences."""

    rhat_max: float
    ess_bulk_min: float
    ess_tail_min: float
    divergences: int
    chains: int
    draws: int
    refits: int
    converged: bool


@dataclass(frozen=True)
class MostInformative:
    """The action, of those that may be suggested, whose run teaches most; and what the suggested one teaches less.

    Parameters
    ----------
    action : Action
    information : Information
    loss_nats : float
        0 where it is the suggested one [nats].
    """

    action: Action
    information: Information
    loss_nats: float


@dataclass(frozen=True)
class Provenance:
    """What an answer rests on: with the same log, seed and versions it comes out the same."""

    seed: int
    model_version: str
    diagnostics: Diagnostics


@dataclass(frozen=True)
class Suggestion:
    """The answer: the smallest useful adjustment to make next, and all that stands behind it.

    `warnings` holds what the reader must know about the answer itself, such as runs left out; `needles` how good it
    can get with each needle on hand, shallowest first, while full throttle or idle mixture are being set;
    `most_informative` and `worth_reading` are there while candidates are weighed, `runs_to_finish` while there is more
    to do, `coldest_air` where the owner said how cold it gets.
    """

    stage: Stage
    action: Action
    why: Reason
    expected: Prediction
    information: Information
    alternatives: tuple[Candidate, ...]
    confidence: Confidence
    provenance: Provenance
    warnings: tuple[Notice, ...] = field(default=())
    needles: tuple[NeedleProspect, ...] = field(default=())
    most_informative: MostInformative | None = None
    runs_to_finish: RunsToFinish | None = None
    worth_reading: tuple[ReadingWorth, ...] = field(default=())
    coldest_air: ColdestAir | None = None


@dataclass(frozen=True)
class AirOutlook:
    """The present setting in air of one density.

    Parameters
    ----------
    density_ratio : float
        Over 1.225 kg/m³ [-].
    density_altitude_m : float
    rise_kelvin : Interval
        EGT rise to peak, noise-free; 0 where it falls at once [K].
    chance_full_throttle, chance_idle, chance_both, lean_chance : float
    """

    density_ratio: float
    density_altitude_m: float
    rise_kelvin: Interval
    chance_full_throttle: float
    chance_idle: float
    chance_both: float
    lean_chance: float


@dataclass(frozen=True)
class Holding:
    """Whether the present setting will hold in other air.

    Parameters
    ----------
    hot_high, cold_low : AirOutlook
    band : tuple of float or None
        Density ratios, thinnest first, between which both ends are more likely right than not; None: nowhere.
    fan : tuple of AirOutlook
        Over the densities met on the ground, thinnest first.
    """

    hot_high: AirOutlook
    cold_low: AirOutlook
    band: tuple[float, float] | None
    fan: tuple[AirOutlook, ...]
