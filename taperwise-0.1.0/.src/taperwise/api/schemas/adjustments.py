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

    kind: Literal["turn_screw"] = Field(description="Kind of adjustment: a turn of the needle holder.")
    turns: Number = Field(description="Turn of the needle holder [turns]; positive = out, richer.")

    def record(self) -> Adjustment:
        """The record."""
        return TurnScrew(self.turns)


class ChangeNeedleIn(EntryIn):
    """Another needle was installed with its mark at the slide's edge, then turned."""

    kind: Literal["change_needle"] = Field(description="Kind of adjustment: a change of needle.")
    needle: Label = Field(description="Label of the needle installed, one of the owner's needles.")
    turns_from_mark: Number = Field(
        0.0, description="Holder position from the mark at the slide's edge [turns]; positive = out, richer."
    )

    def record(self) -> Adjustment:
        """The record."""
        return ChangeNeedle(self.needle, self.turns_from_mark)


class TurnIdleStopIn(EntryIn):
    """The idle stop screw was turned: positive = slide further open, faster."""

    kind: Literal["turn_idle_stop"] = Field(description="Kind of adjustment: a turn of the idle stop screw.")
    turns: Number = Field(description="Turn of the idle stop screw [turns]; positive = slide further open, faster.")

    def record(self) -> Adjustment:
        """The record."""
        return TurnIdleStop(self.turns)


class ChangePartIn(EntryIn):
    """A part or the fuel was changed. The tuning goes back to its first stage."""

    kind: Literal["change_part"] = Field(description="Kind of adjustment: a change of a part or of the fuel.")
    part: Literal["fuel", "intake", "air_filter", "propeller", "exhaust"] = Field(description="Part that was changed.")
    fuel: Literal["avgas", "mogas", "mogas_e10"] | None = Field(
        None, description="New fuel, for the part `fuel`. Null: the fuel stays."
    )

    def record(self) -> Adjustment:
        """The record."""
        return ChangePart(Part(self.part), Fuel(self.fuel) if self.fuel else None)


AdjustmentKinds = TurnScrewIn | ChangeNeedleIn | TurnIdleStopIn | ChangePartIn
AdjustmentIn = Annotated[AdjustmentKinds, Field(discriminator="kind")]
"""What was actually turned or changed; it may differ from what was suggested."""


class AcknowledgeIn(EntryIn):
    """The cause of an exceeded limit, of readings that do not match, or of a finding."""

    about: Literal["run", "trace", "setting"] = Field(
        "run",
        description="Subject of the cause. `run`: an engine limit or readings that do not match. `trace`: "
        "findings from logger files. `setting`: the owner accepts the present setting at its stated chance.",
    )
    cause: str = Field(min_length=3, max_length=500, description="Cause, and what was done about it.")

    def record(self) -> Acknowledge | AcceptSetting:
        """The record."""
        return AcceptSetting(self.cause) if self.about == "setting" else Acknowledge(self.cause)
