"""What is recorded and read back, as the service speaks of it."""

from datetime import datetime
from typing import Literal, Self

from pydantic import BaseModel, Field, model_validator
from pydantic_core import PydanticCustomError

from taperwise.api.schemas.adjustments import AcknowledgeIn, AdjustmentIn
from taperwise.api.schemas.findings import FindingOut
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.quantities import Wire
from taperwise.api.schemas.recommendation import ConfidenceOut, Position, SuggestionOut
from taperwise.api.schemas.run import RunIn
from taperwise.api.schemas.units import Units
from taperwise.model.physics.air import density_ratio
from taperwise.shared.findings import Finding
from taperwise.shared.runs import Air
from taperwise.shared.units import in_unit

__all__ = [
    "AcknowledgeRecorded",
    "AdjustmentRecorded",
    "AirOut",
    "CorrectionIn",
    "CorrectionOut",
    "CorrectionRecorded",
    "EntryOut",
    "History",
    "IdleLevelOut",
    "InstallationOut",
    "InstallationPage",
    "NoteIn",
    "NoteOut",
    "NotePage",
    "RunRecorded",
    "SweepOut",
]


class CorrectionIn(Wire):
    """An entry was mistyped: void it, or say what it should have been. The original stays in the history."""

    reason: str = Field(min_length=3, max_length=500, description="Why.")
    void: Literal[True] | None = Field(None, description="The entry should not be there at all.")
    run: RunIn | None = Field(None, description="What the run should have been, whole; its time stays as it was.")
    adjustment: AdjustmentIn | None = Field(None, description="What was really turned or changed.")

    @model_validator(mode="after")
    def _one(self) -> Self:
        given = [name for name in ("void", "run", "adjustment") if getattr(self, name) is not None]
        if len(given) != 1:
            raise PydanticCustomError(
                "unusable",
                "a correction is one of void, run and adjustment",
                {"cure": "Give exactly one of them.", "field": "void", "seen": ", ".join(given) or "none"},
            )
        if self.run is not None and self.run.trace is not None:
            raise PydanticCustomError(
                "unusable",
                "a correction brings no trace",
                {"cure": "Void the run and record it anew with its trace.", "field": "run.trace", "seen": "a trace"},
            )
        return self


class CorrectionOut(BaseModel):
    """A correction as recorded; neither run nor adjustment: the entry was voided."""

    recorded_at: datetime
    reason: str
    run: RunIn | None = None
    adjustment: AdjustmentIn | None = None


class InstallationOut(BaseModel):
    """An installation as recorded, and the same read back in its preferred units."""

    id: int
    created_at: datetime
    installation: InstallationIn
    in_preferred_units: InstallationIn


class InstallationPage(BaseModel):
    """Some of the installations, the newest first."""

    total: int
    installations: list[InstallationOut]


class Shown(BaseModel):
    """A quantity with its unit."""

    value: float
    unit: str

    @classmethod
    def of(cls, kind: str, inside: float, unit: str) -> "Shown":
        """From an inside value."""
        return cls.model_validate(in_unit(kind, inside, unit))


class AirOut(BaseModel):
    """The air a run came to, in the installation's units; density over the sea-level standard."""

    temperature: Shown
    pressure: Shown
    density_ratio: float

    @classmethod
    def of(cls, air: Air, units: Units) -> "AirOut":
        """From the record.

        Raises
        ------
        OutOfRangeError
            If there is no such air.
        """
        return cls(
            temperature=Shown.of("temperature", air.temperature_kelvin, units.temperature),
            pressure=Shown.of("pressure", air.pressure_pascal, units.pressure),
            density_ratio=float(f"{density_ratio(air):.6g}"),
        )


class EntryOut(BaseModel):
    """An entry of the log as recorded; a run with the air it came to."""

    id: int
    sequence: int
    kind: Literal["run", "adjustment", "acknowledged"]
    time: datetime
    recorded_at: datetime
    recorded_by: str | None = Field(None, description="Name of the account that recorded it; null without sign-in.")
    run: RunIn | None = None
    air: AirOut | None = None
    adjustment: AdjustmentIn | None = None
    acknowledged: AcknowledgeIn | None = None
    findings: list[FindingOut] = Field(
        default_factory=list, description="What the run's logger file showed beside the rise."
    )
    voided: bool = Field(False, description="Whether the latest correction voided it.")
    corrections: list[CorrectionOut] = Field(
        default_factory=list, description="What it should have been; the latest holds."
    )


class History(BaseModel):
    """The installation with all that was recorded, in order."""

    installation: InstallationOut
    entries: list[EntryOut]
    position: Position
    next: str | None = Field(None, description="Cursor of the next page; null on the last one.")


class CylinderOut(BaseModel):
    """One cylinder of a sweep, in kelvin and seconds; null where there is nothing to say."""

    seen: Literal["peak", "fell_at_once", "not_passed"]
    plateau_kelvin: float | None
    rise_kelvin: float | None
    error_kelvin: float | None
    start_seconds: float | None
    peak_seconds: float | None
    lag_seconds: float | None
    noise_kelvin: float | None


class InstrumentsOut(BaseModel):
    """What the other channels showed, in SI; null where there is no such channel, or too little of it."""

    static_rpm: float | None
    power_rpm_rise: float | None
    lambda_full_rich: float | None
    fuel_flow_m3_s: float | None
    highest: dict[str, float]
    throttle_moved: bool


class SweepOut(BaseModel):
    """What a leaning sweep showed, by column of the trace."""

    instruments: InstrumentsOut | None = None
    cylinders: dict[str, CylinderOut]
    leanest: str
    spread_kelvin: float | None = Field(None, description="Mean rise of the cylinders less the leanest one's.")
    first_to_peak: str | None
    departing: list[str]
    findings: list[Finding] = Field(default_factory=list, description="Columns left out or to be looked at, as codes.")


class WhatFollows(BaseModel):
    """What follows from something recorded; null where learning failed: it is recorded all the same."""

    confidence: ConfidenceOut | None
    suggestion: SuggestionOut | None
    warnings: list[str]


class RunRecorded(WhatFollows):
    """The run as recorded, and what it taught."""

    run: EntryOut
    sweeps: list[SweepOut] = Field(default_factory=list, description="What was read from the run's trace.")
    means: list[str] = Field(default_factory=list, description="What single readings mean, in words.")
    warnings: list[str]


class AdjustmentRecorded(WhatFollows):
    """The adjustment as recorded, where everything stands after it, and the suggestion that follows."""

    adjustment: EntryOut
    position: Position


class AcknowledgeRecorded(WhatFollows):
    """The acknowledgement as recorded, and the suggestion that is given again."""

    acknowledged: EntryOut


class CorrectionRecorded(WhatFollows):
    """The entry with its corrections, where everything stands now, and the suggestion that follows."""

    entry: EntryOut
    position: Position


class IdleLevelOut(BaseModel):
    """How one idle judgement shows itself; common practice, no published source."""

    level: int
    key: str
    name: str
    looks: str
    sounds: str
    smells: str


class NoteIn(Wire):
    """A note for everyone who works on the engine; it changes nothing of the log. Your account signs it."""

    text: str = Field(min_length=1, max_length=2000, description="What the note says.")


class NoteOut(BaseModel):
    """A note as it stands."""

    id: int = Field(description="Number of the note.")
    written_at: datetime = Field(description="When it was written.")
    edited_at: datetime | None = Field(description="When its author last changed it; null if never.")
    author: str = Field(description="Name of the account that signed it; empty where sign-in is off.")
    text: str = Field(description="What the note says.")
    mine: bool = Field(description="Whether you wrote it, so that you can change or delete it.")
    new: bool = Field(description="Whether somebody else wrote or changed it since you last looked.")


class NotePage(BaseModel):
    """Some of the notes, the newest first."""

    notes: list[NoteOut] = Field(description="Those of this page.")
    next: str | None = Field(description="Cursor of the next page; null on the last one.")
