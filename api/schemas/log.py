"""What is recorded and read back, as the service speaks of it."""

from datetime import datetime
from typing import Literal, Self

from pydantic import BaseModel, Field, model_validator
from pydantic_core import PydanticCustomError

from taperwise.api.schemas.adjustments import AcknowledgeIn, AdjustmentIn
from taperwise.api.schemas.findings import DescribedFinding, FindingOut
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.quantities import Wire
from taperwise.api.schemas.recommendation import ConfidenceOut, Position, SuggestionOut
from taperwise.api.schemas.run import RunIn
from taperwise.api.schemas.set_up import SetUpEntry
from taperwise.api.schemas.units import Units
from taperwise.model.physics.air import density_ratio
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
    "SetUpRecorded",
    "SweepOut",
]


class CorrectionIn(Wire):
    """A correction of an entry. The original stays in the log."""

    reason: str = Field(min_length=3, max_length=500, description="Reason for the correction.")
    void: Literal[True] | None = Field(
        None, description="True: the entry should not exist. Null: the entry is replaced."
    )
    run: RunIn | None = Field(None, description="The correct run, complete; its time stays. Null: no run.")
    adjustment: AdjustmentIn | None = Field(
        None, description="The adjustment that was really made. Null: no adjustment."
    )

    @model_validator(mode="after")
    def _one(self) -> Self:
        given = [name for name in ("void", "run", "adjustment") if getattr(self, name) is not None]
        if len(given) != 1:
            raise PydanticCustomError(
                "unusable",
                "A correction needs exactly one of void, run and adjustment",
                {"cure": "Give exactly one of them.", "field": "void", "seen": ", ".join(given) or "none"},
            )
        if self.run is not None and self.run.trace is not None:
            raise PydanticCustomError(
                "unusable",
                "A correction cannot have a logger file",
                {
                    "cure": "Void the run. Then record the run again with its logger file.",
                    "field": "run.trace",
                    "seen": "a trace",
                },
            )
        return self


class CorrectionOut(BaseModel):
    """A correction as saved. Without run and adjustment, the entry was voided."""

    recorded_at: datetime = Field(description="Moment at which the correction was saved (UTC).")
    reason: str = Field(description="Reason for the correction.")
    run: RunIn | None = Field(None, description="The corrected run. Null: the entry is no run, or was voided.")
    adjustment: AdjustmentIn | None = Field(
        None, description="The corrected adjustment. Null: the entry is no adjustment, or was voided."
    )


class InstallationOut(BaseModel):
    """An engine as set up, and the same in the preferred units."""

    id: int = Field(description="Number of the engine.")
    created_at: datetime = Field(description="Moment of the set-up (UTC).")
    installation: InstallationIn = Field(description="The set-up as it was sent.")
    in_preferred_units: InstallationIn = Field(description="Set-up in the preferred units, defaults included.")


class InstallationPage(BaseModel):
    """A page of engines, the newest first."""

    total: int = Field(description="Number of all engines that match.")
    installations: list[InstallationOut] = Field(description="Engines of this page, the newest first.")
    damaged: list[int] = Field(
        default_factory=list,
        description="Engines of this page that were changed in the database and cannot be shown. Restore a backup.",
    )


class Shown(BaseModel):
    """A quantity with its unit."""

    value: float = Field(description="Number in the unit of `unit`.")
    unit: str = Field(description="Unit of the number.")

    @classmethod
    def of(cls, kind: str, inside: float, unit: str) -> "Shown":
        """From an inside value."""
        return cls.model_validate(in_unit(kind, inside, unit))


class AirOut(BaseModel):
    """The air of a run, in the preferred units."""

    temperature: Shown = Field(description="Air temperature.")
    pressure: Shown = Field(description="Static pressure at the field.")
    density_ratio: float = Field(description="Air density over 1.225 kg/m³ [-].")

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
    """An entry of the log. A run has its air."""

    id: int = Field(description="Number of the entry among all entries.")
    sequence: int = Field(description="Number of the entry in its log, from 1.")
    kind: Literal["run", "adjustment", "acknowledged", "set_up"] = Field(
        description="Kind of entry; `acknowledged` is a cause."
    )
    time: datetime = Field(description="Moment of the run, adjustment or cause (UTC).")
    recorded_at: datetime = Field(description="Moment at which the entry was saved (UTC).")
    recorded_by: str | None = Field(None, description="Name of the account that recorded it. Null: sign-in was off.")
    run: RunIn | None = Field(None, description="The run. Null: another kind of entry.")
    air: AirOut | None = Field(None, description="Air of the run, calculated. Null: another kind of entry.")
    adjustment: AdjustmentIn | None = Field(None, description="The adjustment. Null: another kind of entry.")
    acknowledged: AcknowledgeIn | None = Field(None, description="The cause. Null: another kind of entry.")
    set_up: SetUpEntry | None = Field(None, description="The change of the set-up. Null: another kind of entry.")
    findings: list[FindingOut] = Field(default_factory=list, description="Findings of the run's logger file.")
    voided: bool = Field(False, description="Whether the latest correction voided the entry.")
    corrections: list[CorrectionOut] = Field(
        default_factory=list, description="Corrections in order; the last one holds."
    )


class History(BaseModel):
    """The set-up with all entries, the oldest first."""

    installation: InstallationOut = Field(description="The set-up.")
    entries: list[EntryOut] = Field(description="Entries of this page, the oldest first.")
    position: Position = Field(description="Present setting.")
    next: str | None = Field(None, description="Cursor of the next page. Null: this is the last page.")


class CylinderOut(BaseModel):
    """One cylinder of a leaning sweep, in kelvin and seconds."""

    seen: Literal["peak", "fell_at_once", "not_passed"] = Field(description="Outcome of leaning in this cylinder.")
    plateau_kelvin: float | None = Field(description="Gas temperature at full rich [K]. Null: not readable.")
    rise_kelvin: float | None = Field(description="EGT rise to the peak [K]. Null: no peak.")
    error_kelvin: float | None = Field(description="Standard error of the EGT rise [K]. Null: no peak.")
    start_seconds: float | None = Field(description="Start of leaning in the file's time [s]. Null: not readable.")
    peak_seconds: float | None = Field(description="Moment of the peak in the file's time [s]. Null: no peak.")
    lag_seconds: float | None = Field(description="Time constant of the probe [s]. Null: not readable.")
    noise_kelvin: float | None = Field(
        description="Standard deviation of a sample around the fit [K]. Null: not readable."
    )


class InstrumentsOut(BaseModel):
    """Readings of the other columns, in SI units."""

    static_rpm: float | None = Field(description="Speed at full throttle, full rich [rpm]. Null: no such column.")
    power_rpm_rise: float | None = Field(
        description="Rise of full-throttle speed on leaning [rpm]. Null: no such column."
    )
    lambda_full_rich: float | None = Field(description="Lambda at full throttle, full rich [-]. Null: no such column.")
    fuel_flow_m3_s: float | None = Field(
        description="Fuel flow at full throttle, full rich [m³/s]. Null: no such column."
    )
    highest: dict[str, float] = Field(description="Highest values in the file: `cht` and `egt` [K], `rpm` [rpm].")
    throttle_moved: bool = Field(description="Whether manifold pressure changed during the sweep.")


class SweepOut(BaseModel):
    """Readings of a leaning sweep, by column of the logger file."""

    instruments: InstrumentsOut | None = Field(None, description="Readings of the other columns. Null: there are none.")
    cylinders: dict[str, CylinderOut] = Field(description="Readings of the exhaust columns, by heading.")
    leanest: str = Field(description="Heading of the leanest cylinder's column.")
    spread_kelvin: float | None = Field(
        None, description="Mean EGT rise of all cylinders less the leanest one's [K]. Null: one cylinder."
    )
    first_to_peak: str | None = Field(description="Heading of the column that peaked first. Null: no peak.")
    departing: list[str] = Field(description="Headings of cylinders that differ from the others.")
    findings: list[DescribedFinding] = Field(default_factory=list, description="Findings as codes with figures.")


class WhatFollows(BaseModel):
    """What follows from something recorded; null where learning failed: it is recorded all the same."""

    confidence: ConfidenceOut | None = Field(description="Chances at the present setting. Null: as for `suggestion`.")
    suggestion: SuggestionOut | None = Field(
        description="Next step. Null: not calculated yet, or not at all, as `warnings` say; the entry is saved."
    )
    warnings: list[str] = Field(description="Sentences on what is unusual about the entry; empty for nothing.")


class RunRecorded(WhatFollows):
    """The run as saved, and the next step."""

    run: EntryOut = Field(description="The run as saved.")
    sweeps: list[SweepOut] = Field(
        default_factory=list, description="Readings of the run's logger file, one a leaning sweep."
    )
    means: list[str] = Field(default_factory=list, description="Meaning of single readings, in sentences.")
    warnings: list[str] = Field(description="Sentences on what is unusual about the run; empty for nothing.")


class AdjustmentRecorded(WhatFollows):
    """The adjustment as saved, the setting after it, and the next step."""

    adjustment: EntryOut = Field(description="The adjustment as saved.")
    position: Position = Field(description="Setting after the adjustment.")


class SetUpRecorded(BaseModel):
    """The set-up as it holds now, and the entry that says what changed."""

    installation: InstallationOut = Field(description="Set-up as it holds now.")
    entry: EntryOut | None = Field(description="Entry of the change. Null: nothing differs, or the log is empty.")


class AcknowledgeRecorded(WhatFollows):
    """The cause as saved, and the next step."""

    acknowledged: EntryOut = Field(description="The cause as saved.")


class CorrectionRecorded(WhatFollows):
    """The entry with its corrections, the setting now, and the next step."""

    entry: EntryOut = Field(description="The entry with all its corrections.")
    position: Position = Field(description="Setting after the correction.")


class IdleLevelOut(BaseModel):
    """Signs of one idle judgement (common practice, no published source)."""

    level: int = Field(description="Number of the judgement, 1 = leanest, 5 = richest.")
    key: str = Field(description="Value of the judgement in `idle_quality`.")
    name: str = Field(description="Name of the judgement.")
    looks: str = Field(description="Signs that you see.")
    sounds: str = Field(description="Sounds that you hear.")
    smells: str = Field(description="Smells that you notice.")


class NoteIn(Wire):
    """A note for people who work on the engine, signed by your account. A note changes no result."""

    text: str = Field(min_length=1, max_length=2000, description="Text of the note.")


class NoteOut(BaseModel):
    """A note as saved."""

    id: int = Field(description="Number of the note.")
    written_at: datetime = Field(description="Moment of writing (UTC).")
    edited_at: datetime | None = Field(description="Moment of the author's last change (UTC). Null: never changed.")
    author: str = Field(description="Name of the account that signed the note; empty where sign-in is off.")
    text: str = Field(description="Text of the note.")
    mine: bool = Field(description="Whether you wrote the note, so that you can change or delete it.")
    new: bool = Field(description="Whether another person wrote or changed the note since you last looked.")


class NotePage(BaseModel):
    """Some of the notes, the newest first."""

    notes: list[NoteOut] = Field(description="Notes of this page.")
    next: str | None = Field(description="Cursor of the next page. Null: this is the last page.")
