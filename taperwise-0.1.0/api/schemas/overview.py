"""Many installations at a glance, as the API shows them."""

from datetime import datetime

from pydantic import BaseModel, Field

from taperwise.shared.recommendation import Stage

__all__ = ["FlagOut", "OverviewEngine", "OverviewPage"]


class FlagOut(BaseModel):
    """One thing that needs attention."""

    code: str = Field(description="The flag as a code.", examples=["limit_exceeded"])
    words: str = Field(description="The flag in words.", examples=["Engine limit exceeded"])


class OverviewEngine(BaseModel):
    """Where one installation stands, without its suggestion."""

    id: int = Field(description="Number of the installation.")
    name: str = Field(description="Name of the installation, or a name made of its number.")
    owner: str = Field(description="Name of the owner. Empty: sign-in is off.")
    severity: str = Field(
        description="Severity of the most serious flag: stop, lean, fault, stuck, stale, waiting or fine.",
        examples=["stop"],
    )
    flags: list[FlagOut] = Field(description="Flags, the most serious first.")
    stage: Stage | None = Field(description="Stage of the latest result. Null: no result yet.")
    chance_both: float | None = Field(description="Chance of both mixtures in target [0 to 1]. Null: no result yet.")
    lean_chance: float | None = Field(
        description="Hazard: chance of running lean of peak at full throttle [0 to 1]. Null: no result yet."
    )
    doubt: float | None = Field(description="Chance of a fault or a wrong entry [0 to 1]. Null: no result yet.")
    runs: int = Field(description="Number of recorded runs.")
    runs_to_finish: float | None = Field(description="Expected runs to finish [runs]. Null: no run is suggested.")
    last_entry: datetime | None = Field(description="Time of the latest entry (UTC). Null: no entry yet.")
    last_run: datetime | None = Field(description="Time of the latest run (UTC). Null: no run yet.")
    idle_days: int | None = Field(description="Count of whole days since the latest entry. Null: no entry yet.")
    notes: int = Field(description="Number of notes.")
    new_entries: int = Field(description="Entries recorded since you last looked.")
    new_notes: int = Field(description="Notes of others since you last looked.")
    current: bool = Field(description="True: the result is of the log as it stands.")


class OverviewPage(BaseModel):
    """Some of the installations; stops and lean engines come first, whatever the order."""

    total: int = Field(description="Number of installations that match.")
    counts: dict[str, int] = Field(description="Number of installations of each severity, whatever `severity` asks.")
    engines: list[OverviewEngine] = Field(description="Installations of this page.")
    next: str | None = Field(description="Cursor of the next page. Null: this is the last one.")
