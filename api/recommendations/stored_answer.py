"""Kept answers, as far as they can still be shown."""

from typing import Any

from pydantic import ValidationError

from taperwise.api.schemas.recommendation import SuggestionOut
from taperwise.api.schemas.units import Units

__all__ = ["in_units"]


def in_units(kept: dict[str, Any] | None, units: Units) -> SuggestionOut | None:
    """A kept answer; None where it was kept in other units, or by a release whose answers looked different."""
    try:
        found = None if kept is None else SuggestionOut.model_validate(kept)
    except ValidationError:
        return None
    if found is None:
        return None
    told = (found.expected.egt_rise.unit, found.confidence.taper_fit.unit)
    return found if told == (units.temperature_rise, units.taper) else None
