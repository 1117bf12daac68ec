"""Adjustments and acknowledgements as the service speaks of them."""

from typing import Annotated, Literal

from pydantic import Field

from taperwise.api.schemas.installation import Label
from taperwise.api.schemas.quantities import Number
from taperwise.api.schemas.timestamps import EntryIn
from taperwise.shared.records import (
    AcceptSetting,
    Acknowledge,
    Adjustment,
    ChangeNeedle,
    ChangePart,
    Fuel,
    Part,
    TurnIdleStop,
    TurnScrew,
)

__all__ = ["AcknowledgeIn", "AdjustmentIn", "AdjustmentKinds"]


class TurnScrewIn(EntryIn):
    """The needle holder was turned: positive = needle out, richer."""

    kind: Literal["turn_screw"]
    turns: Number

    def record(self) -> Adjustment:
        """The record."""
        return TurnScrew(self.turns)


class ChangeNeedleIn(EntryIn):
    """Another needle was fitted, its mark at the slide's edge, then turned on from there."""

    kind: Literal["change_needle"]
    needle: Label
    turns_from_mark: Number = 0.0

    def record(self) -> Adjustment:
        """The record."""
        return ChangeNeedle(self.needle, self.turns_from_mark)


class TurnIdleStopIn(EntryIn):
    """The idle stop screw was turned: positive = slide further open, faster."""

    kind: Literal["turn_idle_stop"]
    turns: Number

    def record(self) -> Adjustment:
        """The record."""
        return TurnIdleStop(self.turns)


class ChangePartIn(EntryIn):
    """A part or the fuel was changed: the tuning starts again at full throttle."""

    kind: Literal["change_part"]
    part: Literal["fuel", "intake", "air_filter", "propeller", "exhaust"]
    fuel: Literal["avgas", "mogas", "mogas_e10"] | None = None

    def record(self) -> Adjustment:
        """The record."""
        return ChangePart(Part(self.part), Fuel(self.fuel) if self.fuel else None)


AdjustmentKinds = TurnScrewIn | ChangeNeedleIn | TurnIdleStopIn | ChangePartIn
AdjustmentIn = Annotated[AdjustmentKinds, Field(discriminator="kind")]
"""What was actually turned or changed; it may differ from what was suggested."""


class AcknowledgeIn(EntryIn):
    """Somebody found out why a limit was exceeded, a run was not as foretold, or a logger file was odd, and says so."""

    about: Literal["run", "trace", "setting"] = Field(
        "run",
        description="`run`: a limit that was exceeded, or readings that were not as foretold. `trace`: the findings "
        "from logger files; nothing else is acknowledged by it. `setting`: the owner accepts the setting at the stated "
        "chance, until it is changed.",
    )
    cause: str = Field(min_length=3, max_length=500, description="What it was, and what was done about it.")

    def record(self) -> Acknowledge | AcceptSetting:
        """The record."""
        return AcceptSetting(self.cause) if self.about == "setting" else Acknowledge(self.cause)
