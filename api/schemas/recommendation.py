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

    unit: str
    median: SixDigits
    interval_50: tuple[SixDigits, SixDigits]
    interval_90: tuple[SixDigits, SixDigits]


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


EgtRise = Annotated[IntervalOut, InUnit("temperature_rise", "temperature_rise")]
Mixture = Annotated[IntervalOut, InUnit(None, "1")]


class StageOut(FromRecord):
    """How sure one stage is."""

    chance_in_band: float | None
    observed: bool
    confirmed: bool


class Position(FromRecord):
    """Where everything stands: screw turns from the mark, idle stop turns since the record began, the needle."""

    fitted_needle: str
    turns: float = Field(validation_alias="position_turns")
    idle_stop_turns: float


class SuspicionOut(FromRecord):
    """A story other than "all as recorded" about the latest runs."""

    kind: str
    chance: float
    what: str
    look_at: str
    since_run: int | None = Field(None, description="Number of the run with which it most likely began.")


class ConfidenceOut(FromRecord):
    """How sure the service is of the present setting."""

    stage: Stage
    full_throttle: StageOut
    idle_mixture: StageOut
    idle_speed: StageOut
    both: float = Field(
        validation_alias="chance_both", description="Chance that full throttle and idle mixture are both in band."
    )
    lean_chance: float = Field(description="Chance of being lean of peak at full throttle as it stands.")
    offset: Annotated[IntervalOut, InUnit(None, "turn")] | None = Field(
        validation_alias="offset_turns",
        description="Screw turns to the middle of the full-throttle band; positive = richer. Null during a stop.",
    )
    taper_fit: Annotated[IntervalOut, InUnit("taper", "taper")] | None = Field(
        validation_alias="taper_misfit",
        description="Ideal taper slope less the fitted needle's; positive = steeper. Null during a stop.",
    )
    position: Position
    runs: int
    runs_used: int
    doubt: float = Field(0.0, description="Chance that not all about the latest runs is as recorded.")
    suspicions: list[SuspicionOut] = Field(
        default_factory=list, description="Stories about the latest runs, the cheapest to look at first."
    )


def _by_name(chances: Any) -> Any:
    """Chances of the five judgements, which a record holds leanest first, by their names."""
    return dict(zip((q.name.lower() for q in IdleQuality), chances, strict=True)) if type(chances) is tuple else chances


class PredictionOut(FromRecord):
    """What a run at a setting should show."""

    needle: str
    position_turns: float
    density_ratio: SixDigits
    egt_rise: EgtRise = Field(validation_alias="rise_kelvin")
    fell_at_once_chance: float
    rough_before_peak_chance: float
    mixture_full_throttle: Mixture = Field(description="phi over phi at peak EGT.")
    mixture_idle: Mixture = Field(description="phi over phi at peak EGT.")
    idle_quality: Annotated[dict[str, float], BeforeValidator(_by_name)]
    idle_rpm: Annotated[IntervalOut, InUnit(None, "rpm")]
    chance_full_throttle: float
    chance_idle: float
    chance_both: float
    lean_chance: float


class ActionOut(FromRecord):
    """One thing to do; what is null does not apply."""

    kind: ActionKind
    instruction: str
    turns: float | None
    needle: str | None
    turns_from_mark: float | None
    hex_direction: TurnSense | None
    effect: str | None
    cause: InspectCause | None = Field(None, description="Why to look before anything is turned, for `inspect`.")


class InformationOut(FromRecord):
    """What a run is expected to teach about offset and taper fit."""

    nats: float = Field(description="Expected information gain about both together [nats].")
    mcse: float = Field(description="Monte Carlo standard error of that [nats].")
    offset_sd: SixDigits | None = Field(
        None, description="Standard deviation of the offset expected after the run [turns]; null where not simulated."
    )
    taper_sd: Annotated[SixDigits, InUnit("taper", "taper")] | None = Field(
        None, description="The same of the taper fit, in the unit of `taper_fit`; null where not simulated."
    )


class AlternativeOut(FromRecord):
    """A candidate with its figures and, if refused, why."""

    action: ActionOut
    information: InformationOut | None = Field(description="None where it is refused.")
    expected: PredictionOut = Field(validation_alias="prediction")
    price_runs: float | None = Field(
        description="What it is priced at for the choice, in runs: failing and changing a needle count for more than "
        "their runs, so this is no prediction (that is `runs_to_finish`). Null where it is refused."
    )
    refused: str | None = Field(description="Why it may not be suggested, in words; null if it may.")
    refused_code: str | None = Field(None, description="The same as a code.")


class DiagnosticsOut(FromRecord):
    """How well the sampler did."""

    converged: bool
    rhat_max: float
    ess_bulk_min: float
    ess_tail_min: float
    divergences: int
    chains: int
    draws: int
    refits: int


class ProvenanceOut(FromRecord):
    """What the answer rests on; the same log, seed and versions give the same answer."""

    seed: int
    model_version: str
    diagnostics: DiagnosticsOut


class NeedleOut(FromRecord):
    """How good it can get with one needle on hand."""

    needle: str
    turns_from_mark: float
    chance_both: float


class MostInformativeOut(FromRecord):
    """The action that may be suggested whose run teaches most."""

    action: ActionOut
    information: InformationOut
    loss_nats: SixDigits = Field(
        description="What the suggested action teaches less [nats]; 0 where it is the same one."
    )


class RunsToFinishOut(FromRecord):
    """How many more runs this tuning is expected to take, the next one included; calibrated on simulated tunings."""

    expected: float
    low_80: int = Field(description="8 times in 10 it takes this many or more, and `high_80` or fewer.")
    high_80: int = Field(description="See `low_80`.")


class SuggestionOut(FromRecord):
    """The smallest useful adjustment to make next, and all that stands behind it."""

    stage: Stage
    action: ActionOut
    why: str = Field(description="Why this step and no other, in words.")
    why_code: str = Field("", description="The same as a code.")
    expect: str = Field(description="What the next run should show, in words and in the units of the answer.")
    expected: PredictionOut
    information: InformationOut
    alternatives: list[AlternativeOut] = Field(description="The possible steps with their figures; none during a stop.")
    cautions: list[str]
    confidence: ConfidenceOut
    provenance: ProvenanceOut
    warnings: list[str]
    findings: list[FindingOut] = Field(
        default_factory=list,
        description="What logger files showed beside the rise, until it is acknowledged as `about` `trace`.",
    )
    needles: list[NeedleOut] = Field(
        default_factory=list, description="Every needle on hand at its best setting, shallowest first."
    )
    most_informative: MostInformativeOut | None = Field(
        None, description="Beside what is suggested: what would teach most. Null where no candidate was weighed."
    )
    runs_to_finish: RunsToFinishOut | None = Field(None, description="Null where the service suggests no further run.")
