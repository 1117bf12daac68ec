"""A change of a set-up as the service speaks of it."""

from typing import Any, Literal

from pydantic import Field

from taperwise.api.schemas.timestamps import EntryIn

__all__ = ["SetUpEdit", "SetUpEntry"]

Meaning = Literal["correction", "change"]


class SetUpEdit(EntryIn):
    """What a set-up should say: a correction relearns the log, a change holds for the runs that follow."""

    meaning: Meaning = Field(
        description="`correction`: it was always so, and the log is learned again. `change`: it is so from this moment "
        "on. Another throttle body or engine starts a new part, as a changed part does."
    )
    set_up: dict[str, Any] = Field(
        min_length=1,
        description="The fields that differ, as in setting up; null brings a field back to its default, or to not set. "
        "Needles are matched by their label: a new label adds a needle, `retired` true retires one.",
    )


class SetUpEntry(EntryIn):
    """A change of the set-up as recorded."""

    meaning: Meaning = Field(description="Meaning of the change: `correction` or `change`.")
    changes: dict[str, tuple[Any, Any]] = Field(
        description="Value before and value now of each field that changed, by its dotted name. Null: none."
    )
    new_part: bool = Field(False, description="True: the runs that follow are of a changed part.")
