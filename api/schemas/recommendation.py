"""Answers as the service speaks of them, in the units of the installation."""

from typing import Literal

from pydantic import BaseModel, Field

from taperwise.api.schemas.units import Units
from taperwise.shared.recommendation import (
    Information,
    Interval,
    Prediction,
    StageConfidence,
)
from taperwise.shared.runs import IdleQuality
from taperwise.shared.units import from_si

__all__ = [
    "ActionOut",
    "AlternativeOut",
    "ConfidenceOut",
    "DiagnosticsOut",
    "InformationOut",
    "IntervalOut",
    "MostInformativeOut",
    "NeedleOut",
    "Position",
    "PredictionOut",
    "ProvenanceOut",
    "RunsToFinishOut",
    "StageOut",
    "SuggestionOut",
    "SuspicionOut",
    "six_digits",
]

StageName = Literal["full_throttle", "idle_mixture", "idle_speed", "tuned"]


def six_digits(x: float) -> float:
    """A figure with as many digits as anybody needs."""
    return float(f"{x:.6g}")


class IntervalOut(BaseModel):
    """Median with central 50 % and 90 % intervals."""

    unit: str
    median: float
    interval_50: tuple[float, float]
    interval_90: tuple[float, float]

    @classmethod
    def of(cls, i: Interval, kind: str | None, unit: str) -> "IntervalOut":
        """From an interval inside, converted where a kind is given."""

        def to(x: float) -> float:
            return six_digits(x if kind is None else from_si(kind, x, unit))

        return cls(
            unit=unit,
            median=to(i.median),
            interval_50=(to(i.low_50), to(i.high_50)),
            interval_90=(to(i.low_90), to(i.high_90)),
        )


class StageOut(BaseModel):
    """How sure one stage is."""

    chance_in_band: float | None
    observed: bool
    confirmed: bool

    @classmethod
    def of(cls, s: StageConfidence) -> "StageOut":
        """From the record."""
        return cls(chance_in_band=s.chance_in_band, observed=s.observed, confirmed=s.confirmed)


class Position(BaseModel):
    """Where everything stands: screw turns from the mark, idle stop turns since the record began, the needle."""

    fitted_needle: str
    turns: float
    idle_stop_turns: float


class SuspicionOut(BaseModel):
    """A story other than "all as recorded" about the latest runs."""

    kind: str
    chance: float
    what: str
    look_at: str
    since_run: int | None = Field(None, description="Number of the run with which it most likely began.")


class ConfidenceOut(BaseModel):
    """How sure the service is of the present setting."""

    stage: StageName
    full_throttle: StageOut
    idle_mixture: StageOut
    idle_speed: StageOut
    both: float = Field(description="Chance that full throttle and idle mixture are both in band.")
    lean_chance: float = Field(description="Chance of being lean of peak at full throttle as it stands.")
    offset: IntervalOut = Field(description="Screw turns to the middle of the full-throttle band; positive = richer.")
    taper_fit: IntervalOut = Field(description="Ideal taper slope less the fitted needle's; positive = steeper.")
    position: Position
    runs: int
    runs_used: int
    doubt: float = Field(0.0, description="Chance that not all about the latest runs is as recorded.")
    suspicions: list[SuspicionOut] = Field(
        default_factory=list, description="Stories about the latest runs, the cheapest to look at first."
    )


class PredictionOut(BaseModel):
    """What a run at a setting should show."""

    needle: str
    position_turns: float
    density_ratio: float
    egt_rise: IntervalOut
    fell_at_once_chance: float
    rough_before_peak_chance: float
    mixture_full_throttle: IntervalOut = Field(description="phi over phi at peak EGT.")
    mixture_idle: IntervalOut = Field(description="phi over phi at peak EGT.")
    idle_quality: dict[str, float]
    idle_rpm: IntervalOut
    chance_full_throttle: float
    chance_idle: float
    chance_both: float
    lean_chance: float

    @classmethod
    def of(cls, p: Prediction, units: Units) -> "PredictionOut":
        """From the record, in the installation's units."""
        return cls(
            needle=p.needle,
            position_turns=p.position_turns,
            density_ratio=six_digits(p.density_ratio),
            egt_rise=IntervalOut.of(p.rise_kelvin, "temperature_rise", units.temperature_rise),
            fell_at_once_chance=p.fell_at_once_chance,
            rough_before_peak_chance=p.rough_before_peak_chance,
            mixture_full_throttle=IntervalOut.of(p.mixture_full_throttle, None, "1"),
            mixture_idle=IntervalOut.of(p.mixture_idle, None, "1"),
            idle_quality={q.name.lower(): p.idle_quality[q - 1] for q in IdleQuality},
            idle_rpm=IntervalOut.of(p.idle_rpm, None, "rpm"),
            chance_full_throttle=p.chance_full_throttle,
            chance_idle=p.chance_idle,
            chance_both=p.chance_both,
            lean_chance=p.lean_chance,
        )


class ActionOut(BaseModel):
    """One thing to do; what is null does not apply."""

    kind: Literal["turn_screw", "change_needle", "turn_idle_stop", "repeat_run", "keep", "inspect"]
    instruction: str
    turns: float | None
    needle: str | None
    turns_from_mark: float | None
    hex_direction: Literal["clockwise", "counter_clockwise"] | None
    effect: str | None
    cause: Literal["limit_exceeded", "not_as_foretold", "no_needle_fits", "not_to_be_settled"] | None = Field(
        None, description="Why to look before anything is turned, for `inspect`."
    )


class InformationOut(BaseModel):
    """What a run is expected to teach about offset and taper fit."""

    nats: float = Field(description="Expected information gain about both together [nats].")
    mcse: float = Field(description="Monte Carlo standard error of that [nats].")
    offset_sd: float | None = Field(
        None, description="Standard deviation of the offset expected after the run [turns]; null where not simulated."
    )
    taper_sd: float | None = Field(
        None, description="The same of the taper fit, in the unit of `taper_fit`; null where not simulated."
    )

    @classmethod
    def of(cls, i: Information, units: Units) -> "InformationOut":
        """From the record, in the installation's units."""
        taper = None if i.taper_sd is None else six_digits(from_si("taper", i.taper_sd, units.taper))
        offset = None if i.offset_sd is None else six_digits(i.offset_sd)
        return cls(nats=i.nats, mcse=i.mcse, offset_sd=offset, taper_sd=taper)


class AlternativeOut(BaseModel):
    """A candidate with its figures and, if refused, why."""

    action: ActionOut
    information: InformationOut | None = Field(description="None where it is refused.")
    expected: PredictionOut
    price_runs: float | None = Field(
        description="What it is priced at for the choice, in runs: failing and changing a needle count for more than "
        "their runs, so this is no prediction (that is `runs_to_finish`). Null where it is refused."
    )
    refused: str | None = Field(description="Why it may not be suggested, in words; null if it may.")
    refused_code: str | None = Field(None, description="The same as a code.")


class DiagnosticsOut(BaseModel):
    """How well the sampler did."""

    converged: bool
    rhat_max: float
    ess_bulk_min: float
    ess_tail_min: float
    divergences: int
    chains: int
    draws: int
    refits: int


class ProvenanceOut(BaseModel):
    """What the answer rests on; the same log, seed and versions give the same answer."""

    seed: int
    model_version: str
    diagnostics: DiagnosticsOut


class NeedleOut(BaseModel):
    """How good it can get with one needle on hand."""

    needle: str
    turns_from_mark: float
    chance_both: float


class MostInformativeOut(BaseModel):
    """The action that may be suggested whose run teaches most."""

    action: ActionOut
    information: InformationOut
    loss_nats: float = Field(description="What the suggested action teaches less [nats]; 0 where it is the same one.")


class RunsToFinishOut(BaseModel):
    """How many more runs this tuning is expected to take, the next one included; calibrated on simulated tunings."""

    expected: float
    low_80: int = Field(description="8 times in 10 it takes this many or more, and `high_80` or fewer.")
    high_80: int = Field(description="See `low_80`.")


class SuggestionOut(BaseModel):
    """The smallest useful adjustment to make next, and all that stands behind it."""

    stage: StageName
    action: ActionOut
    why: str = Field(description="Why this step and no other, in words.")
    why_code: str = Field("", description="The same as a code.")
    expect: str = Field(description="What the next run should show, in words and in the units of the answer.")
    expected: PredictionOut
    information: InformationOut
    alternatives: list[AlternativeOut]
    cautions: list[str]
    confidence: ConfidenceOut
    provenance: ProvenanceOut
    warnings: list[str]
    needles: list[NeedleOut] = Field(
        default_factory=list, description="Every needle on hand at its best setting, shallowest first."
    )
    most_informative: MostInformativeOut | None = Field(
        None, description="Beside what is suggested: what would teach most. Null where no candidate was weighed."
    )
    runs_to_finish: RunsToFinishOut | None = Field(None, description="Null where the service suggests no further run.")
