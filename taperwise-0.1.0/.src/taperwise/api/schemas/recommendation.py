"""Answers as the service speaks of them, in the units of the installation."""

from typing import Annotated, Any, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo

from taperwise.api.schemas.findings import FindingOut
from taperwise.api.schemas.units import Units
from taperwise.shared.reasons import InspectCause
from taperwise.shared.recommendation import ActionKind, Interval, Stage
from taperwise.shared.records import TurnSense
from taperwise.shared.runs import IdleQuality
from taperwise.shared.units import from_si

__all__ = [
    "ActionOut",
    "AlternativeOut",
    "ConfidenceOut",
    "DiagnosticsOut",
    "FromRecord",
    "InUnit",
    "InformationOut",
    "IntervalOut",
    "MostInformativeOut",
    "NeedleOut",
    "Position",
    "PredictionOut",
    "ProvenanceOut",
    "RunsToFinishOut",
    "SixDigits",
    "StageOut",
    "SuggestionOut",
    "SuspicionOut",
]

SixDigits = Annotated[float, AfterValidator(lambda x: float(f"{x:.6g}"))]
"""A figure with as many digits as anybody needs."""


class FromRecord(BaseModel):
    """What is made of a record of the model, field by field; a name that differs inside is the field's alias."""

    model_config = ConfigDict(from_attributes=True, validate_by_name=True, validate_by_alias=True)

    @classmethod
    def of(cls, record: Any, units: Units, **others: Any) -> Self:
        """From a record in SI, in an installation's units.

        Parameters
        ----------
        record : dataclass
        units : Units
        **others
            Fields that the record does not hold as they are shown.
        """
        return cls.model_validate({**vars(record), **others}, context=units)


class IntervalOut(BaseModel):
    """Median with central 50 % and 90 % intervals."""

    unit: str = Field(description="Unit of all figures; 1 for a ratio.")
    median: SixDigits = Field(description="Median.")
    interval_50: tuple[SixDigits, SixDigits] = Field(
        description="Lower and upper end of the range that holds 5 values in 10."
    )
    interval_90: tuple[SixDigits, SixDigits] = Field(
        description="Lower and upper end of the range that holds 9 values in 10."
    )


def InUnit(kind: str | None, unit: str) -> BeforeValidator:  # noqa: N802 - annotates a field, as a type does
    """What converts a number or an `Interval` of a record.

    Parameters
    ----------
    kind : str or None
        Key of `taperwise.shared.units.KINDS`; None leaves the figures as they are.
    unit : str
        Field of `Units` that names the unit; without a kind, the unit itself.
    """

    def shown(value: Any, info: ValidationInfo) -> Any:
        if info.context is None:  # as it was shown before
            return value
        name = unit if kind is None else getattr(info.context, unit)

        def to(x: float) -> float:
            return x if kind is None else from_si(kind, x, name)

        if not isinstance(value, Interval):
            return to(value)
        half, most = (to(value.low_50), to(value.high_50)), (to(value.low_90), to(value.high_90))
        return IntervalOut(unit=name, median=to(value.median), interval_50=half, interval_90=most)

    return BeforeValidator(shown)


def UnitOf(unit: str) -> BeforeValidator:  # noqa: N802 - annotates a field, as a type does
    """What puts the preferred unit of a field of `Units` in the place of a figure in it."""

    def shown(value: Any, info: ValidationInfo) -> Any:
        return value if info.context is None else getattr(info.context, unit)

    return BeforeValidator(shown)


RiseFigure = Annotated[SixDigits, InUnit("temperature_rise", "temperature_rise")]
EgtRise = Annotated[IntervalOut, InUnit("temperature_rise", "temperature_rise")]
Mixture = Annotated[IntervalOut, InUnit(None, "1")]


class StageOut(FromRecord):
    """Result of one stage."""

    chance_in_band: float | None = Field(
        description="Chance of being in target [0 to 1]. Null: no target range is set."
    )
    observed: bool = Field(description="Whether a run has shown this stage since the last change that touches it.")
    confirmed: bool = Field(description="Whether the stage is observed and its chance reaches the limit.")


class Position(FromRecord):
    """The present setting."""

    fitted_needle: str = Field(description="Label of the installed needle.")
    turns: float = Field(
        validation_alias="position_turns", description="Holder position from the mark [turns]; positive = out, richer."
    )
    idle_stop_turns: float = Field(
        description="Turns of the idle stop screw since the log began [turns]; positive = faster."
    )


class SuspicionOut(FromRecord):
    """A possible fault."""

    kind: str = Field(description="Kind of possible fault.")
    chance: float = Field(description="Chance of this fault [0 to 1].")
    what: str = Field(description="The fault in words.")
    look_at: str = Field(description="Check to make, in words.")
    since_run: int | None = Field(
        None, description="Number of the run at which the fault most likely began. Null: unknown."
    )


class ConfidenceOut(FromRecord):
    """How sure the service is of the present setting."""

    stage: Stage = Field(description="First stage that is not confirmed.")
    full_throttle: StageOut = Field(description="Result of the stage full throttle.")
    idle_mixture: StageOut = Field(description="Result of the stage idle mixture.")
    idle_speed: StageOut = Field(description="Result of the stage idle speed.")
    both: float = Field(validation_alias="chance_both", description="Chance that both mixtures are in target [0 to 1].")
    lean_chance: float = Field(
        description="Hazard: chance of running lean of peak at full throttle at this setting [0 to 1]."
    )
    offset: Annotated[IntervalOut, InUnit(None, "turn")] | None = Field(
        validation_alias="offset_turns",
        description="Turns to the middle of the full-throttle target range [turns]; positive = richer. Null: a stop.",
    )
    taper_fit: Annotated[IntervalOut, InUnit("taper", "taper")] | None = Field(
        validation_alias="taper_misfit",
        description="Ideal taper slope less the installed needle's; positive = steeper. Null: no slope is measured, or "
        "a stop.",
    )
    taper_steps: Annotated[IntervalOut, InUnit(None, "step")] | None = Field(
        None,
        description="Steps from the installed needle to the ideal one; positive = steeper. Null: slopes are measured.",
    )
    position: Position = Field(description="Present setting.")
    runs: int = Field(description="Number of runs in the log.")
    runs_used: int = Field(description="Number of runs that the result uses.")
    doubt: float = Field(0.0, description="Chance that the latest runs do not match the log [0 to 1].")
    suspicions: list[SuspicionOut] = Field(
        default_factory=list, description="Possible faults, the easiest to check first."
    )


def _by_name(chances: Any) -> Any:
    """Chances of the five judgements, which a record holds leanest first, by their names."""
    return dict(zip((q.name.lower() for q in IdleQuality), chances, strict=True)) if type(chances) is tuple else chances


class PredictionOut(FromRecord):
    """Prediction for a run at a setting."""

    needle: str = Field(description="Label of the needle.")
    position_turns: float = Field(description="Holder position from the mark [turns]; positive = out, richer.")
    density_ratio: SixDigits = Field(description="Air density over 1.225 kg/m³ [-].")
    egt_rise: EgtRise = Field(validation_alias="rise_kelvin", description="EGT rise that a reading would show.")
    fell_at_once_chance: float = Field(description="Chance that EGT falls at once on leaning [0 to 1].")
    rough_before_peak_chance: float = Field(description="Chance that the engine runs rough before a peak [0 to 1].")
    mixture_full_throttle: Mixture = Field(
        description="Mixture at full throttle (phi over phi at peak EGT); above 1 = rich of peak."
    )
    mixture_idle: Mixture = Field(description="Mixture at idle (phi over phi at peak EGT); above 1 = rich of peak.")
    idle_quality: Annotated[dict[str, float], BeforeValidator(_by_name)] = Field(
        description="Chance of each idle judgement, by name [0 to 1]."
    )
    idle_rpm: Annotated[IntervalOut, InUnit(None, "rpm")] = Field(description="Idle speed that a reading would show.")
    chance_full_throttle: float = Field(description="Chance that full throttle is in target [0 to 1].")
    chance_idle: float = Field(description="Chance that the idle mixture is in target [0 to 1].")
    chance_both: float = Field(description="Chance that both mixtures are in target [0 to 1].")
    lean_chance: float = Field(description="Hazard: chance of running lean of peak at full throttle [0 to 1].")


class ActionOut(FromRecord):
    """One step. A null field does not apply."""

    kind: ActionKind = Field(description="Kind of step.")
    instruction: str = Field(description="The step in words; numbered steps stand on lines of their own.")
    turns: float | None = Field(
        description="Turn of the needle holder or idle stop screw [turns]; positive = richer or faster. Null: no turn."
    )
    needle: str | None = Field(description="Label of the needle to install. Null: no change of needle.")
    turns_from_mark: float | None = Field(
        description="Holder position for the new needle [turns]; positive = richer. Null: no change of needle."
    )
    hex_direction: TurnSense | None = Field(
        description="Way to turn, seen from the hex key. Null: no turn, or the set-up has no direction."
    )
    effect: str | None = Field(description="Effect of the step. Null: none.")
    cause: InspectCause | None = Field(
        None, description="Reason to check before anything is turned, for `inspect`. Null: another kind of step."
    )

    def same_step(self, other: "ActionOut") -> bool:
        """Whether both are one step, however many words each has."""
        return self.model_dump(exclude={"instruction"}) == other.model_dump(exclude={"instruction"})


class InformationOut(FromRecord):
    """Expected information of a run on turns to target and ideal slope."""

    nats: float = Field(description="Expected information on turns to target and ideal slope together [nats].")
    mcse: float = Field(description="Monte Carlo standard error of `nats` [nats].")
    offset_sd: SixDigits | None = Field(
        None,
        description="Standard deviation of the turns to target expected after the run [turns]. Null: not simulated.",
    )
    taper_sd: Annotated[SixDigits, InUnit("taper", "taper")] | None = Field(
        None,
        description="Standard deviation of `taper_fit` expected after the run, in its unit. Null: not simulated, or no "
        "slope is measured.",
    )


class AlternativeOut(FromRecord):
    """A possible step with its figures and, if it is not allowed, the reason."""

    action: ActionOut = Field(description="The step.")
    information: InformationOut | None = Field(
        description="Expected information of a run after the step. Null: the step is not allowed."
    )
    expected: PredictionOut = Field(validation_alias="prediction", description="Prediction for a run after the step.")
    price_runs: float | None = Field(
        description="Price of the step for the choice [runs], with extra cost for failures. Null: not allowed."
    )
    refused: str | None = Field(description="Reason why the step is not allowed, in words. Null: allowed.")
    refused_code: str | None = Field(None, description="Reason why the step is not allowed, as a code. Null: allowed.")


class DiagnosticsOut(FromRecord):
    """Diagnostics of the sampler."""

    converged: bool = Field(description="Whether R-hat, effective sizes and divergences meet their bounds.")
    rhat_max: float = Field(description="Largest R-hat of all parameters [-].")
    ess_bulk_min: float = Field(description="Smallest bulk effective sample size [-].")
    ess_tail_min: float = Field(description="Smallest tail effective sample size [-].")
    divergences: int = Field(description="Number of divergent transitions.")
    chains: int = Field(description="Number of chains.")
    draws: int = Field(description="Number of draws, all chains together.")
    refits: int = Field(description="Number of further fits with more care.")


class ProvenanceOut(FromRecord):
    """Basis of the result. The same log, seed and versions give the same result."""

    seed: int = Field(description="Seed of the random numbers.")
    model_version: str = Field(description="Version of the model.")
    diagnostics: DiagnosticsOut = Field(description="Diagnostics of the fit behind the result.")


class NeedleOut(FromRecord):
    """Best setting with one of the owner's needles."""

    needle: str = Field(description="Label of the needle.")
    turns_from_mark: float = Field(description="Best holder position from the mark [turns]; positive = richer.")
    chance_both: float = Field(description="Chance that both mixtures are in target there [0 to 1].")


class MostInformativeOut(FromRecord):
    """The allowed step whose run gives most information."""

    action: ActionOut = Field(description="The step.")
    information: InformationOut = Field(description="Expected information of a run after the step.")
    loss_nats: SixDigits = Field(
        description="Information that the suggested step gives less [nats]; 0 if both are one step."
    )


class RunsToFinishOut(FromRecord):
    """Expected number of runs to finish, calibrated on simulated tunings."""

    expected: float = Field(description="Expected number of runs to finish, the next one included [runs].")
    low_80: int = Field(description="Number of runs that 9 tunings in 10 need at least.")
    high_80: int = Field(description="Number of runs that 9 tunings in 10 need at most.")


class ReadingWorthOut(FromRecord):
    """What one kind of reading in the next run is worth."""

    name: str = Field(description="Field of a run with the reading.")
    usual: bool = Field(description="True: runs of this engine have this reading.")
    runs_saved: SixDigits = Field(
        description="Expected number of runs that the reading saves [runs]. About 0: it may be left out."
    )


class ColdestAirOut(FromRecord):
    """Full throttle as it stands, and what the coldest air to come asks of it today."""

    temperature: Annotated[SixDigits, InUnit("temperature", "temperature")] = Field(
        validation_alias="temperature_kelvin", description="Coldest air temperature to come, in the preferred unit."
    )
    temperature_unit: Annotated[str, UnitOf("temperature")] = Field(
        validation_alias="temperature_kelvin", description="Unit of `temperature`."
    )
    rise_today: RiseFigure = Field(
        validation_alias="rise_today_kelvin",
        description="EGT rise to peak at the present setting in today's air, in the preferred unit.",
    )
    rise_then: RiseFigure = Field(
        validation_alias="rise_then_kelvin",
        description="EGT rise to peak at the present setting in the coldest air, in the preferred unit.",
    )
    safe_rise_today: RiseFigure = Field(
        validation_alias="safe_rise_today_kelvin",
        description="EGT rise to peak that today's air needs for the lean limit to hold in the coldest air, in the "
        "preferred unit.",
    )
    rise_unit: Annotated[str, UnitOf("temperature_rise")] = Field(
        validation_alias="rise_today_kelvin", description="Unit of the rises."
    )
    lean_chance: float = Field(
        description="Hazard: chance that the present setting runs lean of peak in the coldest air [0 to 1]."
    )
    band_has_room: bool = Field(
        description="True: the target range of the rise includes a setting that is safe in the coldest air."
    )


class SuggestionOut(FromRecord):
    """The next step, with its reasons and figures."""

    stage: Stage = Field(description="First stage that is not confirmed.")
    action: ActionOut = Field(description="The next step.")
    why: str = Field(description="Reason for this step, in words.")
    why_code: str = Field("", description="Reason for this step, as a code.")
    expect: str = Field(description="Prediction for the next run, in words and in the preferred units.")
    expected: PredictionOut = Field(description="Prediction for the next run.")
    information: InformationOut = Field(description="Expected information of the next run.")
    alternatives: list[AlternativeOut] = Field(description="Possible steps with their figures; none during a stop.")
    cautions: list[str] = Field(description="Cautions, the most serious first.")
    confidence: ConfidenceOut = Field(description="Chances at the present setting.")
    provenance: ProvenanceOut = Field(description="Seed, model version and diagnostics of the result.")
    warnings: list[str] = Field(description="Warnings about the result, in sentences.")
    findings: list[FindingOut] = Field(
        default_factory=list, description="Findings from logger files whose cause is not recorded yet."
    )
    needles: list[NeedleOut] = Field(
        default_factory=list, description="Best setting of each of the owner's needles, the shallowest first."
    )
    most_informative: MostInformativeOut | None = Field(
        None, description="Step whose run would give most information. Null: no step was evaluated."
    )
    runs_to_finish: RunsToFinishOut | None = Field(
        None, description="Expected runs to finish. Null: no further run is suggested."
    )
    worth_reading: list[ReadingWorthOut] = Field(
        default_factory=list, description="Worth of each kind of reading in the next run, the most useful first."
    )
    read_next: str = Field("", description="The most useful readings, in words; empty for none.")
    coldest_air: ColdestAirOut | None = Field(
        None, description="Full throttle in the coldest air to come. Null: the coldest temperature is unknown."
    )
    when_coldest: str = Field("", description="Full throttle in the coldest air, in words; empty where unknown.")
