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
    name: str = Field(description="Its name, or a name made of its number.")
    owner: str = Field(description="Name of its owner; empty where sign-in is off.")
    severity: str = Field(
        description="That of the most serious flag: stop, lean, fault, stuck, stale, waiting or fine.",
        examples=["stop"],
    )
    flags: list[FlagOut] = Field(description="What needs attention, the most serious first.")
    stage: Stage | None = Field(description="Stage of the latest result; null before the first.")
    chance_both: float | None = Field(description="Chance that both mixtures are in target; null before a result.")
    lean_chance: float | None = Field(
        description="Chance of being lean of peak at full throttle; null before a result."
    )
    doubt: float | None = Field(description="Chance that not all is as recorded; null before a result.")
    runs: int = Field(description="Number of recorded runs.")
    runs_to_finish: float | None = Field(description="Expected further runs; null where no run is suggested.")
    last_entry: datetime | None = Field(description="Time of the latest entry; null before the first.")
    last_run: datetime | None = Field(description="Time of the latest run; null before the first.")
    idle_days: int | None = Field(description="Whole days since the latest entry; null before the first.")
    notes: int = Field(description="Number of notes.")
    new_entries: int = Field(description="Entries recorded since you last looked.")
    new_notes: int = Field(description="Notes of others since you last looked.")
    current: bool = Field(description="Whether the result is of the log as it stands.")


class OverviewPage(BaseModel):
    """Some of the installations; stops and lean engines come first, whatever the order."""

    total: int = Field(description="How many match.")
    counts: dict[str, int] = Field(description="How many there are of each severity, before `severity` is applied.")
    engines: list[OverviewEngine] = Field(description="Those of this page.")
    next: str | None = Field(description="Cursor of the next page; null on the last one.")
