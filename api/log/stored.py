"""What was stored, read back: entries as records, each with the field's elevation of its day."""

import json
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from pydantic import TypeAdapter

from taperwise.api.schemas.adjustments import AcknowledgeIn, AdjustmentIn, AdjustmentKinds
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.quantities import Elevation
from taperwise.api.schemas.run import RunIn
from taperwise.model.inference.engine_prior import EnginePrior
from taperwise.shared.records import ChangePart, Part
from taperwise.shared.records import Entry as EntryRecord

__all__ = ["at_field", "check_finite", "elevations", "record_of"]

_ENTRIES_KEPT = 4096
_ADJUSTMENT: TypeAdapter[AdjustmentKinds] = TypeAdapter(AdjustmentIn)


def check_finite(prior: EnginePrior) -> None:
    """An engine's prior as it was kept, before anything is drawn from it.

    Raises
    ------
    ValueError
        If a number of it is not finite.
    """
    if not np.isfinite(prior.array()).all():
        raise ValueError("a number of it is not finite")


def record_of(kind: str, document: dict[str, Any], installation: InstallationIn) -> EntryRecord:
    """The record of a stored entry."""
    told = {name: value for name, value in document.items() if name != "note"}  # nothing turns on it
    return _record_of(kind, json.dumps(told), installation.elevation)


@lru_cache(_ENTRIES_KEPT)
def _record_of(kind: str, document: str, elevation: Elevation | None) -> EntryRecord:
    """From its text: every answer reads a whole log, and a unit takes longer to convert than a text to be found."""
    if kind == "run":
        return RunIn.model_validate_json(document).record(elevation)
    if kind == "acknowledged":
        return AcknowledgeIn.model_validate_json(document).record()
    if kind == "set_up":
        return ChangePart(Part.INTAKE)
    if kind == "adjustment":
        return _ADJUSTMENT.validate_json(document).record()
    raise ValueError(f"no kind of entry: {kind}")


def elevations(changes: Sequence[dict[str, Any] | None], now: Any) -> list[Any]:
    """The elevation of the field at each of some entries.

    Parameters
    ----------
    changes : sequence of dict or None
        What each entry changed of the set-up from its moment on.
    now : Any
        What the set-up says.
    """
    found = []
    for each in reversed(changes):
        found.append(now)
        if each is not None and "elevation" in each:
            now = each["elevation"][0]
    return found[::-1]


def at_field(owner: InstallationIn, field: Any) -> InstallationIn:
    """The set-up at an earlier field."""
    if field is owner.elevation:
        return owner
    return owner.model_copy(update={"elevation": None if field is None else Elevation.model_validate(field)})
